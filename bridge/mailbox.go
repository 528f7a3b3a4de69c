package bridge

import (
	"slices"
	"sync"

	"clearback/supervision"
)

// mailbox is an unbounded queue of events: no clearing is ever dropped and no sender waits. Its length is limited by
// the number of calls, since each call sends a handful of events, and by the rate at which refused calls are recorded.
// The zero value is ready to use.
type mailbox struct {
	mu     sync.Mutex
	evs    []supervision.Event
	closed uint64 // how often the loop was reported closed after an opening
	opened bool   // it was reported open since
	done   bool
}

// put queues an event. It reports whether the event says that the loop is closed after an opening. LoopFailed says so
// only if LoopOpened came before it. LoopClosed always does, since an opening may go unreported.
func (b *mailbox) put(ev supervision.Event) (closed bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev.Kind {
	case supervision.LoopOpened:
		b.opened = true
	case supervision.LoopClosed, supervision.LoopFailed:
		closed = b.opened || ev.Kind == supervision.LoopClosed
		b.opened = false
	}
	if closed {
		b.closed++
	}
	b.putLocked(ev)
	return closed
}

// closings returns how often the loop was reported closed after an opening. Call it before a reading of the loop
// current, for putReading.
func (b *mailbox) closings() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.closed
}

// putReading queues a reading of the loop current. closings is what [mailbox.closings] returned when the reading was
// requested. If the loop has been reported closed since then, the reading is outdated, and the queued event says so.
func (b *mailbox) putReading(ev supervision.Event, closings uint64) (outdated bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	outdated = closings != b.closed
	if outdated {
		ev.Reading = supervision.ReadingBeforeClosing
	}
	b.putLocked(ev)
	return outdated
}

func (b *mailbox) putLocked(ev supervision.Event) {
	if !b.done {
		b.evs = append(b.evs, ev)
	}
}

// first takes the oldest event. It returns false if there is none.
func (b *mailbox) first() (supervision.Event, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.evs) == 0 {
		return supervision.Event{}, false
	}
	ev := b.evs[0]
	b.evs = slices.Delete(b.evs, 0, 1)
	return ev, true
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
