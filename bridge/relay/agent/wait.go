package agent

import "time"

// waiter is what a contact's thread waits with.
type waiter interface {
	// wait returns at the instant until, or soon after wake was called; with a zero instant only then. It may return
	// early for no reason.
	wait(until time.Time)
	// wake ends the wait under way or else the next one. Any goroutine may call it, also after close.
	wake()
	// close gives back what it holds. The thread calls it.
	close()
}

// plainWaiter uses the runtime's timers: for virtual time, and for systems without the kernel's.
type plainWaiter struct {
	woken chan struct{} // buffer 1: one pending wake is as good as many
}

func newPlainWaiter() *plainWaiter { return &plainWaiter{make(chan struct{}, 1)} }

func (w *plainWaiter) wait(until time.Time) {
	if until.IsZero() {
		<-w.woken
		return
	}
	t := time.NewTimer(time.Until(until))
	defer t.Stop()
	select {
	case <-t.C:
	case <-w.woken:
	}
}

func (w *plainWaiter) wake() {
	select {
	case w.woken <- struct{}{}:
	default:
	}
}

func (w *plainWaiter) close() {}
