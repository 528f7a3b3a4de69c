package controller

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Device is a controller whose calls block until the answer is there. Its methods are safe for concurrent use.
type Device interface {
	// Do carries out a request and returns the level found by a Read or Sense. It calls before just before anything is
	// sent to the controller. If before returns an error, Do sends nothing and returns that error unchanged. A
	// [Refusal] means that the controller refused. Every other error ends the session. Do should return when ctx ends,
	// which is the request's time-out.
	Do(ctx context.Context, r Request, before func() error) (relay.Level, error)
	// Close releases what the device holds. Requests may still be under way, but no further request begins.
	Close() error
}

// Preparer is a Device with work to do once its contacts are closed.
type Preparer interface {
	Prepare(ctx context.Context) error
}

// GoneNotifier is a Device that detects its own end, even between requests.
type GoneNotifier interface {
	// Gone is closed when the device has ended. Cause then returns the reason.
	Gone() <-chan struct{}
	Cause() error
}

// Resetter is a Device that can discard data that was written but not delivered. After a failure Reset is called
// instead of Close.
type Resetter interface {
	Reset()
}

// deviceSession is the session over a Device. Each request has a goroutine.
type deviceSession struct {
	device  Device
	timeout time.Duration
	cancel  context.CancelFunc // ends the pending requests
	ctx     context.Context    // canceled by fail and Stop
	dead    chan struct{}      // closed after err was set

	mu      sync.Mutex
	pending int           // number of pending requests
	idle    chan struct{} // closed when the last pending request returns after the end; nil if nothing waits for that
	err     error
}

// NewDeviceSession returns a session over a device. The time-out applies to each request. If a call hangs in the kernel
// or in a program past its time-out, the session abandons it. An abandoned call holds only its own goroutine and this
// device.
func NewDeviceSession(d Device, timeout time.Duration) Session {
	ctx, cancel := context.WithCancel(context.Background())
	s := &deviceSession{device: d, timeout: timeout, ctx: ctx, cancel: cancel, dead: make(chan struct{})}
	if e, ok := d.(GoneNotifier); ok {
		go func() {
			select {
			case <-e.Gone():
				s.fail(e.Cause())
			case <-ctx.Done(): // canceled by Stop at the latest
			}
		}()
	}
	return s
}

// Start runs the request in a goroutine. It returns once before was called or the request has ended.
func (s *deviceSession) Start(c *PendingRequest, r Request, before func() error) error {
	s.mu.Lock()
	if s.err != nil {
		defer s.mu.Unlock()
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, s.err)
	}
	s.pending++
	s.mu.Unlock()
	w := &request{call: c, began: make(chan error)} // sent once, and Start waits for it
	ctx, cancel := context.WithTimeout(s.ctx, s.timeout)
	timer := time.AfterFunc(s.timeout, func() { s.late(w, r) })
	go func() {
		defer s.done()
		defer cancel()
		level, err := s.device.Do(ctx, r, func() error { return w.pass(func() error { return s.allow(before) }) })
		timer.Stop()
		s.returned(w, r, level, err)
	}()
	return <-w.began
}

// allow calls before. If the session has ended, it forbids the write instead, because the next session begins with a
// close that must not be followed by an older command.
func (s *deviceSession) allow(before func() error) error {
	if err := s.Cause(); err != nil {
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
	}
	if before == nil {
		return nil
	}
	return before()
}

// request is a pending request.
type request struct {
	call  *PendingRequest
	began chan error // receives the result of Start, once

	mu    sync.Mutex
	wrote bool
	ended bool // the call has its answer, or Start has its error
}

// pass calls before and lets the request be written, unless the request was given up.
func (w *request) pass(before func() error) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.ended:
		return errTimeout
	case w.wrote:
		return nil
	}
	if before != nil {
		if err := before(); err != nil {
			w.ended = true
			w.began <- err
			return err
		}
	}
	w.wrote = true
	w.call.Sent = time.Now()
	w.began <- nil
	return nil
}

// end ends the request, unless it has ended already. It delivers the result of answer, or makes that the error of Start
// if nothing was written.
func (w *request) end(answer func() Answer) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended {
		return
	}
	w.ended = true
	a := answer()
	if !w.wrote {
		err := a.Err
		if lost := (*ConnectionLost)(nil); errors.As(err, &lost) {
			err = lost.Cause // nothing was sent, so no answer was lost
		}
		w.began <- fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
		return
	}
	w.call.End(a)
}

var errTimeout = errors.New("controller: time-out")

// returned handles the return of Do.
func (s *deviceSession) returned(w *request, r Request, level relay.Level, err error) {
	at := time.Now()
	var no *Refusal
	switch {
	case err == nil || errors.As(err, &no):
		w.begun() // Do may have succeeded without sending anything
		w.end(func() Answer { return Answer{Level: level, At: at, Err: err} })
	default:
		if !w.withdrawn() {
			s.fail(fmt.Errorf("%s: %w", r.Op, err))
			w.end(func() Answer { return Answer{At: at, Err: &ConnectionLost{s.Cause()}} })
		}
	}
}

func (w *request) begun() { _ = w.pass(nil) } // an error means that the request was given up

// withdrawn reports whether before forbade the request. That is not a failure of the session.
func (w *request) withdrawn() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ended && !w.wrote
}

// late ends a request whose time-out has passed. If the answer came in the same instant, the answer counts and the
// session continues.
func (s *deviceSession) late(w *request, r Request) {
	w.end(func() Answer {
		s.fail(fmt.Errorf("%w: no answer to %s within %v", errTimeout, r.Op, s.timeout))
		return Answer{At: time.Now(), Err: &ConnectionLost{s.Cause()}}
	})
}

// fail ends the session with the first error given. It cancels the context of each pending request, which then delivers
// its own answer.
func (s *deviceSession) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return
	}
	s.err = err
	s.cancel()
	close(s.dead)
}

func (s *deviceSession) done() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending--
	if s.pending == 0 && s.idle != nil {
		close(s.idle) // only once, since no request begins after the end
	}
}

// Prepare calls the device's Prepare method if it has one.
func (s *deviceSession) Prepare(ctx context.Context) error {
	if p, ok := s.device.(Preparer); ok {
		ctx, cancel := context.WithTimeout(ctx, s.timeout)
		defer cancel()
		return p.Prepare(ctx)
	}
	return nil
}

// Dead is closed when the session has ended.
func (s *deviceSession) Dead() <-chan struct{} { return s.dead }

// Cause returns the reason for the end.
func (s *deviceSession) Cause() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Stop ends the session. It waits for the pending requests, for at most the time-out.
func (s *deviceSession) Stop(reset bool) {
	s.fail(context.Canceled)
	if r, ok := s.device.(Resetter); ok && reset {
		r.Reset()
	} else {
		_ = s.device.Close() // the connection is unusable whatever the error
	}
	s.mu.Lock()
	var idle chan struct{}
	if s.pending > 0 {
		idle = make(chan struct{})
		s.idle = idle
	}
	s.mu.Unlock()
	if idle == nil {
		return
	}
	select {
	case <-idle:
	case <-time.After(s.timeout):
	}
}
