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
	index        int // position in the controller's contacts
	opt          ContactOptions
	closeRetrier *relay.CloseRetrier
	unanswered   unansweredCloses

	mu      sync.Mutex
	current *opening  // the interruption under way; nil if there is none
	after   time.Time // when the last interruption ended
	opens   uint64    // number of openings written; a reading from before the latest one proves nothing

	lastSeq uint32 // Seq of the last interruption that was written
	last    relay.Result
	hasLast bool
}

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

// opening is an interruption under way.
type opening struct {
	relay.Interruption
	stop     chan struct{} // closed to end the opening early
	withdraw func()        // closes stop; may be called repeatedly
	over     chan struct{} // closed when Interrupt has a result
	due      time.Time     // the end, for other goroutines; guarded by the contact's mu; zero until confirmed
	first    bool          // it waits for the first connection; guarded by the contact's mu
	// resumption carries what the next connection found after a loss. Buffer 1: the opening may have stopped waiting
	// for it.
	resumption chan resumption

	// Owned by the goroutine of Interrupt, and set once the controller has confirmed the opening.
	openedCalled bool            // Opened was called
	at           time.Time       // instant of the confirmation
	end          time.Time       // instant at which the opening ends
	check        *PendingRequest // the read-back; nil if the contact cannot be read
	proof        time.Time       // if set, a read-back answered later may find the contact closed again
	resumed      bool            // the opening continues on a later connection
}

func newContact(b *Controller, index int, o ContactOptions) *Contact {
	c := &Contact{control: b, index: index, opt: o, unanswered: unansweredCloses{timeout: b.opt.Timeout}}
	c.closeRetrier = relay.NewCloseRetrier(c.retry, func(n relay.Notice) {
		n.Contact = o.Name
		b.notify(n)
	})
	return c
}

// Kind returns the kind given in the options.
func (c *Contact) Kind() relay.Kind { return c.opt.Kind }

// Interrupt opens the loop for the duration, counted from the controller's confirmation. First it waits until no close
// without an answer can end the opening (see unansweredCloses), but never past NotAfter. If there has been no
// connection since Start, it waits for the first one, until NotAfter too. If the connection is lost during the opening,
// or a write gets no answer, Interrupt returns the outcome Unknown at once, and the CloseRetrier closes the contact. A
// repeated Seq returns the earlier result, unless nothing was written or the controller refused the opening.
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

// begin makes the opening the current one. If it cannot, it returns a nil opening and the result.
func (c *Contact) begin(i relay.Interruption) (*opening, *link, relay.Result) {
	if i.Duration <= 0 {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; it must be longer than 0", c.opt.Name,
			i.Duration, relay.ErrRefused))
	}
	if t := c.opt.Timed; t != nil && c.length(i.Duration) > t.Limit {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; the controller's limit is set to %v",
			c.opt.Name, i.Duration, relay.ErrRefused, t.Limit))
	}
	connecting := c.control.isConnectingFirst() // asked first: the connection may come at this moment
	s, err := c.control.current()
	first := connecting && err != nil
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.current != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w: an opening is under way", c.opt.Name, relay.ErrRefused))
	case c.hasLast && c.lastSeq == i.Seq:
		return nil, nil, c.last
	case c.control.isStopping():
		return nil, nil, refused(fmt.Errorf("line %s: shutting down: %w", c.opt.Name, relay.ErrStopped))
	case first: // interrupt checks the rest once there is a connection
	case err != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	default:
		if err := c.notOwed(); err != nil {
			return nil, nil, refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
		}
	}
	stop := make(chan struct{})
	c.current = &opening{Interruption: i, stop: stop, over: make(chan struct{}), first: first,
		withdraw:   sync.OnceFunc(func() { close(stop) }),
		resumption: make(chan resumption, 1)}
	return c.current, s, relay.Result{}
}

// notOwed returns an error if a close is owed.
func (c *Contact) notOwed() error {
	if err := c.closeRetrier.Owed(); err != nil {
		return fmt.Errorf("%w: not known to be closed: %w", relay.ErrRefused, err)
	}
	return nil
}

// awaitFirstLink waits for the first connection, which begins with a close. It gives up once the opening is withdrawn,
// and at its NotAfter.
func (c *Contact) awaitFirstLink(o *opening) (*link, error) {
	select {
	case <-c.control.nextLink():
	case <-o.stop:
		return nil, relay.ErrStopped
	case <-time.After(time.Until(o.NotAfter)):
	}
	s, err := c.control.current()
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	o.first = false
	c.mu.Unlock()
	return s, c.notOwed() // the controller may have refused that close
}

func (c *Contact) finish(o *opening, r relay.Result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.current, c.after = nil, time.Now()
	close(o.over)
	// The controller may have confirmed an opening that its contact never showed. It does not get that command a second
	// time either.
	if r.Outcome != relay.Refused || !o.at.IsZero() {
		c.lastSeq, c.last, c.hasLast = o.Seq, r, true
	}
}

// interrupt writes the opening, waits for its end and makes sure that the contact is closed.
func (c *Contact) interrupt(ctx context.Context, s *link, o *opening) relay.Result {
	var err error
	if s == nil {
		s, err = c.awaitFirstLink(o)
	}
	if err == nil {
		err = c.unanswered.wait(o, s)
	}
	if err == nil {
		err = s.acquire(o.stop, o.NotAfter)
	}
	if err != nil {
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
		c.closeNow(s) // even if the opening was refused
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	default:
		return c.unknown(s, "opening", err)
	}
}

// nothingDone reports whether err is a refusal that certainly had no effect.
func nothingDone(err error) bool {
	var r *Refusal
	return errors.As(err, &r) && r.Sure
}

// length returns d rounded up to the controller's quantum.
func (c *Contact) length(d time.Duration) time.Duration {
	if t := c.opt.Timed; t != nil {
		return (d + t.Quantum - 1) / t.Quantum * t.Quantum
	}
	return d
}

// mayOpen is the last check before the bytes are written. The clock is read last.
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

// closeBeforeAnswer closes the contact while the opening still waits for its answer.
func (c *Contact) closeBeforeAnswer(s *link, o *opening, call *PendingRequest) relay.Result {
	closedAt, closeErr := c.closeOn(s, nil, nil)
	a, err := call.Wait(nil) // waits at most for the request's time-out
	if err == nil && (closeErr == nil || errors.Is(closeErr, relay.ErrReadBack)) && c.control.opt.Unordered {
		// The first close may have been done before the opening and read back after it.
		closedAt, closeErr = c.closeOn(s, nil, nil)
	}
	switch {
	case nothingDone(err) && closeErr == nil:
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	case err != nil:
		return c.unknown(s, "opening, withdrawn meanwhile", err)
	case closeErr != nil:
		return c.unknown(s, "closing", closeErr)
	}
	c.callOpened(o, a.At)
	return relay.Result{Outcome: relay.Done, OpenFor: closedAt.Sub(a.At)}
}

// unknown records a failure after the opening was written, and closes the contact.
func (c *Contact) unknown(s *link, doing string, err error) relay.Result {
	if errors.Is(err, relay.ErrUnreachable) { // the close found no connection, but the opening had been written
		err = &ConnectionLost{s.Cause()}
	}
	err = fmt.Errorf("line %s: %s: %w", c.opt.Name, doing, err)
	c.control.pollFast()
	c.closeAfter(s, err)
	return relay.Result{Outcome: relay.Unknown, Err: err}
}

func (c *Contact) callOpened(o *opening, at time.Time) {
	if !o.openedCalled && o.Opened != nil {
		o.Opened(at)
	}
	o.openedCalled = true
}

// whileOpen waits from the confirmation, at the instant at, until the opening is over. Then it closes the contact.
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
		c.callOpened(o, at)
	} else if check, err := s.start(Request{Op: Read, Contact: c.index}, false, nil); err != nil {
		return c.unknown(s, "reading back the opening", err)
	} else {
		o.check = check
	}
	for err := c.awaitEnd(s, o); err != nil; err = c.awaitEnd(s, o) {
		if errors.Is(err, relay.ErrReadBack) {
			return c.endUnmoved(s, err)
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

// endOpening closes the contact by command.
func (c *Contact) endOpening(s *link, o *opening) relay.Result {
	if c.control.opt.Unordered && o.proof.IsZero() {
		o.proof = time.Now() // from here on the read-back may show the effect of the close
	}
	closedAt, err := c.closeOn(s, nil, nil)
	if err != nil {
		return c.unknown(s, "closing", err)
	}
	return c.finishOpening(s, o, closedAt)
}

// finishOpening returns the result of an opening that is over, provided that the read-back proves the opening. Most
// controllers answer in order, so the answer to the read-back has usually arrived by now.
func (c *Contact) finishOpening(s *link, o *opening, closedAt time.Time) relay.Result {
	if err := c.wasOpen(o); errors.Is(err, relay.ErrReadBack) {
		return c.endUnmoved(s, err)
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

// awaitEnd waits until the opening is over or must end early, and then returns nil. It returns an error if the session
// ended or the contact did not move.
func (c *Contact) awaitEnd(s *link, o *opening) error {
	nearEnd := time.After(relay.TimerWait(o.end))
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
			o.check.answer <- a // for wasOpen, which reads it again; the buffer is empty here
			if err := c.wasOpen(o); err != nil {
				return err
			}
		}
	}
}

// wasOpen evaluates the read-back of an opening and returns [relay.ErrReadBack] if the contact did not open. A
// read-back proves nothing if it came too late to find a timed output open. Nor does it after the opening was
// withdrawn, because the close may have been carried out before the read-back. The controller's confirmation then
// decides.
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
	c.callOpened(o, o.at)
	return nil
}

// endUnmoved ends an opening that the controller confirmed but that the contact never showed.
func (c *Contact) endUnmoved(s *link, err error) relay.Result {
	if _, closeErr := c.closeOn(s, nil, nil); closeErr != nil {
		return c.unknown(s, "closing", closeErr)
	}
	return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
}

// awaitTimer reads a timed contact whose time is over until it is closed. The controller's clock may run slow, and the
// controller may check its timers only at intervals. It therefore gets one more quantum, or 100 ms if that is longer.
// An opening whose connection was lost meanwhile is closed [resumeOverrun] after its end.
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
			return c.finishOpening(s, o, readAt)
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

// Read returns the contact's level. If the contact cannot be read, it returns [relay.ErrNoRead].
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

// Sense returns LevelClosed if loop current flows, otherwise LevelOpen. Without an input it returns [relay.ErrNoSense].
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

// UnderWay reports whether an interruption is under way, when it ends (zero until the controller has confirmed it) and
// when the last interruption ended.
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
