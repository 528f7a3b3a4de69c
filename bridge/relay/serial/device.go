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

// lines are the states of the control and status lines; true means on.
type lines struct {
	out [2]bool // by Line
	in  [4]bool // by Input
}

// port is an open serial port. All methods are safe for concurrent use. All except Close may hang in the kernel.
type port interface {
	// Get reads all lines.
	Get() (lines, error)
	// Both sets both outputs in one call.
	Both(out [2]bool) error
	// Set sets one output.
	Set(l Line, on bool) error
	// Close closes the port as soon as no call is under way.
	Close()
}

// openFunc opens a port and returns the state of its lines at that moment. With hangUp the kernel turns both outputs
// off at the last close of the port.
type openFunc func(device string, hangUp bool) (port, lines, error)

// errNoLines means that the device is not a serial port with control lines.
var errNoLines = errors.New("it has no control lines (a pseudo terminal, or a driver without them), " +
	"so it cannot drive a contact")

// refusal is an error by which the kernel reports that nothing was done.
type refusal struct{ error }

func (r refusal) Unwrap() error { return r.error }

// maxAbandoned is the number of hanging kernel calls at which no further call is made.
const maxAbandoned = 4

// sharedPort is the port, which stays open from one session to the next.
type sharedPort struct {
	device  string
	opt     ContactOptions
	timeout time.Duration
	open    openFunc

	mu        sync.Mutex
	port      port          // nil if not open
	raised    bool          // the result of Board.Raised
	abandoned int           // number of calls that were given up and have not returned
	stale     bool          // an abandoned call has returned since the connection was made; its effect is unknown
	gone      chan struct{} // closed when stale is set; new for each connection
	released  bool
	session   int         // number of connections so far
	opening   map[int]int // number of openings under way in the kernel, by connection
}

// level returns the level of the control line for an open or a closed loop.
func (h *sharedPort) level(open bool) bool { return open == h.opt.OpenOn }

// call makes a kernel call, and abandons it when ctx ends.
func (h *sharedPort) call(ctx context.Context, f func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return h.launch(ctx, f, func() {})
}

// callOpening is call for an opening. It counts the opening until the kernel call has returned, because it may open the
// loop until then.
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

// launch makes the call. It calls over when the call has returned, even if the caller has given up by then.
func (h *sharedPort) launch(ctx context.Context, f func() error, over func()) error {
	done := make(chan error) // always received, by the caller or by the goroutine that counts abandoned calls
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
			close(h.gone) // ends the session at once; the next poll may be far off
		}
	}()
	return fmt.Errorf("a kernel call on %s does not return: %w", h.device, ctx.Err())
}

// connect makes sure that the port is open and answers.
func (h *sharedPort) connect(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, h.timeout)
	defer cancel()
	h.mu.Lock()
	p, left := h.port, h.abandoned
	h.stale, h.gone = false, make(chan struct{}) // the new connection begins with a close
	h.session++
	h.mu.Unlock()
	if left >= maxAbandoned {
		return fmt.Errorf("serial: %d kernel calls on %s have not returned; "+
			"unplug the adapter and plug it in again, or see the kernel's log",
			left, h.device)
	}
	if p != nil {
		err := h.call(ctx, func() error { _, err := p.Get(); return err })
		if err == nil || ctx.Err() != nil {
			return err
		}
		h.drop(p) // the port has gone for good, like an adapter that was pulled out
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

// openNew opens the port and sets both lines in one call, so that the loop does not open in between.
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
	if h.released || h.port != nil { // the open took so long that it was given up
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

var errStale = errors.New("a kernel call that was given up has returned only now, so the contact is closed again")

// errOpening means that the kernel may still carry out an opening of an earlier connection. Until that call has
// returned, no close counts.
var errOpening = errors.New("an opening that was given up has not returned from the kernel; " +
	"until it returns, the contact counts as open")

// device is the port as one session uses it.
type device struct {
	*sharedPort
	session int
}

// now returns the port for the latest connection.
func (h *sharedPort) now() device {
	h.mu.Lock()
	defer h.mu.Unlock()
	return device{h, h.session}
}

// mayStillOpen reports whether an opening of an earlier connection is under way in the kernel.
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

// Gone is closed when an abandoned call has returned. The next connection then closes what that call may have opened.
func (d device) Gone() <-chan struct{} {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.gone
}

// Cause returns errStale.
func (d device) Cause() error { return errStale }

// Close does nothing. The port stays open, since opening it again would move its lines.
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
		var told lines // a separate variable, since an abandoned call may still write it
		err = d.call(ctx, func() (err error) { told, err = p.Get(); return err })
		if err == nil {
			found = told
		}
	}
	return found, err
}
