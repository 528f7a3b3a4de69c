package modbus

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// A session is one connection to the board, with several requests in the air. A close goes out at once, whatever still waits for
// an answer. Answers find their request by transaction id.
// A session ends on the first request without an answer and on the first bad frame, and always with a reset: what the kernel
// has not delivered by then is thrown away instead of reaching the board later.
type session struct {
	board   *Board
	conn    net.Conn
	timeout time.Duration

	dead chan struct{} // closed with err set
	done chan struct{} // closed when the reader has ended

	wmu sync.Mutex // serialises writes, so that checks and bytes keep one order
	buf []byte     // guarded by wmu
	txn uint16     // guarded by wmu

	mu      sync.Mutex
	pending map[uint16]*call
	err     error
}

// A call is a request in the air.
type call struct {
	unit    byte
	request []byte
	timer   *time.Timer
	end     func(answer) // called once
}

type answer struct {
	pdu []byte
	at  time.Time
	err error
}

var errTimeout = errors.New("modbus: time-out")

func newSession(b *Board, conn net.Conn, timeout time.Duration) *session {
	s := &session{board: b, conn: conn, timeout: timeout, dead: make(chan struct{}), done: make(chan struct{}), pending: map[uint16]*call{}}
	go s.read()
	return s
}

// start writes a request. The last things before the bytes go are the call of before, which may forbid them, and that of sent. An error
// means that nothing was written; a write that failed half-way ends the session and is answered with its error.
func (s *session) start(unit byte, pdu []byte, sent func(time.Time), before func() error, end func(answer)) error {
	c := &call{unit: unit, request: pdu, end: end}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	s.txn++
	txn := s.txn
	s.buf = appendFrame(s.buf[:0], txn, c.unit, c.request)
	deadline := s.conn.SetWriteDeadline(time.Now().Add(s.timeout))

	s.mu.Lock()
	if s.err != nil {
		defer s.mu.Unlock()
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, s.err)
	}
	s.pending[txn] = c
	c.timer = time.AfterFunc(s.timeout, func() {
		s.fail(fmt.Errorf("%w: no answer within %v", errTimeout, s.timeout))
	})
	s.mu.Unlock()

	if before != nil {
		if err := before(); err != nil {
			s.mu.Lock()
			defer s.mu.Unlock()
			delete(s.pending, txn)
			c.timer.Stop()
			return err
		}
	}
	if sent != nil {
		sent(time.Now())
	}
	_, err := s.conn.Write(s.buf)
	if err = errors.Join(deadline, err); err != nil {
		s.fail(err)
	}
	return nil
}

// do sends one request and waits for its answer, until stop is closed (nil: for ever, that is, at most the time-out).
func (s *session) do(unit byte, pdu []byte, stop <-chan struct{}) (answer, error) {
	ch := make(chan answer, 1) // the reader never waits for a caller that has gone
	if err := s.start(unit, pdu, nil, nil, func(a answer) { ch <- a }); err != nil {
		return answer{}, err
	}
	select {
	case a := <-ch:
		return a, a.err
	case <-stop:
		return answer{}, relay.ErrStopped
	}
}

func (s *session) read() {
	defer close(s.done)
	for {
		acknowledgeAtOnce(s.conn)
		txn, unit, pdu, err := readFrame(s.conn)
		at := time.Now()
		if err != nil {
			s.fail(err)
			return
		}
		s.mu.Lock()
		c := s.pending[txn]
		delete(s.pending, txn)
		s.mu.Unlock()
		if c == nil {
			s.fail(fmt.Errorf("%w: nobody asked with transaction id %d", ErrProtocol, txn))
			return
		}
		c.timer.Stop()
		err = checkAnswer(c.request, pdu)
		if unit != c.unit {
			err = fmt.Errorf("%w: unit %d answered for unit %d", ErrProtocol, unit, c.unit)
		}
		if errors.Is(err, ErrProtocol) {
			c.end(answer{at: at, err: &controller.Lost{Cause: err}})
			s.fail(err)
			return
		}
		if e := Exception(0); errors.As(err, &e) {
			err = &controller.Refusal{Cause: err, Sure: e.nothingDone()}
		}
		c.end(answer{pdu, at, err})
	}
}

// fail ends the session for the first reason given, resets the connection and answers all that is in the air.
func (s *session) fail(err error) {
	s.mu.Lock()
	if s.err != nil {
		s.mu.Unlock()
		return
	}
	s.err = err
	left := s.pending
	s.pending = nil
	s.mu.Unlock()
	if t, ok := s.conn.(interface{ SetLinger(int) error }); ok {
		_ = t.SetLinger(0) // fails only on a socket that is gone already
	}
	_ = s.conn.Close()
	close(s.dead)
	for _, c := range left {
		c.timer.Stop()
		c.end(answer{at: time.Now(), err: &controller.Lost{Cause: err}})
	}
}

// Dead is closed when the session has ended.
func (s *session) Dead() <-chan struct{} { return s.dead }

// Cause returns why the session ended.
func (s *session) Cause() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Stop ends the session. Without a reset what was written (only closes, by then) may still arrive.
func (s *session) Stop(reset bool) {
	if !reset {
		_ = s.conn.Close() // the reader then fails the session
	} else {
		s.fail(net.ErrClosed)
	}
	<-s.done
}
