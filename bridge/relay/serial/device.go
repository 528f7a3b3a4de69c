package serial

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// lines are the control and status lines that are on.
type lines struct {
	out [2]bool // by Line
	in  [4]bool // by Input
}

// port is an open serial port. All methods are safe for concurrent use, and may hang in the kernel, but Close.
type port interface {
	// Get reads all lines.
	Get() (lines, error)
	// Both sets both outputs in one call.
	Both(out [2]bool) error
	// Set sets one output.
	Set(l Line, on bool) error
	// Close gives the port back as soon as no call is under way.
	Close()
}

// openFunc opens a port and tells which lines were on then. With hangUp both outputs go off when the port is closed for
// the last time.
type openFunc func(device string, hangUp bool) (port, lines, error)

// errNoLines: what was opened is no serial port with control lines.
var errNoLines = errors.New("it has no control lines; a pseudo terminal, or a driver without them, cannot drive a contact")

// refusal is an error of the kernel that means that nothing was done.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// maxAbandoned is how many kernel calls may hang before no more are made.
const maxAbandoned = 4

// sharedPort is the port, kept from one session to the next.
type sharedPort struct {
	device  string
	opt     ContactOptions
	timeout time.Duration
	open    openFunc

	mu        sync.Mutex
	port      port          // nil: not open
	raised    bool          // as Board.Raised
	abandoned int           // calls that were given up and have not come back
	stale     bool          // one of them has come back since: what it did, nobody knows
	gone      chan struct{} // closed when stale is set; a new one for each connection
	released  bool
	session   int         // counts the connections
	opening   map[int]int // openings in the kernel, by the connection that made them
}

// level is what the driving line shows for an open or a closed loop.
func (h *sharedPort) level(open bool) bool { return open == h.opt.OpenOn }

// call makes a kernel call, and gives it up when ctx ends.
func (h *sharedPort) call(ctx context.Context, f func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return h.launch(ctx, f, func() {})
}

// callOpening is call for an opening of a connection: as long as it is in the kernel it may open the loop.
func (h *sharedPort) callOpening(ctx context.Context, session int, f func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	h.mu.Lock()
	if h.opening == nil {
		h.opening = map[int]int{}
	}
	h.opening[session]++
	h.mu.Unlock()
	return h.launch(ctx, f, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		if h.opening[session]--; h.opening[session] == 0 {
			delete(h.opening, session)
		}
	})
}

// launch makes the call, and tells over when it has come back, be it after its caller gave it up.
func (h *sharedPort) launch(ctx context.Context, f func() error, over func()) error {
	done := make(chan error) // somebody always waits: who called, or what counts the calls that were given up
	go func() {
		err := f()
		over()
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	h.mu.Lock()
	h.abandoned++
	h.mu.Unlock()
	go func() {
		<-done
		h.mu.Lock()
		defer h.mu.Unlock()
		h.abandoned--
		if !h.stale {
			h.stale = true
			close(h.gone) // at once: the next poll may be far
		}
	}()
	return fmt.Errorf("a kernel call on %s does not come back: %w", h.device, ctx.Err())
}

// connect makes sure that the port is open and answers.
func (h *sharedPort) connect(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, h.timeout)
	defer cancel()
	h.mu.Lock()
	p, left := h.port, h.abandoned
	h.stale, h.gone = false, make(chan struct{}) // a connection begins with a close
	h.session++
	h.mu.Unlock()
	if left >= maxAbandoned {
		return fmt.Errorf("serial: %d kernel calls on %s have not come back; pull the adapter out and in, or see the kernel's log",
			left, h.device)
	}
	if p != nil {
		err := h.call(ctx, func() error { _, err := p.Get(); return err })
		if err == nil || ctx.Err() != nil {
			return err
		}
		h.drop(p) // it is gone for good, as an adapter that was pulled out
	}
	return h.call(ctx, h.openNew)
}

func (h *sharedPort) drop(p port) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.port == p {
		h.port = nil
	}
	p.Close()
}

// openNew opens the port and puts both lines where they belong, in one call, so that the loop is not open in between.
func (h *sharedPort) openNew() error {
	p, found, err := h.open(h.device, h.opt.OpenOn)
	if err != nil {
		return fmt.Errorf("serial: opening %s: %w", h.device, err)
	}
	var closed [2]bool
	closed[h.opt.Line] = h.level(false)
	if err := p.Both(closed); err != nil {
		p.Close()
		return fmt.Errorf("serial: %s: %w", h.device, err)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.released || h.port != nil { // this took so long that nobody wants it any more
		p.Close()
		return fmt.Errorf("serial: opening %s took too long", h.device)
	}
	h.port, h.raised = p, found.out[RTS] || found.out[DTR]
	return nil
}

func (h *sharedPort) wasRaised() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.raised
}

func (h *sharedPort) release() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.released = true
	if h.port != nil {
		h.port.Close()
		h.port = nil
	}
}

var errStale = errors.New("a kernel call that was given up has come back only now, so the contact is closed again")

// errOpening: the kernel may still carry out an opening from before, so no close counts yet.
var errOpening = errors.New("an opening that was given up has not come back from the kernel; until it does, the line is told to close again and again and counts as open")

// device is the port in one session.
type device struct {
	*sharedPort
	session int
}

// now returns the port for the connection that was made last.
func (h *sharedPort) now() device {
	h.mu.Lock()
	defer h.mu.Unlock()
	return device{h, h.session}
}

// mayStillOpen reports whether an opening of an earlier connection is in the kernel.
func (d device) mayStillOpen() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for session := range d.opening {
		if session != d.session {
			return true
		}
	}
	return false
}

var _ controller.GoneNotifier = device{}

// Gone is closed when a call that was given up has come back: the next connection closes what it may have opened.
func (d device) Gone() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.gone
}

// Cause tells so.
func (d device) Cause() error { return errStale }

// Close keeps the port: opening it again would move its lines.
func (d device) Close() error { return nil }

// Do makes one kernel call.
func (d device) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	d.mu.Lock()
	p, stale := d.port, d.stale
	d.mu.Unlock()
	switch {
	case stale:
		return relay.LevelUnknown, errStale
	case p == nil:
		return relay.LevelUnknown, errors.New("the port is closed")
	}
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	found, err := d.carryOut(ctx, p, r.Op)
	var no refusal
	switch {
	case err == nil && r.Op == controller.Close && d.mayStillOpen():
		return relay.LevelUnknown, fmt.Errorf("%s %s: %w", d.device, d.opt.Line, errOpening)
	case errors.As(err, &no):
		return relay.LevelUnknown, &controller.Refusal{Cause: fmt.Errorf("%s %s: %w", d.device, d.opt.Line, err),
			Sure: true}
	case err != nil:
		return relay.LevelUnknown, fmt.Errorf("%s %s: %w", d.device, d.opt.Line, err)
	case r.Op == controller.Read && found.out[d.opt.Line] == d.opt.OpenOn:
		return relay.LevelOpen, nil
	case r.Op == controller.Sense && found.in[d.opt.Sense.Input] != d.opt.Sense.CurrentOn:
		return relay.LevelOpen, nil
	}
	return relay.LevelClosed, nil
}

// carryOut makes the kernel call of a request.
func (d device) carryOut(ctx context.Context, p port, op controller.Op) (found lines, err error) {
	switch op {
	case controller.Open:
		err = d.callOpening(ctx, d.session, func() error { return p.Set(d.opt.Line, d.level(true)) })
	case controller.Close:
		err = d.call(ctx, func() error { return p.Set(d.opt.Line, d.level(false)) })
	default:
		var told lines // the call may come back when nobody waits any more
		err = d.call(ctx, func() (err error) { told, err = p.Get(); return err })
		if err == nil {
			found = told
		}
	}
	return found, err
}
