package controller

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Op is the operation that a request asks for.
type Op uint8

const (
	Read  Op = iota // return the contact's level
	Close           // close the loop and stop the controller's own timer
	Open            // open the loop
	Sense           // report whether loop current flows
	// Try is the command that opens, with a length of 0, which closes. It is only for contacts with
	// [TryWithZeroLength].
	Try
)

// String names the operation, for errors.
func (o Op) String() string {
	if names := [...]string{"read", "close", "open", "sense", "try"}; int(o) < len(names) {
		return names[o]
	}
	return "unknown request"
}

// Request is one request to a controller.
type Request struct {
	Op Op
	// Contact is the contact's index, from 0, in the order in which the contacts were added.
	Contact int
	// Seq and Duration are for Open. On a timed contact Duration is a multiple of the quantum.
	Seq      uint32
	Duration time.Duration
}

// Answer is the result of a request.
type Answer struct {
	// Level is the result of Read and Sense.
	Level relay.Level
	// At is when the answer arrived.
	At time.Time
	// Err is nil if the controller did as asked. It is a [Refusal] if the controller refused. Any other error has ended
	// the session.
	Err error
}

// Session is one connection to a controller. A request without an answer in time ends the session, and so does a
// malformed answer. Requests that were pending at that moment may have been carried out or not. All methods are safe
// for concurrent use.
type Session interface {
	// Start begins a request and returns at once. If before is not nil, it is called just before the bytes are written,
	// and its error prevents the write. An error from Start means that nothing was written. Otherwise the session calls
	// [PendingRequest.End] exactly once. A Close is written without waiting for the answer to any other request.
	Start(c *PendingRequest, r Request, before func() error) error
	// Prepare is called after the contacts were closed on the new session, before any other request.
	Prepare(ctx context.Context) error
	// Dead is closed when the session has ended. Cause then returns the reason.
	Dead() <-chan struct{}
	Cause() error
	// Stop ends the session. With reset, data that was written but not delivered is discarded if possible.
	Stop(reset bool)
}

// PendingRequest is a pending request.
type PendingRequest struct {
	// Sent is the instant just before the bytes were written. A session sets it before Start returns.
	Sent time.Time

	answer  chan Answer // buffer 1: a session never waits for a caller that has gone
	ended   func(error) // receives the answer's error, before the caller does
	release func()      // releases the slot; further calls do nothing
}

// NewPendingRequest returns a request that holds no slot.
func NewPendingRequest() *PendingRequest {
	return &PendingRequest{answer: make(chan Answer, 1), ended: func(error) {}, release: func() {}}
}

// End delivers the answer. It must be called only once.
func (c *PendingRequest) End(a Answer) {
	c.ended(a.Err)
	c.answer <- a
	c.release()
}

// Wait returns the answer and its error, or [relay.ErrStopped] if stop is closed first. A nil stop never ends the wait.
// Only one goroutine may wait at a time.
func (c *PendingRequest) Wait(stop <-chan struct{}) (Answer, error) {
	select {
	case a := <-c.answer:
		return a, a.Err
	case <-stop:
		return Answer{}, relay.ErrStopped
	}
}

// Refusal is the error of a controller that did not do as asked. The session continues.
type Refusal struct {
	Cause error
	// Sure means that the refused request certainly had no effect.
	Sure bool
}

func (r *Refusal) Error() string { return r.Cause.Error() }

// Reason returns what the controller said; see [relay.Reason].
func (r *Refusal) Reason() string { return r.Cause.Error() }
func (r *Refusal) Unwrap() error  { return r.Cause }

// ConnectionLost is the error of a request that was pending when the session ended. The request's effect is unknown.
type ConnectionLost struct{ Cause error }

func (l *ConnectionLost) Error() string { return fmt.Sprintf("%v: %v", relay.ErrNoAnswer, l.Cause) }

// Reason returns how the session ended; see [relay.Reason].
func (l *ConnectionLost) Reason() string { return l.Cause.Error() }

func (l *ConnectionLost) Unwrap() []error { return []error{relay.ErrNoAnswer, l.Cause} }

// link is a session with one slot for ordinary requests. Openings and polls wait for the slot. Closes, and reads that
// belong to an opening under way, do not.
type link struct {
	Session
	contacts []*Contact    // the controller's contacts
	slot     chan struct{} // buffer 1: whoever holds the token has the one ordinary request
	// closeWanted are the contacts for which a close was requested after this connection had begun to close them.
	closeWanted []*Contact
}

func newLink(s Session, contacts []*Contact) *link {
	l := &link{Session: s, contacts: contacts, slot: make(chan struct{}, 1)}
	l.slot <- struct{}{}
	return l
}

// acquire takes the slot. It gives up when stop is closed, when the session ends or at the instant until.
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

// start begins a request. With slot, the caller has acquired the slot, and the end of the request releases it.
func (l *link) start(r Request, slot bool, before func() error) (*PendingRequest, error) {
	c := NewPendingRequest()
	if slot {
		c.release = sync.OnceFunc(func() { l.slot <- struct{}{} })
	}
	if r.Op == Close || r.Op == Try { // Try closes too
		before = l.contacts[r.Contact].unanswered.track(c, before)
	}
	err := l.Session.Start(c, r, before)
	if err != nil {
		c.release()
	}
	return c, err
}

// do begins a request and waits for its answer until stop is closed. With a nil stop the session's time-out ends the
// wait.
func (l *link) do(r Request, before func() error, stop <-chan struct{}) (Answer, error) {
	c, err := l.start(r, false, before)
	if err != nil {
		return Answer{}, err
	}
	a, err := c.Wait(stop)
	if errors.Is(err, relay.ErrStopped) {
		err = errGivenUp // ErrStopped would mean a withdrawn opening
	}
	return a, err
}

// errGivenUp means that the caller stopped waiting.
var errGivenUp = errors.New("controller: gave up before the answer arrived")
