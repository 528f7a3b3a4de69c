package sipua

import (
	"context"
	"time"
)

// Leave ends the agent for another process that takes over its sockets, its registrations and its answered calls. It
// sends nothing. First it waits for a moment in which nothing is under way: each call is answered, no call is changing
// or ending, and settled reports true (the caller uses it for the loops). An unanswered emergency call is awaited
// without a limit, ordinary calls for times.leave at most. What arrives after that moment stays in the sockets. If ctx
// ends, Leave waits no longer.
func (a *Agent) Leave(ctx context.Context, settled func() bool) error {
	patience := time.Now().Add(a.times.leave)
	for {
		a.awaitMoment(ctx, patience, settled)
		a.pause(ctx)
		if ctx.Err() != nil || a.mayLeave(patience) && settled() {
			break
		}
		for _, s := range a.sockets {
			s.ep.Resume()
		}
	}
	a.admission.shut(func() bool { return false })
	for _, l := range a.lines {
		for _, at := range l.accounts {
			if at.client != nil {
				at.client.Leave()
			}
		}
	}
	a.stopLines()
	a.clients.Wait()
	a.work.finish() // before the sockets close: from here on the failure of a question of ours tells no call anything
	return a.closeSockets()
}

// awaitMoment waits until the agent may leave or ctx ends.
func (a *Agent) awaitMoment(ctx context.Context, patience time.Time, settled func() bool) {
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for !a.mayLeave(patience) || !settled() {
		select {
		case <-ctx.Done():
			return
		case <-look.C:
		}
	}
}

// mayLeave reports whether every call may be left to another process. An ordinary call with something under way may be
// left after patience.
func (a *Agent) mayLeave(patience time.Time) bool {
	late := time.Now().After(patience)
	for _, c := range a.up() {
		var may bool
		c.runInMailbox(func() { may = c.isSteady() || late && (c.answered || !c.emergency) })
		if !may {
			return false
		}
	}
	return true
}

// isSteady reports whether the call has ended, or is answered with no INVITE or BYE under way.
func (c *call) isSteady() bool {
	for _, l := range c.legs {
		if l.state != legUp || l.clearing || l.in != nil || l.session.reinviteUnderWay() {
			return c.done
		}
	}
	return true
}

// pause stops reading on every socket and waits until all that was read has been handled.
func (a *Agent) pause(ctx context.Context) {
	for _, s := range a.sockets {
		s.ep.Pause()
	}
	for _, s := range a.sockets {
		s.ep.Settle(ctx)
	}
	for _, c := range a.up() {
		c.runInMailbox(func() {})
	}
}
