package bridge

import (
	"sync"

	"clearback/supervision"
)

// mailbox is an unbounded queue of events: no clearing is ever dropped and no sender waits. Its length is limited by
// the number of calls, since each call sends a handful of events, and by the rate at which refused calls are recorded.
type mailbox struct {
	wake chan struct{} // one slot: a pending wake-up stands for all events that came since

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

// take returns the queued events and leaves spare, emptied, as the new queue.
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

// end discards the queue and all later events.
func (b *mailbox) end() {
	b.mu.Lock()
	b.done, b.evs = true, nil
	b.mu.Unlock()
}
