package sipua

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Leave ends the agent for another process that takes over its sockets, its registrations and its answered calls. It
// sends nothing. First it waits for a moment in which nothing is under way: each call is answered, no call is changing
// or ending, and settled reports true (the caller uses it for the loops). An unanswered emergency call is awaited
// without a limit, then ordinary calls for times.leave at most. When settleFor has passed after that, Leave calls
// settled with late true. What arrives after that moment stays in the sockets, which the store of [Options.Sockets]
// keeps. Once hurry has ended, Leave waits no longer. If ctx ends before the agent has left, Leave returns its error,
// and the agent goes on.
func (a *Agent) Leave(ctx, hurry context.Context, settled func(late bool) bool) error {
	patience := time.Now().Add(a.times.leave)
	mayLeave := func() bool {
		return a.mayLeave(&patience) && settled(time.Since(patience) > settleFor)
	}
	waiting, cancel := context.WithCancel(hurry)
	defer cancel()
	defer context.AfterFunc(ctx, cancel)()
	for {
		awaitMoment(waiting, mayLeave)
		handled := a.pause(waiting)
		if ctx.Err() == nil && (hurry.Err() != nil || handled && mayLeave()) {
			break
		}
		for _, s := range a.sockets {
			s.ep.Unpause()
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if !handled { // serve what came meanwhile before the next try
			select {
			case <-waiting.Done():
			case <-time.After(pauseFor):
			}
		}
	}
	a.leaving.Store(true)
	a.admission.shut(func() bool { return false })
	for _, c := range a.up() {
		c.runInMailbox(c.saveLast)
	}
	for _, l := range a.all() {
		for _, at := range l.accounts {
			if at.client != nil {
				at.client.Leave()
				at.saveRegistration(at.client.Status())
			}
		}
	}
	a.stopLines()
	a.clients.Wait()
	a.work.finish() // before the sockets close: from here on no call learns that a request of ours has failed
	var kept error
	for _, s := range a.sockets {
		if err := s.ep.Keep(); err != nil {
			kept = errors.Join(kept, fmt.Errorf("%v is not kept, so what arrives there during the restart is refused: %w",
				s.ep.Addr(), err))
		}
	}
	return errors.Join(kept, a.closeSockets())
}

// saveLast saves the call for the process that takes over. The call has not made this process crash, so its adoption
// does not count (see maxAdoptions).
func (c *call) saveLast() {
	if c.a.saveCall == nil {
		return
	}
	if c.adoption != nil {
		c.adoption.count = 0
	}
	c.lookedAt = time.Time{}
	c.saveIfChanged()
}

// settleFor leaves time for the openings that follow the last calls: lead, interval and guard time. Our own number.
const settleFor = 5 * time.Second

// awaitMoment waits until mayLeave reports true or ctx ends.
func awaitMoment(ctx context.Context, mayLeave func() bool) {
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for !mayLeave() {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// mayLeave reports whether every call may be left to another process. An ordinary call with something under way may be
// left after patience, which begins again while an emergency call is not answered.
func (a *Agent) mayLeave(patience *time.Time) bool {
	late := time.Now().After(*patience)
	for _, c := range a.up() {
		var may, urgent bool
		c.runInMailbox(func() {
			urgent = c.emergency && !c.answered
			may = c.isSteady() || late && !urgent
		})
		if !may {
			if urgent {
				*patience = time.Now().Add(a.times.leave)
			}
			return false
		}
	}
	return true
}

// isSteady reports whether the call has ended, or is answered with no INVITE or BYE under way, and no request of one
// side waits for the other's response: the next process would forward the sender's retransmission a second time.
func (c *call) isSteady() bool {
	for _, l := range c.legs {
		if l.state != legUp || l.clearing || l.in != nil || l.session.reinviteUnderWay() || l.forwarding > 0 {
			return c.done
		}
	}
	return true
}

// pauseFor is how long the sockets are paused for messages that are being handled. Handling them takes less than a
// millisecond unless a TCP peer does not read; then it may take 5 s, and calls for help must not wait for that. Our own
// number.
const pauseFor = 100 * time.Millisecond

// pause stops reading on every socket. It reports whether all that was read has been handled within pauseFor.
func (a *Agent) pause(ctx context.Context) (handled bool) {
	ctx, cancel := context.WithTimeout(ctx, pauseFor)
	defer cancel()
	for _, s := range a.sockets {
		s.ep.Pause()
	}
	done := make(chan struct{}) // closed when everything has been handled
	a.work.start(func() {
		for _, s := range a.sockets {
			s.ep.Settle(ctx)
		}
		for _, c := range a.up() {
			c.runInMailbox(func() {})
		}
		if ctx.Err() == nil {
			close(done)
		}
	})
	select {
	case <-done:
		return true
	case <-ctx.Done():
		return false
	}
}
