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

// contactLines is what one contact keeps from one connection to the next.
type contactLines struct {
	kernel  kernel
	chip    string
	opt     ContactOptions
	timeout time.Duration

	mu   sync.Mutex
	gone chan struct{} // closed when nothing of the connection before is in the kernel any more; nil: there was none
}

// device is the lines of a contact, requested.
type device struct {
	timeout time.Duration
	contact line
	sense   line          // nil: there is none
	turn    chan struct{} // buffer 1: holding the token is being the one that drives, so that the kernel is told in the order of before
	gone    chan struct{} // closed when both lines were given back

	watching sync.WaitGroup // the goroutine that waits for edges

	mu      sync.Mutex
	calls   sync.WaitGroup // in the kernel
	closing bool
}

// attempt is a request for the lines that may come back too late for whom it was made.
type attempt struct {
	over chan struct{} // closed when dev or err is there

	mu      sync.Mutex
	dev     *device
	err     error
	givenUp bool
}

// connect requests the lines. A connection before must have left the kernel, since the line is its until then.
func (d *contactLines) connect(ctx context.Context) (*device, error) {
	ctx, cancel := context.WithTimeout(ctx, d.timeout)
	defer cancel()
	d.mu.Lock()
	defer d.mu.Unlock() // the engine makes one connection after the other
	if d.gone != nil {
		select {
		case <-d.gone:
		case <-ctx.Done():
			return nil, fmt.Errorf("gpio: an earlier call for line %s of chip %s has not come back from the kernel: its driver hangs, see the kernel's log: %w",
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

// giveUp reports whether nothing had come of it yet.
func (a *attempt) giveUp() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.givenUp = a.dev == nil && a.err == nil
	return a.givenUp
}

// request takes the sense line before the contact, so that the contact is not held for nothing.
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
			_ = dev.sense.Close() // nothing was done with it
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
			return // it was given back, or the chip has gone, as the next read finds
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

// begin counts a call into the kernel, unless the lines are on their way back.
func (d *device) begin() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closing {
		return ErrClosed
	}
	d.calls.Add(1)
	return nil
}

// refusal tells the two errors with which the kernel answers before it does anything from those after which nobody
// knows.
func refusal(err error) error {
	if errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EINVAL) {
		return &controller.Refusal{Cause: err, Sure: true}
	}
	return err
}

// Close gives the lines back, and waits for that as long as a request may take. Lines with a call that hangs are given
// back when it returns.
func (d *device) Close() error {
	go d.giveBack()
	select {
	case <-d.gone:
		return nil
	case <-time.After(d.timeout):
		return fmt.Errorf("gpio: a call has not come back from the kernel within %v", d.timeout)
	}
}

// giveBack waits for the calls under way, of which one may have opened the loop unnoticed, closes the contact and gives
// the lines back. Once only.
func (d *device) giveBack() {
	d.mu.Lock()
	d.closing = true
	d.mu.Unlock()
	d.calls.Wait()
	_ = d.contact.Set(false) // the engine has done that already where it could, and does it again on the next connection
	_ = d.contact.Close()
	if d.sense != nil {
		_ = d.sense.Close() // it ends watch
		d.watching.Wait()
	}
	close(d.gone)
}
