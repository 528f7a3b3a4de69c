package controller

import (
	"context"
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// These numbers are our own. They follow from the danger that somebody lifts and dials in the time that they add.
const (
	// resumeWait is the time after the loss within which the opening must be read back. Otherwise the contact is
	// closed.
	resumeWait = 100 * time.Millisecond
	// resumeOverrun is how long after its end the opening may still read open. Then it is closed by command.
	resumeOverrun = 50 * time.Millisecond
	// resumeEvery is the longest pause between attempts to connect while the opening may last.
	resumeEvery = 20 * time.Millisecond
)

// resumption is what the next connection found when it read back an opening whose connection was lost.
type resumption struct {
	link  *link
	level relay.Level
	at    time.Time
}

// survivingOpening returns the opening that the controller still times although the connection was lost at the given
// instant, and the latest instant at which it may be read back. It returns nil if there is none. An opening that was
// never confirmed has no known end, so it is treated as over.
func (c *Contact) survivingOpening(lost time.Time) (*opening, time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	o := c.current
	if o == nil || !c.outlasts() || isClosed(o.stop) {
		return nil, time.Time{}
	}
	by := o.due.Add(resumeOverrun)
	if wait := lost.Add(resumeWait); wait.Before(by) {
		by = wait
	}
	if !time.Now().Before(by) {
		return nil, time.Time{}
	}
	return o, by
}

// outlasts reports whether the contact's openings continue after a loss and can be read back then.
func (c *Contact) outlasts() bool {
	return c.opt.Timed != nil && c.opt.Timed.SurvivesLoss && !c.opt.Blind
}

// resume reads back, on the next connection, an opening whose connection was lost. It reports whether the opening
// continues. If not, the contact must be closed.
func (c *Contact) resume(ctx context.Context, l *link, lost time.Time) bool {
	o, by := c.survivingOpening(lost)
	if o == nil {
		return false
	}
	ctx, cancel := context.WithDeadline(ctx, by)
	defer cancel()
	level, at, err := c.read(l, ctx.Done())
	if err != nil || isClosed(o.stop) { // a seizure or a close has withdrawn the opening
		return false
	}
	select {
	case o.resumption <- resumption{l, level, at}:
		return level == relay.LevelOpen
	default:
		return false // the opening has not yet noticed the previous connection
	}
}

// awaitResume waits for the next connection after a loss while the loop is open. It returns the link on which the
// opening continues, or nil and the opening's result.
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
		case r = <-o.resumption: // the connection then began with the close
		default:
			return nil, c.unknown(s, "open", lost)
		}
	case <-time.After(min(resumeWait, time.Until(o.end.Add(resumeOverrun)))):
		return nil, c.unknown(s, "open", lost)
	}
	c.callOpened(o, o.at) // the controller confirmed the opening, and a read-back succeeded
	switch {
	case r.level == relay.LevelOpen:
		o.resumed = true
		return r.link, relay.Result{}
	case r.at.Before(o.proof):
		open := r.at.Sub(o.at)
		return nil, relay.Result{Outcome: relay.Refused, OpenFor: open,
			Err: fmt.Errorf("line %s: the connection was lost (%w); "+
				"when it was back, %v after the confirmation, the contact was closed already: %w",
				c.opt.Name, lost, open.Round(time.Millisecond), relay.ErrShort)}
	default:
		return nil, relay.Result{Outcome: relay.Done, OpenFor: r.at.Sub(o.at)}
	}
}
