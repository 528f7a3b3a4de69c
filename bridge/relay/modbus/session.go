package modbus

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/modbus/codec"
)

// wire carries requests to one board: over a TCP connection, or as one unit on a bus. All methods are safe for
// concurrent use.
type wire interface {
	// start sends a request; see query. An error means that nothing was sent.
	start(q query) error
	// waits reports whether a request waits for its answer.
	waits() bool
	Dead() <-chan struct{}
	Cause() error
	Stop(reset bool)
}

// query is one request. Just before its bytes are written, before is called, whose error prevents the write, and then
// sent. Either may be nil. Once the bytes have been written, end is called exactly once.
type query struct {
	unit    uint8
	pdu     codec.Request
	contact *Contact // nil if the request does not concern a single contact
	urgent  bool     // a close
	before  func() error
	sent    func(time.Time)
	end     func(answer)
}

type answer struct {
	pdu codec.Response
	at  time.Time
	err error // a *controller.Refusal, or the reason for the end of the wire
}

var errTimeout = errors.New("modbus: time-out")

// refusal turns an exception into a refusal, and returns every other error unchanged.
func refusal(err error) error {
	if e := codec.Exception(0); errors.As(err, &e) {
		return &controller.Refusal{Cause: err, Sure: nothingDone(e)}
	}
	return err
}

// nothingDone reports whether an exception proves that the request had no effect. After a device failure, an
// acknowledge or a gateway's time-out the contact may have moved.
func nothingDone(e codec.Exception) bool {
	switch e {
	case codec.IllegalFunction, codec.IllegalDataAddress, codec.IllegalDataValue, codec.DeviceBusy,
		codec.GatewayPathUnavailable:
		return true
	default: // includes vendor-specific codes
		return false
	}
}

// session is the session that package controller uses: the requests of a board's contacts, sent over a wire.
type session struct {
	wire
	board *Board
}

// do sends one request and waits for its answer until stop is closed. With a nil stop the request's time-out ends the
// wait.
func (s *session) do(unit byte, pdu codec.Request, stop <-chan struct{}) (answer, error) {
	ch := make(chan answer, 1) // buffer 1: the wire never waits for a caller that has gone
	if err := s.start(query{unit: unit, pdu: pdu, end: func(a answer) { ch <- a }}); err != nil {
		return answer{}, err
	}
	select {
	case a := <-ch:
		return a, a.err
	case <-stop:
		return answer{}, relay.ErrStopped
	}
}

// Start begins the request of a contact.
func (s *session) Start(c *controller.PendingRequest, r controller.Request, before func() error) error {
	contact := s.board.contacts[r.Contact]
	opt := &contact.opt
	q := query{unit: opt.Unit, contact: contact, urgent: r.Op == controller.Close, before: before,
		sent: func(at time.Time) { c.Sent = at }}
	switch r.Op {
	case controller.Open:
		q.pdu = contact.opening(r.Duration)
	case controller.Try:
		q.pdu = contact.opening(0)
	case controller.Close:
		q.pdu = codec.WriteCoil(opt.Coil, !opt.OpenOn)
	default:
		q.pdu = codec.Read(codec.ReadCoils, opt.Coil, 1)
	}
	q.end = func(a answer) {
		e := controller.Answer{At: a.at, Err: a.err}
		if no := (*controller.Refusal)(nil); errors.As(a.err, &no) {
			e.Err = &controller.Refusal{Cause: fmt.Errorf("unit %d, %s: %w", opt.Unit, contact.place(r.Op), no.Cause),
				Sure: no.Sure}
		}
		if a.err == nil && r.Op == controller.Read {
			e.Level = relay.LevelClosed
			if a.pdu.Bit(0) == opt.OpenOn {
				e.Level = relay.LevelOpen
			}
		}
		c.End(e)
	}
	return s.start(q)
}

// opening returns the request that opens the contact.
func (c *Contact) opening(d time.Duration) codec.Request {
	switch t := c.opt.Timed; {
	case t == nil:
		return codec.WriteCoil(c.opt.Coil, c.opt.OpenOn)
	case t.Sequence:
		return codec.WriteRegisters(t.Register, c.nextSeq(), uint16(d/t.Unit))
	default:
		return codec.WriteRegister(t.Register, uint16(d/t.Unit))
	}
}

// place names the register or coil that a request addresses.
func (c *Contact) place(op controller.Op) string {
	if t := c.opt.Timed; t != nil && (op == controller.Open || op == controller.Try) {
		return fmt.Sprintf("register %d", t.Register)
	}
	return fmt.Sprintf("coil %d", c.opt.Coil)
}

// nextSeq returns a number that differs from the last one that the board received.
func (c *Contact) nextSeq() uint16 {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.seq++; c.seq == c.boardSeq {
		c.seq++
	}
	return c.seq
}

// Prepare sets the watchdogs and reads the last sequence numbers that the board received.
func (s *session) Prepare(ctx context.Context) error {
	for p, n := range maps.All(s.board.watchdogs) {
		if _, err := s.do(p.unit, codec.WriteRegister(p.register, n), ctx.Done()); err != nil {
			return fmt.Errorf("watchdog register %d of unit %d, value %d: %w", p.register, p.unit, n, err)
		}
	}
	for _, c := range s.board.contacts {
		if t := c.opt.Timed; t != nil && t.Sequence {
			a, err := s.do(c.opt.Unit, codec.Read(codec.ReadHoldingRegisters, t.Register, 1), ctx.Done())
			if err != nil {
				return fmt.Errorf("line %s: reading the last sequence number, register %d of unit %d: %w", c.opt.Name,
					t.Register, c.opt.Unit, err)
			}
			c.learn(a.pdu.Register(0))
		}
	}
	return nil
}

// learn records the board's last sequence number. The driver continues from that number only the first time. Later,
// commands may still be on their way to the board.
func (c *Contact) learn(seq uint16) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.knowsSeq {
		c.seq, c.knowsSeq = seq, true
	}
	c.boardSeq = seq
}
