package bridge

import (
	"sync"

	"clearback/supervision"
)

// mailbox is an unbounded queue of events: a clearing is never dropped and a sender never waits. What is in it is
// bounded by the calls that are up, since each sends a handful of events, and by the rate at which refused calls are
// recorded.
type mailbox struct {
	wake chan struct{} // one slot: a wake-up not yet taken stands for all events that came since

	mu   sync.Mutex
	evs  []supervision.Event
	done bool
}

func newMailbox() *mailbox { return &mailbox{wake: make(chan struct{}, 1)} }

func (b *mailbox) put(ev supervision.Event) {
	b.mu.Lock()
	if !b.done {
		b.evs = append(b.evs, ev)
	}
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// take swaps the queue against the empty slice of an earlier take.
func (b *mailbox) take(spare []supervision.Event) []supervision.Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	evs := b.evs
	b.evs = spare[:0]
	return evs
}

func (b *mailbox) empty() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.evs) == 0
}

// shut makes later events vanish: nobody is there to take them.
func (b *mailbox) shut() {
	b.mu.Lock()
	b.done, b.evs = true, nil
	b.mu.Unlock()
}
