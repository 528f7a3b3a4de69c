package modbus

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// Contact is one coil of a board.
type Contact struct {
	board  *Board
	opt    ContactOptions
	keeper *relay.Keeper
	span   *span // the inputs read together with that of this contact; nil: it has none
	alone  *span // that input alone

	mu      sync.Mutex
	current *opening  // the interruption under way
	after   time.Time // when the last one was over
	opens   uint64    // counts openings written: a coil read before the latest proves nothing

	lastSeq uint32 // of the last interruption that was written
	last    relay.Result
	hasLast bool
}

var (
	_ relay.Contact = (*Contact)(nil)
	_ relay.Reader  = (*Contact)(nil)
	_ relay.Sensor  = (*Contact)(nil)
)

// errMoved: the board confirmed a write, but the coil reads back otherwise.
var errMoved = errors.New("modbus: the coil reads back otherwise than it was written")

// An opening is an interruption under way.
type opening struct {
	relay.Interruption
	stop     chan struct{} // closed when it is to end early
	withdraw func()        // closes stop, once
	over     chan struct{} // closed when Interrupt has its result
	due      time.Time     // end as others may see it, under the contact's mu; zero: not confirmed yet

	// Owned by the goroutine of Interrupt, set once the board has confirmed.
	told  bool      // Opened was called
	at    time.Time // the confirmation
	end   time.Time // when it is over
	check *call     // the read-back
	proof time.Time // if not zero: a read-back answered after it may find a timed output closed again
}

func newContact(b *Board, o ContactOptions) *Contact {
	c := &Contact{board: b, opt: o}
	c.keeper = relay.NewKeeper(c.retry, func(n relay.Notice) {
		n.Contact = o.Name
		b.notify(n)
	})
	return c
}

// Kind is KindOneshot with a timed output, else KindWatchdog with a watchdog, else KindNone.
func (c *Contact) Kind() relay.Kind {
	switch {
	case c.opt.Timed != nil:
		return relay.KindOneshot
	case c.opt.Watchdog != nil:
		return relay.KindWatchdog
	default:
		return relay.KindNone
	}
}

// Interrupt opens the loop for the duration, counted from the board's confirmation. When the connection is lost meanwhile, or a
// write finds no answer, the outcome is Unknown at once, and closing goes on by itself. A repeated Seq that was written
// before gets its old result.
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
func (c *Contact) begin(i relay.Interruption) (*opening, *session, relay.Result) {
	if i.Duration <= 0 {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; it must be longer than 0", c.opt.Name, i.Duration, relay.ErrRefused))
	}
	if t := c.opt.Timed; t != nil && counts(i.Duration, t.Unit)*t.Unit > t.Limit {
		return nil, nil, refused(fmt.Errorf("line %s: opening for %v: %w; the board's limit is set to %v", c.opt.Name, i.Duration, relay.ErrRefused, t.Limit))
	}
	s, err := c.board.current()
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.current != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w: an opening is under way", c.opt.Name, relay.ErrRefused))
	case c.hasLast && c.lastSeq == i.Seq:
		return nil, nil, c.last
	case c.board.isStopping():
		return nil, nil, refused(fmt.Errorf("line %s: shutting down: %w", c.opt.Name, relay.ErrStopped))
	case err != nil:
		return nil, nil, refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	if err := c.keeper.Owed(); err != nil {
		return nil, nil, refused(fmt.Errorf("line %s: %w: not known to be closed: %w", c.opt.Name, relay.ErrRefused, err))
	}
	stop := make(chan struct{})
	c.current = &opening{Interruption: i, stop: stop, over: make(chan struct{}), withdraw: sync.OnceFunc(func() { close(stop) })}
	return c.current, s, relay.Result{}
}

func (c *Contact) finish(o *opening, r relay.Result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.current, c.after = nil, time.Now()
	close(o.over)
	if r.Outcome != relay.Refused {
		c.lastSeq, c.last, c.hasLast = o.Seq, r, true
	}
}

// interrupt writes the opening, waits and sees that the contact is closed.
func (c *Contact) interrupt(ctx context.Context, s *session, o *opening) relay.Result {
	if err := s.acquire(o.stop, o.NotAfter); err != nil {
		return refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	call, err := s.start(c.opt.Unit, c.openCommand(o.Duration), true, func() error { return c.mayOpen(ctx, o) })
	if err != nil {
		return refused(fmt.Errorf("line %s: %w", c.opt.Name, err))
	}
	a, err := call.wait(o.stop)
	switch e := Exception(0); {
	case err == nil:
		return c.whileOpen(s, o, call.sent, a.at)
	case errors.Is(err, relay.ErrStopped):
		return c.overtake(s, o, call)
	case errors.As(err, &e) && e.nothingDone():
		c.closeNow(s) // after any error
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	default:
		return c.unknown(s, "opening", err)
	}
}

func (c *Contact) openCommand(d time.Duration) []byte {
	if t := c.opt.Timed; t != nil {
		return writeRegister(t.Register, uint16(counts(d, t.Unit)))
	}
	return writeCoil(c.opt.Coil, c.opt.OpenOn)
}

// mayOpen is the last look before the bytes go. The clock comes last of all.
func (c *Contact) mayOpen(ctx context.Context, o *opening) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if ctx.Err() != nil || isClosed(o.stop) {
		return relay.ErrStopped
	}
	c.opens++
	if now := c.board.opt.Now(); now.After(o.NotAfter) {
		return fmt.Errorf("%w, by %v", relay.ErrLate, now.Sub(o.NotAfter))
	}
	return nil
}

// overtake closes while the opening still waits for its answer.
func (c *Contact) overtake(s *session, o *opening, call *call) relay.Result {
	closedAt, closeErr := c.closeOn(s, nil, nil)
	a, err := call.wait(nil) // at most its time-out
	switch e := Exception(0); {
	case errors.As(err, &e) && e.nothingDone() && closeErr == nil:
		return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
	case err != nil:
		return c.unknown(s, "opening, withdrawn meanwhile", err)
	case closeErr != nil:
		return c.unknown(s, "closing", closeErr)
	}
	c.tellOpened(o, a.at)
	return relay.Result{Outcome: relay.Done, OpenFor: closedAt.Sub(a.at)}
}

// unknown records a failure after something was written, and begins closing.
func (c *Contact) unknown(s *session, doing string, err error) relay.Result {
	if errors.Is(err, relay.ErrUnreachable) { // the close found the connection gone; the opening had been written
		err = &lostError{s.cause()}
	}
	err = fmt.Errorf("line %s: %s: %w", c.opt.Name, doing, err)
	c.board.beWatchful()
	c.closeAfter(s, err)
	return relay.Result{Outcome: relay.Unknown, Err: err}
}

func (c *Contact) tellOpened(o *opening, at time.Time) {
	if !o.told && o.Opened != nil {
		o.Opened(at)
	}
	o.told = true
}

// whileOpen waits from the confirmation at the given instant until the opening is over, and closes.
func (c *Contact) whileOpen(s *session, o *opening, sent, at time.Time) relay.Result {
	o.at, o.end = at, at.Add(o.Duration)
	if t := c.opt.Timed; t != nil {
		length := counts(o.Duration, t.Unit) * t.Unit
		o.end, o.proof = at.Add(length), sent.Add(length)
	}
	c.mu.Lock()
	o.due = o.end
	c.mu.Unlock()
	var err error
	if o.check, err = s.start(c.opt.Unit, readCoils(c.opt.Coil, 1), false, nil); err != nil {
		return c.unknown(s, "reading back the opening", err)
	}
	if err := c.awaitEnd(s, o); errors.Is(err, errMoved) {
		return c.unmoved(s, err)
	} else if err != nil {
		return c.unknown(s, "open", err)
	}
	if c.opt.Timed != nil && !isClosed(o.stop) {
		return c.awaitBoard(s, o)
	}
	return c.endOpening(s, o)
}

// endOpening closes by command.
func (c *Contact) endOpening(s *session, o *opening) relay.Result {
	closedAt, err := c.closeOn(s, nil, nil)
	if err != nil {
		return c.unknown(s, "closing", err)
	}
	return c.wasDone(s, o, closedAt)
}

// wasDone is the result of an opening that is over, if it was one. The board answers in order, so the read-back has been answered by
// now, if it ever will be.
func (c *Contact) wasDone(s *session, o *opening, closedAt time.Time) relay.Result {
	if err := c.wasOpen(o); errors.Is(err, errMoved) {
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

// awaitEnd returns nil at the end of the opening or when it is to end early, and an error when the session ended or the coil
// did not move.
func (c *Contact) awaitEnd(s *session, o *opening) error {
	t := time.NewTimer(relay.Coarse(o.end))
	defer t.Stop()
	checked := o.check.answer
	for {
		select {
		case <-s.dead:
			return &lostError{s.cause()}
		case <-o.stop:
			return nil
		case <-t.C:
			relay.SleepUntil(o.end)
			return nil
		case a := <-checked:
			checked = nil
			o.check.answer <- a // for wasOpen; the buffer is empty now
			if err := c.wasOpen(o); err != nil {
				return err
			}
		}
	}
}

// wasOpen looks at the read-back of an opening, and tells if the contact opened. A read-back that came too late to find a timed
// output open proves nothing, so the board's confirmation stands.
func (c *Contact) wasOpen(o *opening) error {
	if o.told {
		return nil
	}
	a, err := o.check.wait(nil)
	if err != nil {
		return err
	}
	if bit(a.pdu, 0) != c.opt.OpenOn && (o.proof.IsZero() || a.at.Before(o.proof)) {
		return errMoved
	}
	c.tellOpened(o, o.at)
	return nil
}

// unmoved is the end of an opening that the board confirmed and that its coil never showed.
func (c *Contact) unmoved(s *session, err error) relay.Result {
	if _, closeErr := c.closeOn(s, nil, nil); closeErr != nil {
		return c.unknown(s, "closing", closeErr)
	}
	return refused(fmt.Errorf("line %s: opening: %w: %w", c.opt.Name, relay.ErrRefused, err))
}

// awaitBoard reads the coil of a timed output whose time is over until it is closed. The board's clock and the one here differ,
// and a board may look at its timers only now and then: it gets one unit more, or 100 ms if that is longer.
func (c *Contact) awaitBoard(s *session, o *opening) relay.Result {
	grace := time.NewTimer(max(c.opt.Timed.Unit, 100*time.Millisecond))
	defer grace.Stop()
	again := time.NewTimer(0)
	defer again.Stop()
	for {
		select {
		case <-again.C:
		case <-o.stop:
			return c.endOpening(s, o)
		case <-grace.C:
			c.notice(relay.TimerFailed, fmt.Errorf("line %s: still open %v after the confirmation", c.opt.Name, time.Since(o.at)))
			return c.endOpening(s, o)
		}
		level, readAt, err := c.read(s, nil)
		if err != nil {
			return c.unknown(s, "reading back the end of the opening", err)
		}
		if level == relay.LevelClosed {
			return c.wasDone(s, o, readAt)
		}
		again.Reset(20 * time.Millisecond)
	}
}

// Read reads the coil.
func (c *Contact) Read(ctx context.Context) (relay.Level, error) {
	s, err := c.board.current()
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: %w", c.opt.Name, err)
	}
	level, _, err := c.read(s, ctx.Done())
	if err != nil {
		return relay.LevelUnknown, fmt.Errorf("line %s: reading the coil: %w", c.opt.Name, err)
	}
	return level, nil
}

func (c *Contact) read(s *session, stop <-chan struct{}) (relay.Level, time.Time, error) {
	a, err := s.do(c.opt.Unit, readCoils(c.opt.Coil, 1), nil, stop)
	if err != nil {
		return relay.LevelUnknown, a.at, err
	}
	if bit(a.pdu, 0) == c.opt.OpenOn {
		return relay.LevelOpen, a.at, nil
	}
	return relay.LevelClosed, a.at, nil
}

func (c *Contact) notice(k relay.NoticeKind, err error) {
	c.board.notify(relay.Notice{Kind: k, Contact: c.opt.Name, Err: err, Since: time.Now()})
}
