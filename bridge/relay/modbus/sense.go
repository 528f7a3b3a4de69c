package modbus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/codec"
)

// How the loop-current inputs are read. Most boards carry out one request after the other, so a reading can delay an
// opening or a close. Therefore all inputs of a unit are read at once, and not too often. All numbers are our own.
const (
	// senseGather is how long a reading waits for other lines to join it.
	senseGather = 2 * time.Millisecond
	// senseSpacing is the shortest time from one reading of the board to the next, so that even a fast board is read at
	// most 50 times a second.
	senseSpacing = 20 * time.Millisecond
	// After a reading that took a time t the board is not read for senseIdle times t. A slow board is therefore read
	// for at most a quarter of the time. While a loop is open, and for senseAfter after that, the factor is senseOpen,
	// and the share at most a half: current that returns then shows that the hold did not clear.
	senseIdle, senseOpen = 3, 1
	senseAfter           = time.Second
	// senseClear is the time kept free before the end of an opening, in addition to twice the time of a reading.
	senseClear = 2 * time.Millisecond
	// senseLook is how often a reading that must wait checks whether it may be sent.
	senseLook = 2 * time.Millisecond
	// sensePauseLength is the pause after a reading without an answer. Such a reading ends the connection, which the
	// openings need.
	sensePauseLength = 5 * time.Second
)

// errSenseBreak means that the board did not answer the last reading.
var errSenseBreak = errors.New("modbus: the board did not answer the last reading of its inputs; the next one waits")

// sensing schedules the input readings of one board, or of all boards on a bus, one request at a time.
type sensing struct {
	turn     chan struct{} // buffer 1: whoever holds the token reads
	contacts []*Contact    // the contacts that a reading must not delay; complete once started

	// owned by the holder of the token
	began, ended time.Time // of the last reading
}

// sensePause is the pause after a reading without an answer. It is owned by the holder of the token.
type sensePause struct {
	until time.Time // no reading before this time
	cause error
}

func newSensing() *sensing {
	s := &sensing{turn: make(chan struct{}, 1)}
	s.turn <- struct{}{}
	return s
}

// span is a range of inputs of one unit that is read in one request.
type span struct {
	unit      uint8
	low, high uint16

	mu     sync.Mutex
	next   *senseRound // the reading that gathers lines; nil if there is none
	singly bool        // the board refuses to read the whole range, because the range has a gap
}

// senseRound is one reading, shared by all lines that wait for it.
type senseRound struct {
	done chan struct{} // closed after pdu or err was set
	pdu  codec.Response
	err  error
}

// errReadingNotMade means that the caller that led the reading has given up. Another caller then leads one.
var errReadingNotMade = errors.New("modbus: the reading was not made")

// spanFor returns the span that the input belongs to. It may be called only before Start.
func (b *Board) spanFor(unit uint8, input uint16) *span {
	i := slices.IndexFunc(b.spans, func(s *span) bool { return s.unit == unit })
	if i < 0 {
		b.spans = append(b.spans, &span{unit: unit, low: input, high: input})
		return b.spans[len(b.spans)-1]
	}
	s := b.spans[i]
	s.low, s.high = min(s.low, input), max(s.high, input)
	return s
}

// Sense reads the loop-current input. Lines of one board share a reading. A reading waits for openings and closes, so
// it may take some time on a slow or busy board.
func (c *Contact) Sense(ctx context.Context) (relay.Level, error) {
	i := c.opt.Sense
	if i == nil {
		return relay.LevelUnknown, relay.ErrNoSense
	}
	on, err := c.senseShared(ctx, i.Input)
	switch {
	case err != nil:
		return relay.LevelUnknown, fmt.Errorf("line %s: reading the input: %w", c.opt.Name, err)
	case on == i.CurrentOn:
		return relay.LevelClosed, nil
	default:
		return relay.LevelOpen, nil
	}
}

func (c *Contact) senseShared(ctx context.Context, input uint16) (bool, error) {
	s := c.span
	if !s.isApart() {
		pdu, err := c.board.sense(ctx, s)
		if err == nil {
			return pdu.Bit(int(input - s.low)), nil
		}
		if e := codec.Exception(0); !errors.As(err, &e) || s.low == s.high {
			return false, err
		}
		s.setApart()
	}
	pdu, err := c.board.sense(ctx, c.alone)
	if err != nil {
		return false, err
	}
	return pdu.Bit(0), nil
}

func (s *span) isApart() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.singly || s.high-s.low >= codec.MaxReadBits
}

func (s *span) setApart() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.singly = true
}

// sense joins the next reading of the span, or makes the reading itself.
func (b *Board) sense(ctx context.Context, s *span) (codec.Response, error) {
	for {
		s.mu.Lock()
		r, lead := s.next, s.next == nil
		if lead {
			r = &senseRound{done: make(chan struct{})}
			s.next = r
		}
		s.mu.Unlock()
		if lead {
			r.pdu, r.err = b.lead(ctx, s)
			close(r.done)
		}
		select {
		case <-r.done:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		switch {
		case !errors.Is(r.err, errReadingNotMade):
			return r.pdu, r.err
		case ctx.Err() != nil:
			return nil, ctx.Err()
		}
	}
}

// lead makes a reading. Callers that arrive before it is written share it. Callers that arrive later get the next one.
func (b *Board) lead(ctx context.Context, s *span) (codec.Response, error) {
	gathered := false
	gather := func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if !gathered {
			s.next, gathered = nil, true
		}
	}
	defer gather()
	n := b.sensing
	select {
	case <-n.turn:
	case <-ctx.Done():
		return nil, errReadingNotMade
	}
	defer func() { n.turn <- struct{}{} }()
	if time.Now().Before(b.senseBreak.until) {
		return nil, fmt.Errorf("%w: %w", errSenseBreak, b.senseBreak.cause)
	}
	session, err := b.awaitQuiet(ctx)
	if err != nil {
		return nil, err
	}
	gather()
	n.began = time.Now()
	reading := codec.Read(codec.ReadDiscreteInputs, s.low, s.high-s.low+1)
	a, err := session.do(s.unit, reading, nil) // waits at most for the request's time-out
	n.ended = time.Now()
	if errors.Is(err, errTimeout) {
		b.senseBreak = sensePause{n.ended.Add(sensePauseLength), err}
	}
	return a.pdu, err
}

// awaitQuiet waits until a reading cannot delay anything: there was no reading just now, no request awaits its answer,
// and no opening is about to end.
func (b *Board) awaitQuiet(ctx context.Context) (*session, error) {
	t := time.NewTimer(senseGather)
	defer t.Stop()
	for {
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil, errReadingNotMade
		}
		session, err := b.current()
		if err != nil {
			return nil, err
		}
		wait := b.senseWait(time.Now(), session)
		if wait <= 0 {
			return session, nil
		}
		t.Reset(wait)
	}
}

// senseWait returns how long a reading must wait at least.
func (b *Board) senseWait(now time.Time, session *session) time.Duration {
	n := b.sensing
	took := n.ended.Sub(n.began)
	open := false
	for _, c := range n.contacts {
		under, ends, after := c.UnderWay()
		open = open || under || now.Before(after.Add(senseAfter))
		if under && !ends.IsZero() && ends.Sub(now) < 2*took+senseClear {
			return max(senseLook, ends.Sub(now))
		}
	}
	times := senseIdle
	if open {
		times = senseOpen
	}
	pause := max(n.began.Add(senseSpacing).Sub(now), n.ended.Add(time.Duration(times)*took).Sub(now))
	if pause <= 0 && session.waits() {
		pause = senseLook
	}
	return pause
}
