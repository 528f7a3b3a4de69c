package controller

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Device is a controller that is reached by calls which wait for their answer. Its methods are safe for concurrent use.
type Device interface {
	// Do carries out a request and returns the level that a Read or Sense found. The last thing before anything reaches
	// the controller is the call of before; if that returns an error, nothing is sent and the error is returned as it
	// is. A [Refusal] means that the controller said no; every other error ends the session. Do should return when ctx
	// ends, which is the request's time-out.
	Do(ctx context.Context, r Request, before func() error) (relay.Level, error)
	// Close gives up what the device holds. Requests may still be under way; no other is begun afterwards.
	Close() error
}

// Preparer is a Device that has something to do once its contacts are closed.
type Preparer interface {
	Prepare(ctx context.Context) error
}

// GoneNotifier is a Device that learns by itself that it has ended, between requests too.
type GoneNotifier interface {
	// Gone is closed when it has ended, and Cause then tells why.
	Gone() <-chan struct{}
	Cause() error
}

// Resetter is a Device that can throw away what was written and not yet delivered. After a failure it is asked for that
// instead of Close.
type Resetter interface {
	Reset()
}

// deviceSession is the session over a Device: a goroutine for each request.
type deviceSession struct {
	device  Device
	timeout time.Duration
	cancel  context.CancelFunc // ends the requests in the air
	ctx     context.Context    // canceled by fail and Stop
	dead    chan struct{}      // closed with err set

	mu      sync.Mutex
	pending int           // requests in the air
	idle    chan struct{} // closed when the last of them returns after the end; nil: none waits
	err     error
}

// NewDeviceSession returns a session over a device, whose requests have the given time-out. A call that does not come
// back after it (a kernel or a program that hangs) is left behind: it holds nothing but its own goroutine, and only
// this device.
func NewDeviceSession(d Device, timeout time.Duration) Session {
	ctx, cancel := context.WithCancel(context.Background())
	s := &deviceSession{device: d, timeout: timeout, ctx: ctx, cancel: cancel, dead: make(chan struct{})}
	if e, ok := d.(GoneNotifier); ok {
		go func() {
			select {
			case <-e.Gone():
				s.fail(e.Cause())
			case <-ctx.Done(): // at the latest by Stop
			}
		}()
	}
	return s
}

// Start runs the request in a goroutine, and returns when before was called or the request has ended.
func (s *deviceSession) Start(c *Call, r Request, before func() error) error {
	s.mu.Lock()
	if s.err != nil {
		defer s.mu.Unlock()
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, s.err)
	}
	s.pending++
	s.mu.Unlock()
	w := &request{call: c, began: make(chan error)} // told once, and Start waits for it
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

// allow asks before, and forbids what would be written on a session that has ended: the next one closes first and is to
// have the last word.
func (s *deviceSession) allow(before func() error) error {
	if err := s.Cause(); err != nil {
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
	}
	if before == nil {
		return nil
	}
	return before()
}

// request is one in the air.
type request struct {
	call  *Call
	began chan error // the result of Start

	mu    sync.Mutex
	wrote bool
	ended bool // the call has its answer, or Start its error
}

// pass lets a request through to the controller, if it has not been given up.
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

// end gives the answer, or the error of Start if nothing was written, unless that was done before: then answer is not
// called.
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
			err = lost.Cause // nothing was asked that could have been answered
		}
		w.began <- fmt.Errorf("%w: %w", relay.ErrUnreachable, err)
		return
	}
	w.call.End(a)
}

var errTimeout = errors.New("controller: time-out")

// returned is the end of a call of Do.
func (s *deviceSession) returned(w *request, r Request, level relay.Level, err error) {
	at := time.Now()
	var no *Refusal
	switch {
	case err == nil || errors.As(err, &no):
		w.begun() // a device that had nothing to send
		w.end(func() Answer { return Answer{Level: level, At: at, Err: err} })
	default:
		if !w.withdrawn() {
			s.fail(fmt.Errorf("%s: %w", r.Op, err))
			w.end(func() Answer { return Answer{At: at, Err: &ConnectionLost{s.Cause()}} })
		}
	}
}

func (w *request) begun() { _ = w.pass(nil) } // an error means that it was given up

// withdrawn reports whether before forbade the request: no fault of the session's.
func (w *request) withdrawn() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ended && !w.wrote
}

// late is the end of a request's time. An answer that came in the same instant counts, and the session goes on.
func (s *deviceSession) late(w *request, r Request) {
	w.end(func() Answer {
		s.fail(fmt.Errorf("%w: no answer to %s within %v", errTimeout, r.Op, s.timeout))
		return Answer{At: time.Now(), Err: &ConnectionLost{s.Cause()}}
	})
}

// fail ends the session for the first reason given. Each request in the air answers by itself, since its context ends.
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
		close(s.idle) // once: nothing is begun after the end
	}
}

// Prepare lets the device do so.
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

// Cause returns why.
func (s *deviceSession) Cause() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Stop ends the session, and waits for what is in the air at most as long as the time-out.
func (s *deviceSession) Stop(reset bool) {
	s.fail(context.Canceled)
	if r, ok := s.device.(Resetter); ok && reset {
		r.Reset()
	} else {
		_ = s.device.Close() // what it held is gone either way
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
