// Package controller is what the drivers share: one controller, the connection to it, and its contacts.
//
// A driver brings the protocol as a [Session]. What every driver owes the line stands here: each connection begins with
// closing every contact (only an opening that the controller times by itself is read back instead, and goes on if it
// reads open); an opening is written only at an instant not after its NotAfter; a close is written at once, even while
// an opening waits for its answer; what was opened is read back; a request without an answer ends the connection, and
// the outcome is unknown until a close is confirmed; closes that are owed are repeated; a contact that opens by itself
// is closed again; what is stopped is closed last.
package controller

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay"
)

const (
	// Pauses between connections: doubled from the first to the last, each shortened by up to a quarter so that
	// controllers behind one switch are not asked in step. While a close is owed its keeper ends each pause after
	// [relay.CloseEvery].
	firstPause = 100 * time.Millisecond
	lastPause  = 2 * time.Second

	// After an opening of unknown outcome the contacts are read this often, for this long.
	fastPoll    = 250 * time.Millisecond
	fastPollFor = 10 * time.Second
)

// Options of a [Controller].
type Options struct {
	// Name is the controller's name, for notices; What is the word for it in errors and At where it is: "board",
	// "192.0.2.50:502".
	Name, What, At string
	// Connect makes a connection. It must give up when ctx ends, and after its own time-out.
	Connect func(ctx context.Context) (Session, error)
	// Timeout is that of one request.
	Timeout time.Duration
	// Poll is the pace at which the contacts are read back when nothing else happens, so that a dead controller or a
	// contact moved by somebody else is noticed. A contact that cannot be read is closed instead.
	Poll time.Duration
	// Unordered: a close may be done before an opening that was written before it. It is then repeated behind the
	// opening.
	Unordered bool
	// Notify receives notices, never two at a time for one contact. It must not block and must not call the controller.
	// Nil: none.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. Only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say what a contact can do.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Claim names the contact on this machine, so that nobody else drives it: see [relay.Lock].
	Claim string
	Kind  relay.Kind
	// Timed, if not nil: the controller ends each opening by itself.
	Timed *Timed
	// Blind: the contact cannot be read back; what the controller answers has to do.
	Blind bool
	// Senses: there is a loop-current input.
	Senses bool
	// Trial is how the command that opens can be tried.
	Trial Trial
}

// Timed is a controller's own timer.
type Timed struct {
	// Quantum is what it rounds openings up to, 1 ms or more.
	Quantum time.Duration
	// Limit is the longest opening that will be asked for.
	Limit time.Duration
	// Outlasts: an opening goes on when its connection is lost, and the next connection can read it back. It is then
	// closed only if it is not read back in time, or does not end in time.
	Outlasts bool
}

// Controller is one controller. Make its contacts, then Start it. All methods are safe for concurrent use.
type Controller struct {
	opt Options

	// Set by Contact before Start.
	contacts []*Contact
	locks    []io.Closer
	grouped  bool // one of a group

	cancel          context.CancelFunc // set by Start
	running         sync.WaitGroup     // run and the keepers
	tried           chan struct{}      // closed after the first attempt to connect
	connectRequests chan struct{}      // buffer 1: one pending wish for a connection is as good as many

	mu            sync.Mutex
	started       bool
	stopping      bool
	link          *link         // nil: not connected
	ready         chan struct{} // closed when link is set, replaced when it is lost
	linkErr       error         // why there is no link
	lost          time.Time     // when the last link was lost; zero: none was yet
	fastPollUntil time.Time     // until when to poll fast
}

// New returns a controller; nothing is connected yet.
func New(o Options) *Controller {
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.What == "" {
		o.What = "controller"
	}
	return &Controller{opt: o, tried: make(chan struct{}), connectRequests: make(chan struct{}, 1),
		ready:   make(chan struct{}),
		linkErr: errors.New("controller: not connected yet")}
}

// Contact adds a contact; only before Start. It fails with [relay.ErrLocked] if the contact is taken, here or by
// another process.
func (b *Controller) Contact(o ContactOptions) (*Contact, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.started {
		return nil, fmt.Errorf("controller: %s: contact for line %s after the start", b.where(), o.Name)
	}
	if !b.opt.NoLock {
		l, err := relay.Lock(o.Claim)
		if err != nil {
			return nil, fmt.Errorf("%s %s: line %s: %w", b.opt.What, b.opt.Name, o.Name, err)
		}
		b.locks = append(b.locks, l)
	}
	c := newContact(b, len(b.contacts), o)
	b.contacts = append(b.contacts, c)
	return c, nil
}

// PollAtLeast makes the polls at most d apart; only before Start.
func (b *Controller) PollAtLeast(d time.Duration) { b.opt.Poll = min(b.opt.Poll, d) }

// where names the controller and where it is.
func (b *Controller) where() string {
	return fmt.Sprintf("%s %s at %s", b.opt.What, b.opt.Name, b.opt.At)
}

// Session returns the session in use, nil while there is none, and the error that tells why.
func (b *Controller) Session() (Session, error) {
	l, err := b.current()
	if err != nil {
		return nil, err
	}
	return l.Session, nil
}

// Start connects, and stays connected until Shutdown. It does not wait; see Ready.
func (b *Controller) Start() {
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
				c.closeRetrier.Run(ctx)
			case <-ctx.Done():
			}
		})
	}
}

// Ready waits until there is a connection whose contacts have been asked to close. Its error tells why there is none
// when ctx ends.
func (b *Controller) Ready(ctx context.Context) error {
	b.mu.Lock()
	ready := b.ready
	b.mu.Unlock()
	select {
	case <-ready:
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

// Shutdown refuses new openings, closes every contact and waits for the confirmations until ctx ends, then ends the
// connection and all goroutines and frees the contacts. It returns the contacts that are not known to be closed.
func (b *Controller) Shutdown(ctx context.Context) []NotClosed {
	b.mu.Lock()
	b.stopping = true
	started := b.cancel != nil
	b.started = true // no Start and no Contact after this
	b.mu.Unlock()
	failed := make([]error, len(b.contacts))
	if started {
		var wg sync.WaitGroup
		for i, c := range b.contacts {
			wg.Go(func() {
				failed[i] = c.Close(ctx)
				_ = c.awaitOver(ctx) // else its own close would find the connection gone
				if failed[i] == nil {
					failed[i] = c.closeRetrier.Wait(ctx) // the opening may have left the contact in doubt
				}
			})
		}
		wg.Wait()
		b.cancel()
		b.running.Wait()
		for _, c := range b.contacts {
			c.closeRetrier.Stop()
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
func (b *Controller) current() (*link, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link == nil {
		return nil, fmt.Errorf("%s: %w: %w", b.where(), relay.ErrUnreachable, b.linkErr)
	}
	return b.link, nil
}

func (b *Controller) isStopping() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.stopping
}

// run owns the connection: make it, close all contacts on it, offer it, read back until it ends, again.
func (b *Controller) run(ctx context.Context) {
	pause, lost, first := firstPause, time.Time{}, true
	for ctx.Err() == nil {
		s, err := b.connect(ctx)
		if err == nil {
			if !lost.IsZero() {
				b.notify(relay.Notice{Kind: relay.LinkBack, Since: lost})
			}
			pause, lost = firstPause, time.Time{}
			b.offer(s)
			for _, c := range s.closeWanted {
				c.closeRetrier.Wake() // now, and not when its pause is over
			}
		}
		if first {
			close(b.tried)
			first = false
		}
		if err == nil {
			b.readBack(ctx, s)
			s.Stop(ctx.Err() == nil)
			err = s.Cause()
		}
		b.withdraw(err)
		if ctx.Err() != nil {
			return
		}
		if lost.IsZero() {
			lost = time.Now()
			b.notify(relay.Notice{Kind: relay.LinkLost, Err: fmt.Errorf("%s: %w", b.where(), err), Since: lost})
		}
		wait := pause - rand.N(pause/4)
		if b.hasOutlastingOpening() {
			wait = min(wait, resumeEvery)
		}
		pause = min(2*pause, lastPause)
		b.pause(ctx, wait)
	}
}

// pause pauses, but no longer than until a keeper finds no connection for its close.
func (b *Controller) pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	case <-b.connectRequests:
	}
}

// connect makes a connection and does what must come before anything else. A contact whose close the controller refuses
// stays owed; every other failure ends the attempt.
func (b *Controller) connect(ctx context.Context) (*link, error) {
	session, err := b.opt.Connect(ctx)
	if err != nil {
		return nil, err
	}
	l := newLink(session)
	if err := b.closeAll(ctx, l); err != nil {
		l.Stop(true)
		return nil, err
	}
	return l, nil
}

func (b *Controller) closeAll(ctx context.Context, l *link) error {
	var order, rest []*Contact
	for _, c := range b.contacts {
		if c.mayBeOpen() {
			order = append(order, c)
		} else {
			rest = append(rest, c)
		}
	}
	order = append(order, rest...)
	epochs := make([]uint64, len(order))
	goesOn := make([]bool, len(order))
	lost := b.lastLoss()
	for i, c := range order {
		epochs[i] = c.closeRetrier.Epoch()
		if goesOn[i] = c.resume(ctx, l, lost); goesOn[i] {
			continue
		}
		if err := c.writeClose(ctx, l); err != nil {
			if !isRefusal(err) {
				return err
			}
			c.closeRetrier.Owe(err)
		}
	}
	for i, c := range order {
		if goesOn[i] {
			continue
		}
		if c.opt.Blind {
			if !c.closeRetrier.Settle(epochs[i]) { // nor after a refusal, since when it is owed anew
				l.closeWanted = append(l.closeWanted, c)
			}
			continue
		}
		switch err := c.expectClosed(ctx, l); {
		case err == nil:
			if !c.closeRetrier.Settle(epochs[i]) {
				l.closeWanted = append(l.closeWanted, c)
			}
		case isRefusal(err) || errors.Is(err, relay.ErrReadBack):
			c.closeRetrier.Owe(err)
		default:
			return err
		}
	}
	return l.Prepare(ctx)
}

func isRefusal(err error) bool {
	var r *Refusal
	return errors.As(err, &r)
}

func (b *Controller) offer(s *link) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.link, b.linkErr = s, nil
	close(b.ready)
}

func (b *Controller) withdraw(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.link != nil {
		b.link, b.ready, b.lost = nil, make(chan struct{}), time.Now()
	}
	b.linkErr = err
}

func (b *Controller) lastLoss() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.lost
}

// hasOutlastingOpening reports whether an opening waits to be read back on the next connection.
func (b *Controller) hasOutlastingOpening() bool {
	lost := b.lastLoss()
	return slices.ContainsFunc(b.contacts, func(c *Contact) bool { o, _ := c.outlastingOpening(lost); return o != nil })
}

// pollFast makes the next polls fast.
func (b *Controller) pollFast() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fastPollUntil = time.Now().Add(fastPollFor)
}

func (b *Controller) pollEvery() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	if time.Now().Before(b.fastPollUntil) {
		return min(b.opt.Poll, fastPoll)
	}
	return b.opt.Poll
}

// readBack reads all contacts, again and again, until the session or ctx ends.
func (b *Controller) readBack(ctx context.Context, s *link) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.Dead():
			return
		case <-time.After(b.pollEvery()):
		}
		for _, c := range b.contacts {
			c.poll(ctx, s)
		}
	}
}

func (b *Controller) notify(n relay.Notice) {
	n.Controller = b.opt.Name
	if n.Contact == "" && b.grouped && len(b.contacts) == 1 {
		n.Contact = b.contacts[0].opt.Name // the others of the same name may be well
	}
	b.opt.Notify(n)
}
