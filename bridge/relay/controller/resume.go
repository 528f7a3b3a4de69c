package controller

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// Our own numbers, from the rule for an opening whose connection is lost: somebody may lift and dial in the time that
// is added here.
const (
	// resumeWait is how long after the loss the read-back of such an opening is awaited; without it the contact is
	// closed.
	resumeWait = 100 * time.Millisecond
	// resumeOverrun is how long after its end such an opening may still read open; then it is closed by command.
	resumeOverrun = 50 * time.Millisecond
	// resumeEvery is the pause between attempts to connect meanwhile.
	resumeEvery = 20 * time.Millisecond
)

// resumption is what the next connection found of an opening whose connection was lost.
type resumption struct {
	link  *link
	level relay.Level
	at    time.Time
}

// outlastingOpening returns the opening that the controller goes on timing by itself although its connection was lost
// at the given instant, and until when it may be read back; nil if there is none. One that was not confirmed has no end
// yet, so its time is over.
func (c *Contact) outlastingOpening(lost time.Time) (*opening, time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	o := c.current
	if o == nil || !c.outlasts() || isClosed(o.stop) {
		return nil, time.Time{}
	}
	by := o.due.Add(resumeOverrun)
	if !lost.IsZero() && lost.Add(resumeWait).Before(by) {
		by = lost.Add(resumeWait)
	}
	if !time.Now().Before(by) {
		return nil, time.Time{}
	}
	return o, by
}

// outlasts reports whether an opening goes on, and its end can be seen, when its connection is lost.
func (c *Contact) outlasts() bool { return c.opt.Timed != nil && c.opt.Timed.Outlasts && !c.opt.Blind }

// resume reads an opening back whose connection was lost, on the next one, and reports whether it goes on. Else the
// contact is to be closed.
func (c *Contact) resume(ctx context.Context, l *link, lost time.Time) bool {
	o, by := c.outlastingOpening(lost)
	if o == nil {
		return false
	}
	ctx, cancel := context.WithDeadline(ctx, by)
	defer cancel()
	level, at, err := c.read(l, ctx.Done())
	if err != nil || isClosed(o.stop) { // it is to end: a seizure or a close came meanwhile
		return false
	}
	select {
	case o.resumption <- resumption{l, level, at}:
		return level == relay.LevelOpen
	default:
		return false // the opening has not even heard of the connection before
	}
}

// awaitResume waits for the next connection after one was lost while the loop is open. It returns the link on which the
// opening goes on, or nil and the opening's result.
func (c *Contact) awaitResume(s *link, o *opening, lost error) (*link, relay.Result) {
	if !c.outlasts() {
		return nil, c.unknown(s, "open", lost)
	}
	c.requestConnection()
	var r resumption
	select {
	case r = <-o.resumption:
	case <-o.stop:
		select {
		case r = <-o.resumption: // and then the connection began with the close
		default:
			return nil, c.unknown(s, "open", lost)
		}
	case <-time.After(min(resumeWait, time.Until(o.end.Add(resumeOverrun)))):
		return nil, c.unknown(s, "open", lost)
	}
	c.tellOpened(o, o.at) // the controller confirmed it; and it was not read back in vain
	switch {
	case r.level == relay.LevelOpen:
		o.resumed = true
		return r.link, relay.Result{}
	case r.at.Before(o.proof):
		open := r.at.Sub(o.at)
		return nil, relay.Result{Outcome: relay.Refused, OpenFor: open,
			Err: fmt.Errorf("line %s: the connection was lost (%w), "+
				"and when it was back, %v after the confirmation, the contact had closed already: %w",
				c.opt.Name, lost, open.Round(time.Millisecond), relay.ErrShort)}
	default:
		return nil, relay.Result{Outcome: relay.Done, OpenFor: r.at.Sub(o.at)}
	}
}
