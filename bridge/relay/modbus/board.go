// Package modbus drives relay contacts on Modbus TCP boards: a coil, or the board's own timed output.
//
// One connection serves all lines of a board. An opening is written only at an instant not after its NotAfter, and one request
// at a time; a close is written at once, even while an opening waits for its answer. A request without an answer ends the
// connection with a reset, and a new connection begins with closing every contact. What a reset cannot call back are
// bytes that the board's own network stack has taken already: a board that sleeps and wakes may still act on them, for as long
// as it needs to see the reset and the close that follows. Contacts after such an event are read back every 250 ms for 10 s.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"clearback/bridge/relay"
)

const (
	// Pauses between connections: doubled from the first to the last, each shortened by up to a quarter so that boards behind
	// one switch are not asked in step. While a close is owed no pause is longer than [relay.CloseEvery].
	firstPause = 100 * time.Millisecond
	lastPause  = 2 * time.Second

	// After an opening of unknown outcome the coils are read this often, for this long.
	watchfulPoll = 250 * time.Millisecond
	watchfulFor  = 10 * time.Second
)

// Board is one relay board. Make its contacts, then Start it. All methods are safe for concurrent use.
type Board struct {
	opt Options

	// Set by Contact before Start.
	contacts  []*Contact
	locks     []io.Closer
	watchdogs map[watchdogPlace]uint16
	poll      time.Duration
	spans     []*span

	sensing *sensing

	cancel  context.CancelFunc // set by Start
	running sync.WaitGroup     // run and the keepers
	tried   chan struct{}      // closed after the first attempt to connect
	nudge   chan struct{}      // buffer 1: one pending wish for a connection is as good as many

	mu       sync.Mutex
	started  bool
	stopping bool
	session  *session      // nil: not connected
	ready    chan struct{} // closed when session is set, replaced when it is lost
	linkErr  error         // why there is no session
	watchful time.Time     // until when to poll fast
}

type watchdogPlace struct {
	unit     uint8
	register uint16
}

// NewBoard checks the options. Nothing is connected yet.
func NewBoard(o Options) (*Board, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	return &Board{opt: o, watchdogs: map[watchdogPlace]uint16{}, poll: o.Poll, sensing: newSensing(), tried: make(chan struct{}),
		nudge: make(chan struct{}, 1), ready: make(chan struct{}),
		linkErr: errors.New("modbus: not connected yet")}, nil
}

// Contact adds a contact; only before Start. It fails with [relay.ErrLocked] if the contact is taken, here or by another process.
func (b *Board) Contact(o ContactOptions) (*Contact, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return nil, fmt.Errorf("modbus: board %s: contact for line %s after the start", b.opt.Name, o.Name)
	}
	for _, c := range b.contacts {
		if c.opt.Unit == o.Unit && c.opt.Coil == o.Coil {
			return nil, fmt.Errorf("board %s: lines %s and %s: %w: unit %d coil %d", b.opt.Name, c.opt.Name, o.Name, relay.ErrLocked, o.Unit, o.Coil)
		}
	}
	if w := o.Watchdog; w != nil {
		p, n := watchdogPlace{o.Unit, w.Register}, uint16(counts(w.Timeout, w.Unit))
		if old, ok := b.watchdogs[p]; ok && old != n {
			return nil, fmt.Errorf("%w: board %s: watchdog register %d is to hold %d for one line and %d for line %s", ErrOptions, b.opt.Name, w.Register, old, n, o.Name)
		}
		b.watchdogs[p] = n
		b.poll = min(b.poll, w.Timeout/3)
	}
	if !b.opt.NoLock {
		l, err := relay.Lock(fmt.Sprintf("modbus %s unit %d coil %d", strings.ToLower(b.opt.Address), o.Unit, o.Coil))
		if err != nil {
			return nil, fmt.Errorf("board %s: line %s: %w", b.opt.Name, o.Name, err)
		}
		b.locks = append(b.locks, l)
	}
	c := newContact(b, o)
	if o.Sense != nil {
		c.span = b.spanFor(o.Unit, o.Sense.Input)
		c.alone = &span{unit: o.Unit, low: o.Sense.Input, high: o.Sense.Input}
	}
	b.contacts = append(b.contacts, c)
	return c, nil
}

// Start connects, and stays connected until Shutdown. It does not wait; see Ready.
func (b *Board) Start() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return
	}
	b.started = true
	ctx, cancel := context.WithCancel(context.Background())
	b.cancel = cancel
	b.running.Go(func() { b.run(ctx) })
	for _, c := range b.contacts {
		b.running.Go(func() {
			select {
			case <-b.tried: // no alarm before the first attempt
				c.keeper.Run(ctx)
			case <-ctx.Done():
			}
		})
	}
}

// Ready waits until there is a connection whose contacts have been asked to close. Its error tells why there is none when ctx ends.
func (b *Board) Ready(ctx context.Context) error {
	b.mu.Lock()
	ch, up := b.ready, b.session != nil
	b.mu.Unlock()
	if up {
		return nil
	}
	select {
	case <-ch:
		return nil
	case <-ctx.Done():
	}
	_, err := b.current()
	return err
}

// NotClosed is a contact that could not be put to closed.
type NotClosed struct {
	Contact string
	Err     error
}

// Shutdown refuses new openings, closes every contact and waits for the confirmations until ctx ends, then ends the connection
// and all goroutines and frees the contacts. It returns the contacts that are not known to be closed.
func (b *Board) Shutdown(ctx context.Context) []NotClosed {
	b.mu.Lock()
	b.stopping = true
	started := b.started
	b.started = true // no Start and no Contact after this
	b.mu.Unlock()
	failed := make([]error, len(b.contacts))
	if started {
		var wg sync.WaitGroup
		for i, c := range b.contacts {
			wg.Go(func() {
				failed[i] = c.Close(ctx)
				c.awaitOver(ctx) // else its own close would find the connection gone
			})
		}
		wg.Wait()
		if b.cancel != nil {
			b.cancel()
		}
		b.running.Wait()
		for _, c := range b.contacts {
			c.keeper.Stop()
		}
	}
	for _, l := range b.locks {
		_ = l.Close() // nothing can be done about it, and the kernel frees it with the process
	}
	var left []NotClosed
	for i, err := range failed {
		if err != nil {
			left = append(left, NotClosed{b.contacts[i].opt.Name, err})
		}
	}
	return left
}

// current returns the session, or why there is none.
func (b *Board) current() (*session, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.session == nil {
		return nil, fmt.Errorf("board %s at %s: %w: %w", b.opt.Name, b.opt.Address, relay.ErrUnreachable, b.linkErr)
	}
	return b.session, nil
}

func (b *Board) isStopping() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.stopping
}

// run owns the connection: make it, close all contacts on it, offer it, read back until it ends, again.
func (b *Board) run(ctx context.Context) {
	pause, lost, first := firstPause, time.Time{}, true
	for ctx.Err() == nil {
		s, err := b.connect(ctx)
		if err == nil {
			if !lost.IsZero() {
				b.notify(relay.Notice{Kind: relay.LinkBack, Since: lost})
			}
			pause, lost = firstPause, time.Time{}
			b.offer(s)
		}
		if first {
			close(b.tried)
			first = false
		}
		if err == nil {
			b.readBack(ctx, s)
			s.stop(ctx.Err() == nil)
			err = s.cause()
		}
		b.withdraw(err)
		if ctx.Err() != nil {
			return
		}
		if lost.IsZero() {
			lost = time.Now()
			b.notify(relay.Notice{Kind: relay.LinkLost, Err: fmt.Errorf("board %s at %s: %w", b.opt.Name, b.opt.Address, err), Since: lost})
		}
		wait := pause - rand.N(pause/4)
		if b.owesClose() {
			wait = min(wait, relay.CloseEvery)
		}
		pause = min(2*pause, lastPause)
		b.rest(ctx, wait)
	}
}

// rest pauses, but no longer than until a keeper finds no connection for its close.
func (b *Board) rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-b.nudge:
	}
}

// connect dials and does what must come before anything else. A contact whose close the board refuses stays owed; every
// other failure ends the attempt.
func (b *Board) connect(ctx context.Context) (*session, error) {
	conn, err := b.opt.Dial(ctx, b.opt.Address)
	if err != nil {
		return nil, err
	}
	s := newSession(conn, b.opt.Timeout)
	if err := b.greet(ctx, s); err != nil {
		s.stop(true)
		return nil, err
	}
	return s, nil
}

func (b *Board) greet(ctx context.Context, s *session) error {
	order := slices.Clone(b.contacts)
	slices.SortStableFunc(order, func(x, y *Contact) int { return x.urgency() - y.urgency() })
	epochs := make([]uint64, len(order))
	for i, c := range order {
		epochs[i] = c.keeper.Epoch()
		if err := c.writeClose(ctx, s); err != nil {
			if !isException(err) {
				return err
			}
			c.keeper.Owe(err)
		}
	}
	for i, c := range order {
		switch err := c.expectClosed(ctx, s); {
		case err == nil:
			c.keeper.Settle(epochs[i])
		case isException(err) || errors.Is(err, errMoved):
			c.keeper.Owe(err)
		default:
			return err
		}
	}
	for p, n := range maps.All(b.watchdogs) {
		if _, err := s.do(p.unit, writeRegister(p.register, n), nil, ctx.Done()); err != nil {
			return fmt.Errorf("watchdog register %d of unit %d, value %d: %w", p.register, p.unit, n, err)
		}
	}
	return nil
}

func isException(err error) bool {
	var e Exception
	return errors.As(err, &e)
}

func (b *Board) offer(s *session) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.session, b.linkErr = s, nil
	close(b.ready)
}

func (b *Board) withdraw(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.session != nil {
		b.session, b.ready = nil, make(chan struct{})
	}
	b.linkErr = err
}

func (b *Board) owesClose() bool {
	return slices.ContainsFunc(b.contacts, func(c *Contact) bool { return c.urgency() == 0 })
}

// beWatchful makes the next polls fast.
func (b *Board) beWatchful() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.watchful = time.Now().Add(watchfulFor)
}

func (b *Board) pollEvery() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	if time.Now().Before(b.watchful) {
		return min(b.poll, watchfulPoll)
	}
	return b.poll
}

// readBack reads all coils, again and again, until the session or ctx ends.
func (b *Board) readBack(ctx context.Context, s *session) {
	t := time.NewTimer(b.pollEvery())
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.dead:
			return
		case <-t.C:
		}
		for _, c := range b.contacts {
			c.poll(ctx, s)
		}
		t.Reset(b.pollEvery())
	}
}

func (b *Board) notify(n relay.Notice) {
	n.Controller = b.opt.Name
	b.opt.Notify(n)
}
