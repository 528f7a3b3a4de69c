package controller

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Op is what a request asks of a contact.
type Op uint8

// The requests.
const (
	Read  Op = iota // where the contact is
	Close           // close the loop, and end the controller's own timer
	Open            // open the loop
	Sense           // does loop current flow?
	// Try is the command that opens, with a length of 0, which closes; only for contacts with [TrialOfZero].
	Try
)

// String names the request, for errors.
func (o Op) String() string {
	if names := [...]string{"read", "close", "open", "sense", "try"}; int(o) < len(names) {
		return names[o]
	}
	return "unknown request"
}

// Request is one request to a controller.
type Request struct {
	Op Op
	// Contact counts the contacts of the controller from 0, in the order in which they were made.
	Contact int
	// Seq and Duration belong to Open. On a timed contact Duration is whole quanta.
	Seq      uint32
	Duration time.Duration
}

// Answer is what came of a request.
type Answer struct {
	// Level is the answer to Read and Sense.
	Level relay.Level
	// At is when the answer came.
	At time.Time
	// Err is nil if the controller did as asked, a [Refusal] if it said no, and otherwise the end of the session.
	Err error
}

// Session is one connection to a controller. A request without an answer in its time ends it, and so does anything that
// is no proper answer; what a dead session had asked may have been done or not. All methods are safe for concurrent
// use.
type Session interface {
	// Start begins a request and returns at once. The last thing before its bytes go is the call of before, if not nil,
	// which may forbid them. An error means that nothing was written; everything else is told by [Call.End], exactly
	// once. A Close is written without waiting for the answer to anything else.
	Start(c *Call, r Request, before func() error) error
	// Prepare is called when the contacts have been closed on the new session and before anything else is asked.
	Prepare(ctx context.Context) error
	// Dead is closed when the session has ended, and Cause then tells why.
	Dead() <-chan struct{}
	Cause() error
	// Stop ends the session; with reset, what was written and not yet delivered is thrown away where that can be done.
	Stop(reset bool)
}

// Call is a request in the air.
type Call struct {
	// Sent is just before the bytes went; a session sets it before Start returns.
	Sent time.Time

	answer  chan Answer // buffer 1: a session never waits for a caller that has gone
	release func()      // gives the slot back, once
}

// NewCall returns a call that holds nothing.
func NewCall() *Call { return &Call{answer: make(chan Answer, 1), release: func() {}} }

// End gives the answer; to be called once.
func (c *Call) End(a Answer) {
	c.answer <- a
	c.release()
}

// Wait returns the answer and its error, or [relay.ErrStopped] when stop is closed first; a nil stop never is. One
// caller at a time.
func (c *Call) Wait(stop <-chan struct{}) (Answer, error) {
	select {
	case a := <-c.answer:
		return a, a.Err
	case <-stop:
		return Answer{}, relay.ErrStopped
	}
}

// Refusal is the answer of a controller that did not do as asked; the session goes on.
type Refusal struct {
	Cause error
	// Sure: nothing at all was done.
	Sure bool
}

func (r *Refusal) Error() string { return r.Cause.Error() }

// Reason is what the controller said: see [relay.Reason].
func (r *Refusal) Reason() string { return r.Cause.Error() }
func (r *Refusal) Unwrap() error  { return r.Cause }

// ConnectionLost is the end of a session with a request in the air: what that did is unknown.
type ConnectionLost struct{ Cause error }

func (l *ConnectionLost) Error() string { return fmt.Sprintf("%v: %v", relay.ErrNoAnswer, l.Cause) }

// Reason is how the session ended: see [relay.Reason].
func (l *ConnectionLost) Reason() string { return l.Cause.Error() }

func (l *ConnectionLost) Unwrap() []error { return []error{relay.ErrNoAnswer, l.Cause} }

// link is a session with room for one ordinary request at a time: opens and polls wait for each other, closes and what
// belongs to an opening under way do not.
type link struct {
	Session
	slot chan struct{} // buffer 1: holding the token is being the one ordinary request in the air
	// closeWanted are the contacts of which somebody wanted a close while the connection began with one
	closeWanted []*Contact
}

func newLink(s Session) *link {
	l := &link{Session: s, slot: make(chan struct{}, 1)}
	l.slot <- struct{}{}
	return l
}

// acquire takes the slot. It gives up when stop is closed or at the instant until.
func (l *link) acquire(stop <-chan struct{}, until time.Time) error {
	select {
	case <-l.slot:
		return nil
	default:
	}
	select {
	case <-l.slot:
		return nil
	case <-l.Dead():
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, l.Cause())
	case <-stop:
		return relay.ErrStopped
	case <-time.After(time.Until(until)):
		return relay.ErrLate
	}
}

// start begins a request; with slot it gives back the one that was acquired when it ends.
func (l *link) start(r Request, slot bool, before func() error) (*Call, error) {
	c := NewCall()
	if slot {
		c.release = sync.OnceFunc(func() { l.slot <- struct{}{} })
	}
	err := l.Session.Start(c, r, before)
	if err != nil {
		c.release()
	}
	return c, err
}

// do begins a request and waits for its answer until stop is closed (nil: at most the session's time-out).
func (l *link) do(r Request, before func() error, stop <-chan struct{}) (Answer, error) {
	c, err := l.start(r, false, before)
	if err != nil {
		return Answer{}, err
	}
	a, err := c.Wait(stop)
	if errors.Is(err, relay.ErrStopped) {
		err = errGivenUp // no opening was withdrawn
	}
	return a, err
}

// errGivenUp: whoever asked no longer waits.
var errGivenUp = errors.New("controller: given up before the answer came")
