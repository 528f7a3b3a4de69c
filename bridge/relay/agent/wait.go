package agent

import "time"

// waiter is the timer and wake-up of a contact's thread.
type waiter interface {
	// wait returns at the instant until, or soon after wake was called. If until is zero, only wake ends the wait. It
	// may also return early without reason.
	wait(until time.Time)
	// wake ends the current wait, or the next one if there is none. Any goroutine may call it, even after close.
	wake()
	// close releases the waiter's resources. The thread calls it.
	close()
}

// plainWaiter uses the runtime's timers, for virtual time and for systems other than Linux.
type plainWaiter struct {
	woken chan struct{} // buffer 1: one pending wake is enough
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
