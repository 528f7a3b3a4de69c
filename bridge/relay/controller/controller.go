// Package controller is the part that all drivers share. It manages one controller: the connection to it and its
// contacts.
//
// A driver implements its protocol as a [Session] or a [Device]. This package guarantees for every driver:
//
//   - Each connection begins by closing every contact. The only exception is an opening that the controller times
//     itself and that survives a lost connection: it continues if it reads open within 100 ms.
//   - An opening is never written after its NotAfter.
//   - A close is written at once, even while an opening waits for its answer.
//   - An opening waits for the answers to the earlier closes of its contact. If one gets no answer, the opening waits
//     until the time-out has passed since the next close was confirmed. This holds across connections.
//   - After an opening the contact is read back.
//   - A request without an answer ends the connection. The outcome is then unknown until a close is confirmed.
//   - A close that is not confirmed yet is owed. It is repeated until it is confirmed.
//   - A contact that opens by itself is closed.
//   - Shutdown closes every contact before it ends the connection.
//
// The files:
//
//	controller.go     Controller: options, start and shutdown, connecting and reconnecting, polling
//	contact.go        Contact: one opening from its checks to its result; reading the contact and the input
//	close.go          closing: on request, as an owed close, at the start of a connection, after a poll
//	unanswered.go     the closes without an answer, for which the next opening waits
//	resume.go         an opening that the controller times itself, across a lost connection
//	try.go            trying the command that opens without opening the loop
//	group.go          Group: several controllers that fail independently
//	session.go        Session, the interface to a driver's protocol; requests, answers, errors
//	devicesession.go  Device, a simpler interface of blocking calls, and the Session that wraps it
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
	// The pauses between attempts to connect. They double from firstPause to lastPause. Each is shortened at random by
	// up to a quarter, so that controllers behind one switch are not asked in step. While a close is owed, its
	// CloseRetrier ends each pause after [relay.CloseEvery] at the latest.
	firstPause = 100 * time.Millisecond
	lastPause  = 2 * time.Second

	// After an opening of unknown outcome the contacts are read at the interval fastPoll for the time fastPollFor.
	fastPoll    = 250 * time.Millisecond
	fastPollFor = 10 * time.Second

	// DefaultPoll is the drivers' default of [Options.Poll]. SAFETY.md S92: a contact that opens by itself is found
	// within 2 s. The worst case is one poll and the time of one read, which is at most a time-out: 1 s by default.
	DefaultPoll = time.Second
)

// Options are the options of a [Controller].
type Options struct {
	// Name is the controller's name, for notices. What is the noun for the controller in errors ("board"). At is its
	// address ("192.0.2.50:502").
	Name, Noun, At string
	// Connect makes a connection. It must return when ctx ends, or after a time-out of its own.
	Connect func(ctx context.Context) (Session, error)
	// Timeout is the time-out of one request.
	Timeout time.Duration
	// Poll is the interval at which idle contacts are read back. The poll detects a dead controller, and a contact
	// moved by something else. It is counted from the start of one round to the start of the next. If a round takes
	// longer, the next one follows without a pause. A contact that cannot be read is closed instead.
	Poll time.Duration
	// Unordered means that the controller may carry out a close before an opening that was written earlier. The close
	// is then repeated after the opening.
	Unordered bool
	// Notify receives the notices, one at a time for each contact. It must not block and must not call the controller.
	// Nil discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions describe a contact.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Claim names the contact on this machine, so that no other process or line drives it. See [relay.Lock].
	Claim string
	Kind  relay.Kind
	// Timed is not nil if the controller itself ends each opening.
	Timed *Timed
	// Blind means that the contact cannot be read back. The controller's answers are then the only confirmation.
	Blind bool
	// Senses means that there is a loop-current input.
	Senses bool
	// Try says how the command that opens can be tried.
	Try TryMode
}

// Timed describes a controller's own timer.
type Timed struct {
	// Quantum is the unit to which the controller rounds openings up, at least 1 ms.
	Quantum time.Duration
	// Limit is the longest opening that may be requested.
	Limit time.Duration
	// SurvivesLoss means that an opening continues if its connection is lost, and that the next connection can read the
	// contact back. The contact is closed by command only if it is not read back in time or does not close in time.
	SurvivesLoss bool
}

// Controller is one controller. Add its contacts, then call Start. All methods are safe for concurrent use.
type Controller struct {
	opt Options

	// Set by Contact before Start.
	contacts []*Contact
	locks    []io.Closer
	grouped  bool // belongs to a Group

	cancel          context.CancelFunc // set by Start
	running         sync.WaitGroup     // run and one CloseRetrier per contact
	tried           chan struct{}      // closed after the first attempt to connect
	connectRequests chan struct{}      // buffer 1: one pending request is enough

	mu            sync.Mutex
	started       bool
	stopping      bool
	link          *link         // nil if not connected
	ready         chan struct{} // closed when link is set, replaced when it is lost
	linkErr       error         // why link is nil
	lost          time.Time     // when the last link was lost; zero if none was
	fastPollUntil time.Time     // end of the fast polls
}

// New returns a controller that is not connected yet.
func New(o Options) *Controller {
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Noun == "" {
		o.Noun = "controller"
	}
	return &Controller{opt: o, tried: make(chan struct{}), connectRequests: make(chan struct{}, 1),
		ready:   make(chan struct{}),
		linkErr: errors.New("controller: not connected yet")}
}

// Contact adds a contact. It may be called only before Start. It returns [relay.ErrLocked] if this process or another
// one has claimed the contact already.
func (ctl *Controller) Contact(o ContactOptions) (*Contact, error) {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	if ctl.started {
		return nil, fmt.Errorf("controller: %s: the contact of line %s was added after the start", ctl.where(), o.Name)
	}
	if !ctl.opt.NoLock {
		l, err := relay.Lock(o.Claim)
		if err != nil {
			return nil, fmt.Errorf("%s %s: line %s: %w", ctl.opt.Noun, ctl.opt.Name, o.Name, err)
		}
		ctl.locks = append(ctl.locks, l)
	}
	c := newContact(ctl, len(ctl.contacts), o)
	ctl.contacts = append(ctl.contacts, c)
	return c, nil
}

// PollAtLeast limits the poll interval to d. It may be called only before Start.
func (ctl *Controller) PollAtLeast(d time.Duration) { ctl.opt.Poll = min(ctl.opt.Poll, d) }

// where returns the controller's noun, name and address.
func (ctl *Controller) where() string {
	return fmt.Sprintf("%s %s at %s", ctl.opt.Noun, ctl.opt.Name, ctl.opt.At)
}

// Session returns the session in use. If there is none, the error gives the reason.
func (ctl *Controller) Session() (Session, error) {
	l, err := ctl.current()
	if err != nil {
		return nil, err
	}
	return l.Session, nil
}

// Start connects and stays connected until Shutdown. It returns at once; use Ready to wait for the connection.
func (ctl *Controller) Start() {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	if ctl.started {
		return
	}
	ctl.started = true
	ctx, cancel := context.WithCancel(context.Background())
	ctl.cancel = cancel
	ctl.running.Go(func() { ctl.run(ctx) })
	for _, c := range ctl.contacts {
		ctl.running.Go(func() {
			select {
			case <-ctl.tried: // no alarm before the first attempt
				c.closeRetrier.Run(ctx)
			case <-ctx.Done():
			}
		})
	}
}

// Ready waits for a connection on which every contact has been asked to close. If ctx ends first, the error says why
// there is no connection.
func (ctl *Controller) Ready(ctx context.Context) error {
	select {
	case <-ctl.nextLink():
	case <-ctx.Done():
	}
	_, err := ctl.current()
	return err
}

// NotClosed is a contact that is not known to be closed.
type NotClosed struct {
	Contact string
	Err     error
}

// Shutdown refuses new openings, closes every contact and waits for the confirmations until ctx ends. It then ends the
// connection and all goroutines and releases the contacts. It returns the contacts that are not known to be closed.
func (ctl *Controller) Shutdown(ctx context.Context) []NotClosed {
	ctl.mu.Lock()
	ctl.stopping = true
	started := ctl.cancel != nil
	ctl.started = true // neither Start nor Contact works from here on
	ctl.mu.Unlock()
	failed := make([]error, len(ctl.contacts))
	if started {
		var wg sync.WaitGroup
		for i, c := range ctl.contacts {
			wg.Go(func() {
				failed[i] = c.Close(ctx)
				_ = c.awaitOver(ctx) // otherwise the opening's own close would find the connection gone
				if failed[i] == nil {
					failed[i] = c.closeRetrier.Wait(ctx) // the opening's result may have made a close owed
				}
			})
		}
		wg.Wait()
		ctl.cancel()
		ctl.running.Wait()
		for _, c := range ctl.contacts {
			c.closeRetrier.Stop()
		}
	}
	for _, l := range ctl.locks {
		_ = l.Close() // an error has no remedy, and the kernel releases the claim with the process
	}
	var left []NotClosed
	for i, err := range failed {
		if err != nil {
			left = append(left, NotClosed{ctl.contacts[i].opt.Name, err})
		}
	}
	return left
}

// current returns the link in use, or an error that says why there is none.
func (ctl *Controller) current() (*link, error) {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	if ctl.link == nil {
		return nil, fmt.Errorf("%s: %w: %w", ctl.where(), relay.ErrUnreachable, ctl.linkErr)
	}
	return ctl.link, nil
}

// isConnectingFirst reports whether there has been no connection since Start.
func (ctl *Controller) isConnectingFirst() bool {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	return ctl.started && ctl.link == nil && ctl.lost.IsZero()
}

// nextLink returns a channel that is closed when there is a connection.
func (ctl *Controller) nextLink() <-chan struct{} {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	return ctl.ready
}

func (ctl *Controller) isStopping() bool {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	return ctl.stopping
}

// run owns the connection. It connects, closes all contacts, makes the link available and polls until the link ends;
// then it reconnects. It returns when ctx ends.
func (ctl *Controller) run(ctx context.Context) {
	pause, lost, first := firstPause, time.Time{}, true
	for ctx.Err() == nil {
		s, err := ctl.connect(ctx)
		if err == nil {
			if !lost.IsZero() {
				ctl.notify(relay.Notice{Kind: relay.LinkBack, Since: lost})
			}
			pause, lost = firstPause, time.Time{}
			ctl.setLink(s)
			for _, c := range s.closeWanted {
				c.closeRetrier.Wake() // at once rather than after the pause
			}
		}
		if first {
			close(ctl.tried)
			first = false
		}
		if err == nil {
			ctl.readBack(ctx, s)
			s.Stop(ctx.Err() == nil)
			err = s.Cause()
		}
		ctl.clearLink(err)
		if ctx.Err() != nil {
			return
		}
		if lost.IsZero() {
			lost = time.Now()
			ctl.notify(relay.Notice{Kind: relay.LinkLost, Err: fmt.Errorf("%s: %w", ctl.where(), err), Since: lost})
		}
		wait := pause - rand.N(pause/4)
		if ctl.hasSurvivingOpening() {
			wait = min(wait, resumeEvery)
		}
		pause = min(2*pause, lastPause)
		ctl.pause(ctx, wait)
	}
}

// pause waits for d. It returns early if ctx ends or a close needs a connection.
func (ctl *Controller) pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	case <-ctl.connectRequests:
	}
}

// connect connects and closes all contacts before anything else is sent. If the controller refuses to close a contact,
// that close stays owed. Every other failure ends the attempt.
func (ctl *Controller) connect(ctx context.Context) (*link, error) {
	session, err := ctl.opt.Connect(ctx)
	if err != nil {
		return nil, err
	}
	l := newLink(session, ctl.contacts)
	if err := ctl.closeAll(ctx, l); err != nil {
		l.Stop(true)
		return nil, err
	}
	return l, nil
}

func (ctl *Controller) closeAll(ctx context.Context, l *link) error {
	var order, rest []*Contact
	for _, c := range ctl.contacts {
		if c.mayBeOpen() {
			order = append(order, c)
		} else {
			rest = append(rest, c)
		}
	}
	order = append(order, rest...)
	epochs := make([]uint64, len(order))
	goesOn := make([]bool, len(order))
	lost := ctl.lastLoss()
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
			if !c.closeRetrier.Settle(epochs[i]) { // false also after a refusal, which has made the close owed again
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

func (ctl *Controller) setLink(s *link) {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	ctl.link, ctl.linkErr = s, nil
	close(ctl.ready)
}

func (ctl *Controller) clearLink(err error) {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	if ctl.link != nil {
		ctl.link, ctl.ready, ctl.lost = nil, make(chan struct{}), time.Now()
	}
	ctl.linkErr = err
}

func (ctl *Controller) lastLoss() time.Time {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	return ctl.lost
}

// hasSurvivingOpening reports whether the next connection must read an opening back.
func (ctl *Controller) hasSurvivingOpening() bool {
	lost := ctl.lastLoss()
	return slices.ContainsFunc(ctl.contacts, func(c *Contact) bool {
		o,
			_ := c.survivingOpening(lost)
		return o != nil
	})
}

// pollFast makes the polls of the next fastPollFor fast.
func (ctl *Controller) pollFast() {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	ctl.fastPollUntil = time.Now().Add(fastPollFor)
}

func (ctl *Controller) pollEvery() time.Duration {
	ctl.mu.Lock()
	defer ctl.mu.Unlock()
	if time.Now().Before(ctl.fastPollUntil) {
		return min(ctl.opt.Poll, fastPoll)
	}
	return ctl.opt.Poll
}

// readBack polls all contacts until the session or ctx ends.
func (ctl *Controller) readBack(ctx context.Context, s *link) {
	for began := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-s.Dead():
			return
		case <-time.After(time.Until(began.Add(ctl.pollEvery()))):
		}
		began = time.Now()
		for _, c := range ctl.contacts {
			c.poll(ctx, s)
		}
	}
}

func (ctl *Controller) notify(n relay.Notice) {
	n.Controller = ctl.opt.Name
	if n.Contact == "" && ctl.grouped && len(ctl.contacts) == 1 {
		n.Contact = ctl.contacts[0].opt.Name // other controllers of the same name may still be connected
	}
	ctl.opt.Notify(n)
}
