package gpio

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"syscall"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// contactLines is the state that one contact keeps from one connection to the next.
type contactLines struct {
	kernel  kernel
	chip    string
	opt     ContactOptions
	timeout time.Duration

	mu sync.Mutex
	// gone is closed when the kernel has released the lines of the previous connection; nil if there was none.
	gone chan struct{}
}

// device is the requested GPIO lines of a contact.
type device struct {
	timeout time.Duration
	contact line
	sense   line // nil if the contact has none
	// turn has buffer 1: whoever has put its token in may drive the contact, so that the kernel gets the commands in
	// the order in which before was called.
	turn chan struct{}
	gone chan struct{} // closed when both lines were released

	watching sync.WaitGroup // the goroutine that waits for edges

	mu      sync.Mutex
	calls   sync.WaitGroup // calls under way in the kernel
	closing bool
}

// attempt is a request for the lines. It may complete after its caller has given up.
type attempt struct {
	over chan struct{} // closed after dev or err was set

	mu      sync.Mutex
	dev     *device
	err     error
	givenUp bool
}

// connect requests the lines. It first waits until the kernel has released the lines of the previous connection.
func (d *contactLines) connect(ctx context.Context) (*device, error) {
	ctx, cancel := context.WithTimeout(ctx, d.timeout)
	defer cancel()
	d.mu.Lock()
	defer d.mu.Unlock() // package controller makes one connection after the other
	if d.gone != nil {
		select {
		case <-d.gone:
		case <-ctx.Done():
			return nil, fmt.Errorf("gpio: an earlier call for line %s of chip %s has not returned: "+
				"the chip's driver hangs, see the kernel's log: %w",
				d.opt.Line, d.chip, ctx.Err())
		}
	}
	gone := make(chan struct{})
	d.gone = gone
	a := &attempt{over: make(chan struct{})}
	go func() {
		dev, err := d.request(gone)
		if err != nil {
			close(gone)
		}
		a.end(dev, err)
	}()
	select {
	case <-a.over:
	case <-ctx.Done():
		if a.giveUp() {
			return nil, fmt.Errorf("gpio: requesting line %s of chip %s: %w", d.opt.Line, d.chip, ctx.Err())
		}
	}
	return a.dev, a.err
}

func (a *attempt) end(dev *device, err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.dev, a.err = dev, err
	close(a.over)
	if a.givenUp && dev != nil {
		dev.giveBack()
	}
}

// giveUp marks the attempt as given up and returns true, unless the attempt has a result.
func (a *attempt) giveUp() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.givenUp = a.dev == nil && a.err == nil
	return a.givenUp
}

// request requests the sense line before the contact, so that a failure there does not touch the contact.
func (d *contactLines) request(gone chan struct{}) (*device, error) {
	dev := &device{timeout: d.timeout, turn: make(chan struct{}, 1), gone: gone}
	consumer := "clearback " + d.opt.Name
	if s := d.opt.Sense; s != nil {
		l, _, err := requestLine(d.kernel, s.Chip, s.Line, LineOptions{Consumer: consumer + " sense",
			ActiveLow: s.ActiveLow, Bias: s.Bias,
			Edges: s.Edge != nil, Debounce: s.Debounce})
		if err != nil {
			return nil, fmt.Errorf("line %s: sense: %w", d.opt.Name, err)
		}
		dev.sense = l
	}
	o := LineOptions{Consumer: consumer, Output: true, ActiveLow: d.opt.ActiveLow, Drive: d.opt.Drive, Bias: d.opt.Bias}
	l, _, err := requestLine(d.kernel, d.chip, d.opt.Line, o)
	if err != nil {
		if dev.sense != nil {
			_ = dev.sense.Close() // the line was not used
		}
		return nil, fmt.Errorf("line %s: %w", d.opt.Name, err)
	}
	dev.contact = l
	if s := d.opt.Sense; s != nil && s.Edge != nil {
		dev.watching.Go(func() { dev.watch(s.Edge) })
	}
	return dev, nil
}

func (d *device) watch(tell func(relay.Level, time.Time)) {
	for {
		e, err := d.sense.Edge()
		if err != nil {
			return // the line was released, or the chip has gone, which the next read detects
		}
		tell(senseLevel(e.Active), e.At)
	}
}

func senseLevel(active bool) relay.Level {
	if active {
		return relay.LevelClosed // current flows
	}
	return relay.LevelOpen
}

// Do carries out one request in the kernel.
func (d *device) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	switch r.Op {
	case controller.Open, controller.Close:
		return relay.LevelUnknown, d.drive(ctx, r.Op == controller.Open, before)
	case controller.Sense:
		active, err := d.get(d.sense, before)
		return senseLevel(active), err
	default:
		active, err := d.get(d.contact, before)
		if active {
			return relay.LevelOpen, err
		}
		return relay.LevelClosed, err
	}
}

func (d *device) drive(ctx context.Context, active bool, before func() error) error {
	select {
	case d.turn <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-d.turn }()
	if err := d.begin(); err != nil {
		return err
	}
	defer d.calls.Done()
	if err := before(); err != nil {
		return err
	}
	return refusal(d.contact.Set(active))
}

func (d *device) get(l line, before func() error) (bool, error) {
	if err := d.begin(); err != nil {
		return false, err
	}
	defer d.calls.Done()
	if err := before(); err != nil {
		return false, err
	}
	active, err := l.Get()
	return active, refusal(err)
}

// begin counts a call into the kernel. It returns [ErrClosed] if the lines are being released.
func (d *device) begin() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closing {
		return ErrClosed
	}
	d.calls.Add(1)
	return nil
}

// refusal turns the two errors that the kernel returns before it does anything into a refusal. After any other error
// the contact may have moved.
func refusal(err error) error {
	if errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EINVAL) {
		return &controller.Refusal{Cause: err, Sure: true}
	}
	return err
}

// Close releases the lines, and waits for that at most as long as a request may take. If a call hangs, the lines are
// released when it returns.
func (d *device) Close() error {
	go d.giveBack()
	select {
	case <-d.gone:
		return nil
	case <-time.After(d.timeout):
		return fmt.Errorf("gpio: a kernel call has not returned within %v", d.timeout)
	}
}

// giveBack waits for the calls under way, closes the contact and releases the lines. One of those calls may have opened
// the loop unnoticed. giveBack must be called only once.
func (d *device) giveBack() {
	d.mu.Lock()
	d.closing = true
	d.mu.Unlock()
	d.calls.Wait()
	// package controller has closed the contact if it could, and closes it again on the next connection
	_ = d.contact.Set(false)
	_ = d.contact.Close()
	if d.sense != nil {
		_ = d.sense.Close() // makes watch return
		d.watching.Wait()
	}
	close(d.gone)
}
