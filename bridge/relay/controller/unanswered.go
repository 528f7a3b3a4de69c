package controller

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// unansweredCloses are the closes of one contact that were written and have no answer. A controller that serves several
// connections at once may carry out such a close after everything that was written later, even if the close's
// connection has ended meanwhile. It would then end the next opening too early. The next opening therefore waits for
// these closes. Closes wait for nothing.
type unansweredCloses struct {
	timeout time.Duration

	mu      sync.Mutex
	pending []*pendingClose // their answers may still come
	lost    bool            // a close without an answer was written after the latest confirmed one
	// until is when the closes that get no answer count no longer: the time-out after the next close was confirmed. A
	// controller that stood still carries out its old requests when it answers again.
	until time.Time
}

// pendingClose is one close whose answer may still come.
type pendingClose struct {
	over chan struct{} // closed when the request has ended, or was forbidden
}

// track adds the close c when the returned function is called just before the write. That function calls before. The
// close is removed if before forbids the write, and when the request ends.
func (u *unansweredCloses) track(c *PendingRequest, before func() error) func() error {
	p := &pendingClose{make(chan struct{})}
	c.ended = func(err error) { u.end(p, err) }
	return func() error {
		u.add(p) // before the opening under way is withdrawn: an opening that begins later waits for this close
		if before == nil {
			return nil
		}
		err := before()
		if err != nil {
			u.forbid(p)
		}
		return err
	}
}

func (u *unansweredCloses) add(p *pendingClose) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.pending = append(u.pending, p)
}

func (u *unansweredCloses) forbid(p *pendingClose) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.removeLocked(p)
}

// end removes a close whose request has ended with the given error. A refusal is an answer.
func (u *unansweredCloses) end(p *pendingClose, err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.removeLocked(p)
	switch {
	case isRefusal(err):
	case err != nil:
		u.lost, u.until = true, time.Now().Add(u.timeout)
	case u.lost:
		u.lost, u.until = false, time.Now().Add(u.timeout)
	}
}

func (u *unansweredCloses) removeLocked(p *pendingClose) {
	u.pending = slices.DeleteFunc(u.pending, func(e *pendingClose) bool { return e == p })
	close(p.over)
}

// errCloseUnanswered is why an opening was late.
var errCloseUnanswered = errors.New("an earlier close has no answer, and may still be carried out")

// wait waits until no close without an answer counts any more. It gives up when the opening is withdrawn, when its
// session ends or at its NotAfter.
func (u *unansweredCloses) wait(o *opening, l *link) error {
	for {
		over, until := u.next()
		var elapsed <-chan time.Time
		if over == nil {
			if !time.Now().Before(until) {
				return nil
			}
			elapsed = time.After(time.Until(until))
		}
		select {
		case <-over:
		case <-elapsed:
		case <-l.Dead():
			return fmt.Errorf("%w: %w", relay.ErrUnreachable, l.Cause())
		case <-o.stop:
			return relay.ErrStopped
		case <-time.After(time.Until(o.NotAfter)):
			return fmt.Errorf("%w: %w", relay.ErrLate, errCloseUnanswered)
		}
	}
}

// next returns a channel that is closed when the first pending close has ended. If none is pending, the channel is nil,
// and the closes that get no answer count until the given instant.
func (u *unansweredCloses) next() (over <-chan struct{}, until time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if len(u.pending) > 0 {
		return u.pending[0].over, time.Time{}
	}
	return nil, u.until
}
