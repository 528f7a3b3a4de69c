package controller

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Contact is one contact of a controller.
type Contact struct {
	control      *Controller
	index        int // in the controller's contacts
	opt          ContactOptions
	closeRetrier *relay.CloseRetrier

	mu      sync.Mutex
	current *opening  // the interruption under way
	after   time.Time // when the last one was over
	opens   uint64    // counts openings written: what was read before the latest proves nothing

	lastSeq uint32 // of the last interruption that was written
	last    relay.Result
	hasLast bool
}

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

// An opening is an interruption under way.
type opening struct {
	relay.Interruption
	stop       chan struct{}   // closed when it is to end early
	withdraw   func()          // closes stop, once
	over       chan struct{}   // closed when Interrupt has its result
	due        time.Time       // end as others may see it, under the contact's mu; zero: not confirmed yet
	resumption chan resumption // buffer 1: what the next connection found after a loss; perhaps nobody waits for it any more

	// Owned by the goroutine of Interrupt, set once the controller has confirmed.
	openedCalled bool      // Opened was called
	at           time.Time // the confirmation
	end          time.Time // when it is over
	check        *Call     // the read-back; nil: the contact cannot be read
	proof        time.Time // if not zero: a read-back answered after it may find the contact closed again
	resumed      bool      // it goes on over another connection than the one that it began on
}

func newContact(b *Controller, index int, o ContactOptions) *Contact {
	c := &Contact{control: b, index: index, opt: o}
	c.closeRetrier = relay.NewCloseRetrier(c.retry, func(n relay.Notice) {
		n.Contact = o.Name
		b.notify(n)
	})
	return c
}

// Kind is as the options say.
func (c *Contact) Kind() relay.Kind { return c.opt.Kind }

// Interrupt opens the loop for the duration, counted from the controller's confirmation. When the connection is lost
// meanwhile, or a write finds no answer, the outcome is Unknown at once, and closing goes on by itself. A repeated Seq
// gets its old result, unless nothing was written or the controller said no.
func (c *Contact) Interrupt(ctx context.Context, i relay.Interruption) relay.Result {
	o, s, r := c.begin(i)
	if o == nil {
		return r
	}
	stop := context.AfterFunc(ctx, o.withdraw)
	r = c.interrupt(ctx, s, o)
	stop()
	c.finish(o, r)
	return r
}

func refused(err error) relay.Result { return relay.Result{Outcome: relay.Refused, Err: err} }

// begin makes the opening the current one, or returns the result of not doing so.
func (c *Contact) begin(i relay.Interruption) (*opening, *link, relay.Result) {
	if i.Duration <= 0 {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; it must be longer than 0", c.opt.Name,
			i.Duration, relay.ErrRefused))
	}
	if t := c.opt.Timed; t != nil && c.length(i.Duration) > t.Limit {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; the controller's limit is set to %v",
			c.opt.Name, i.Duration, relay.ErrRefused, t.Limit))
	}
	s, err := c.control.current()
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.current != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w: an opening is under way", c.opt.Name, relay.ErrRefused))
	case c.hasLast && c.lastSeq == i.Seq:
		return nil, nil, c.last
	case c.control.isStopping():
		return nil, nil, refused(fmt.Errorf("line %s: shutting down: %w", c.opt.Name, relay.ErrStopped))
	case err != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	if err := c.closeRetrier.Owed(); err != nil {
		return nil, nil, refused(fmt.Errorf("line %s: %w: not known to be closed: %w", c.opt.Name, relay.ErrRefused,
			err))
	}
	stop := make(chan struct{})
	c.current = &opening{Interruption: i, stop: stop, over: make(chan struct{}),
		withdraw:   sync.OnceFunc(func() { close(stop) }),
		resumption: make(chan resumption, 1)}
	return c.current, s, relay.Result{}
}

func (c *Contact) finish(o *opening, r relay.Result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.current, c.after = nil, time.Now()
	close(o.over)
	if r.Outcome != relay.Refused || !o.at.IsZero() { // a controller that confirmed what its contact never showed is not told again either
		c.lastSeq, c.last, c.hasLast = o.Seq, r, true
	}
}

// interrupt writes the opening, waits and sees that the contact is closed.
func (c *Contact) interrupt(ctx context.Context, s *link, o *opening) relay.Result {
	if err := s.acquire(o.stop, o.NotAfter); err != nil {
		return refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	call, err := s.start(Request{Op: Open, Contact: c.index, Seq: o.Seq, Duration: c.length(o.Duration)}, true,
		func() error { return c.mayOpen(ctx, o) })
	if err != nil {
		return refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	a, err := call.Wait(o.stop)
	switch {
	case err == nil:
		return c.whileOpen(s, o, call.Sent, a.At)
	case errors.Is(err, relay.ErrStopped):
		return c.closeBeforeAnswer(s, o, call)
	case nothingDone(err):
		c.closeNow(s) // after any error
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	default:
		return c.unknown(s, "opening", err)
	}
}

// nothingDone reports whether the controller said no, for certain.
func nothingDone(err error) bool {
	var r *Refusal
	return errors.As(err, &r) && r.Sure
}

// length is d as the controller will time it.
func (c *Contact) length(d time.Duration) time.Duration {
	if t := c.opt.Timed; t != nil {
		return (d + t.Quantum - 1) / t.Quantum * t.Quantum
	}
	return d
}

// mayOpen is the last look before the bytes go. The clock comes last of all.
func (c *Contact) mayOpen(ctx context.Context, o *opening) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if ctx.Err() != nil || isClosed(o.stop) {
		return relay.ErrStopped
	}
	c.opens++
	if now := c.control.opt.Now(); now.After(o.NotAfter) {
		return fmt.Errorf("%w, by %v", relay.ErrLate, now.Sub(o.NotAfter))
	}
	return nil
}

// closeBeforeAnswer closes while the opening still waits for its answer.
func (c *Contact) closeBeforeAnswer(s *link, o *opening, call *Call) relay.Result {
	closedAt, closeErr := c.closeOn(s, nil, nil)
	a, err := call.Wait(nil) // at most its time-out
	if err == nil && (closeErr == nil || errors.Is(closeErr, relay.ErrReadBack)) && c.control.opt.Unordered {
		closedAt, closeErr = c.closeOn(s, nil, nil) // the first may have been done before the opening, and be read back after it
	}
	switch {
	case nothingDone(err) && closeErr == nil:
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	case err != nil:
		return c.unknown(s, "opening, withdrawn meanwhile", err)
	case closeErr != nil:
		return c.unknown(s, "closing", closeErr)
	}
	c.tellOpened(o, a.At)
	return relay.Result{Outcome: relay.Done, OpenFor: closedAt.Sub(a.At)}
}

// unknown records a failure after something was written, and begins closing.
func (c *Contact) unknown(s *link, doing string, err error) relay.Result {
	if errors.Is(err, relay.ErrUnreachable) { // the close found the connection gone; the opening had been written
		err = &ConnectionLost{s.Cause()}
	}
	err = fmt.Errorf("line %s: %s: %w", c.opt.Name, doing, err)
	c.control.pollFast()
	c.closeAfter(s, err)
	return relay.Result{Outcome: relay.Unknown, Err: err}
}

func (c *Contact) tellOpened(o *opening, at time.Time) {
	if !o.openedCalled && o.Opened != nil {
		o.Opened(at)
	}
	o.openedCalled = true
}

// whileOpen waits from the confirmation at the given instant until the opening is over, and closes.
func (c *Contact) whileOpen(s *link, o *opening, sent, at time.Time) relay.Result {
	o.at, o.end = at, at.Add(o.Duration)
	if c.opt.Timed != nil {
		length := c.length(o.Duration)
		o.end, o.proof = at.Add(length), sent.Add(length)
	}
	c.mu.Lock()
	o.due = o.end
	c.mu.Unlock()
	if c.opt.Blind {
		c.tellOpened(o, at)
	} else if check, err := s.start(Request{Op: Read, Contact: c.index}, false, nil); err != nil {
		return c.unknown(s, "reading back the opening", err)
	} else {
		o.check = check
	}
	for err := c.awaitEnd(s, o); err != nil; err = c.awaitEnd(s, o) {
		if errors.Is(err, relay.ErrReadBack) {
			return c.unmoved(s, err)
		}
		next, r := c.awaitResume(s, o, err)
		if next == nil {
			return r
		}
		s, o.check = next, nil
	}
	if c.opt.Timed != nil && !c.opt.Blind && !isClosed(o.stop) {
		return c.awaitTimer(s, o)
	}
	return c.endOpening(s, o)
}

// endOpening closes by command.
func (c *Contact) endOpening(s *link, o *opening) relay.Result {
	if c.control.opt.Unordered && o.proof.IsZero() {
		o.proof = time.Now() // from here on the read-back may find what the close did
	}
	closedAt, err := c.closeOn(s, nil, nil)
	if err != nil {
		return c.unknown(s, "closing", err)
	}
	return c.wasDone(s, o, closedAt)
}

// wasDone is the result of an opening that is over, if it was one. A controller mostly answers in order, so the
// read-back has been answered by now, if it ever will be.
func (c *Contact) wasDone(s *link, o *opening, closedAt time.Time) relay.Result {
	if err := c.wasOpen(o); errors.Is(err, relay.ErrReadBack) {
		return c.unmoved(s, err)
	} else if err != nil {
		return c.unknown(s, "reading back the opening", err)
	}
	return relay.Result{Outcome: relay.Done, OpenFor: closedAt.Sub(o.at)}
}

func isClosed(ch <-chan struct{}) bool {
	select {
	case <-ch:
		return true
	default:
		return false
	}
}

// awaitEnd returns nil at the end of the opening or when it is to end early, and an error when the session ended or the
// contact did not move.
func (c *Contact) awaitEnd(s *link, o *opening) error {
	nearEnd := time.After(relay.Coarse(o.end))
	var checked chan Answer // nil: nothing is read back
	if o.check != nil {
		checked = o.check.answer
	}
	for {
		select {
		case <-s.Dead():
			return &ConnectionLost{s.Cause()}
		case <-o.stop:
			return nil
		case <-nearEnd:
			relay.SleepUntil(o.end)
			return nil
		case a := <-checked:
			o.check.answer <- a // for wasOpen, which takes it; the buffer is empty now
			if err := c.wasOpen(o); err != nil {
				return err
			}
		}
	}
}

// wasOpen looks at the read-back of an opening, and tells if the contact opened. A read-back that came too late to find
// a timed output open proves nothing, nor does one after the opening was withdrawn: where requests take turns, the
// close may have gone first. The controller's confirmation then stands.
func (c *Contact) wasOpen(o *opening) error {
	if o.openedCalled || o.check == nil {
		return nil
	}
	a, err := o.check.Wait(nil)
	if err != nil {
		return err
	}
	if a.Level != relay.LevelOpen && !isClosed(o.stop) && (o.proof.IsZero() || a.At.Before(o.proof)) {
		return relay.ErrReadBack
	}
	c.tellOpened(o, o.at)
	return nil
}

// unmoved is the end of an opening that the controller confirmed and that its contact never showed.
func (c *Contact) unmoved(s *link, err error) relay.Result {
	if _, closeErr := c.closeOn(s, nil, nil); closeErr != nil {
		return c.unknown(s, "closing", closeErr)
	}
	return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
}

// awaitTimer reads a timed contact whose time is over until it is closed. The controller's clock and the one here
// differ, and it may look at its timers only now and then: it gets one quantum more, or 100 ms if that is longer; but
// an opening whose connection was lost in between is ended [resumeOverrun] after its time.
func (c *Contact) awaitTimer(s *link, o *opening) relay.Result {
	most := max(c.opt.Timed.Quantum, 100*time.Millisecond)
	if o.resumed {
		most = time.Until(o.end.Add(resumeOverrun))
	}
	grace := time.After(most)
	for {
		level, readAt, err := c.read(s, nil)
		if err != nil {
			return c.unknown(s, "reading back the end of the opening", err)
		}
		if level == relay.LevelClosed {
			return c.wasDone(s, o, readAt)
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-o.stop:
			return c.endOpening(s, o)
		case <-grace:
			c.notice(relay.TimerFailed, fmt.Errorf("line %s: still open %v after the confirmation", c.opt.Name,
				time.Since(o.at)))
			return c.endOpening(s, o)
		}
	}
}

// Read asks the controller where the contact is; a contact that cannot be read is unknown, with [relay.ErrNoRead].
func (c *Contact) Read(ctx context.Context) (relay.Level, error) {
	if c.opt.Blind {
		return relay.LevelUnknown, relay.ErrNoRead
	}
	s, err := c.control.current()
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: %w", c.opt.Name, err)
	}
	level, _, err := c.read(s, ctx.Done())
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: reading the contact: %w", c.opt.Name, err)
	}
	return level, nil
}

func (c *Contact) read(s *link, stop <-chan struct{}) (relay.Level, time.Time, error) {
	a, err := s.do(Request{Op: Read, Contact: c.index}, nil, stop)
	if err != nil {
		return relay.LevelUnknown, a.At, err
	}
	return a.Level, a.At, nil
}

// Sense asks whether loop current flows: LevelClosed if it does. Without an input it is [relay.ErrNoSense].
func (c *Contact) Sense(ctx context.Context) (relay.Level, error) {
	if !c.opt.Senses {
		return relay.LevelUnknown, relay.ErrNoSense
	}
	s, err := c.control.current()
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: %w", c.opt.Name, err)
	}
	a, err := s.do(Request{Op: Sense, Contact: c.index}, nil, ctx.Done())
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: reading the input: %w", c.opt.Name, err)
	}
	return a.Level, nil
}

// UnderWay reports whether an interruption is, when it ends if the controller has confirmed it, and when the last one
// was over.
func (c *Contact) UnderWay() (is bool, ends, after time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current == nil {
		return false, time.Time{}, c.after
	}
	return true, c.current.due, c.after
}

func (c *Contact) notice(k relay.NoticeKind, err error) {
	c.control.notify(relay.Notice{Kind: k, Contact: c.opt.Name, Err: err, Since: time.Now()})
}
