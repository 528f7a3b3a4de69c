package modbus

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"clearback/bridge/relay"
)

// A session is one connection to the board, with several requests in the air. Opens, reads and settings go one at a time
// (slot); a close goes out at once, whatever still waits for an answer. Answers find their request by transaction id.
// A session ends on the first request without an answer and on the first bad frame, and always with a reset: what the kernel
// has not delivered by then is thrown away instead of reaching the board later.
type session struct {
	conn    net.Conn
	timeout time.Duration

	slot chan struct{} // buffer 1: holding the token is being the one ordinary request in the air
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
	sent    time.Time // just before the bytes went; set before start returns
	timer   *time.Timer
	answer  chan answer // buffer 1: the reader never waits for a caller that has gone
	release func()      // gives the slot back, once
}

type answer struct {
	pdu []byte
	at  time.Time
	err error
}

// A lostError is the end of a session with a request in the air: what it did is unknown.
type lostError struct{ cause error }

func (e *lostError) Error() string   { return fmt.Sprintf("%v: %v", relay.ErrNoAnswer, e.cause) }
func (e *lostError) Unwrap() []error { return []error{relay.ErrNoAnswer, e.cause} }

var errTimeout = errors.New("modbus: time-out")

func newSession(conn net.Conn, timeout time.Duration) *session {
	s := &session{conn: conn, timeout: timeout, slot: make(chan struct{}, 1), dead: make(chan struct{}),
		done: make(chan struct{}), pending: map[uint16]*call{}}
	s.slot <- struct{}{}
	go s.read()
	return s
}

// acquire takes the slot for an ordinary request. It gives up when stop is closed or at the instant until.
func (s *session) acquire(stop <-chan struct{}, until time.Time) error {
	select {
	case <-s.slot:
		return nil
	default:
	}
	t := time.NewTimer(time.Until(until))
	defer t.Stop()
	select {
	case <-s.slot:
		return nil
	case <-s.dead:
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, s.cause())
	case <-stop:
		return relay.ErrStopped
	case <-t.C:
		return relay.ErrLate
	}
}

// start writes a request. The last thing before the bytes go is the call of before, which may forbid them. An error means that
// nothing was written; a write that failed half-way ends the session and is answered with its error.
func (s *session) start(unit byte, pdu []byte, slot bool, before func() error) (*call, error) {
	c := &call{unit: unit, request: pdu, answer: make(chan answer, 1), release: func() {}}
	if slot {
		c.release = sync.OnceFunc(func() { s.slot <- struct{}{} })
	}
	err := s.write(c, before)
	if err != nil {
		c.release()
	}
	return c, err
}

func (s *session) write(c *call, before func() error) error {
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
	c.sent = time.Now()
	_, err := s.conn.Write(s.buf)
	if err = errors.Join(deadline, err); err != nil {
		s.fail(err)
	}
	return nil
}

// do sends one request and waits for its answer, until stop is closed (nil: for ever, that is, at most the time-out).
func (s *session) do(unit byte, pdu []byte, before func() error, stop <-chan struct{}) (answer, error) {
	c, err := s.start(unit, pdu, false, before)
	if err != nil {
		return answer{}, err
	}
	return c.wait(stop)
}

func (c *call) wait(stop <-chan struct{}) (answer, error) {
	select {
	case a := <-c.answer:
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
			c.end(answer{at: at, err: &lostError{err}})
			s.fail(err)
			return
		}
		c.end(answer{pdu, at, err})
	}
}

func (c *call) end(a answer) {
	c.answer <- a
	c.release()
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
		c.end(answer{at: time.Now(), err: &lostError{err}})
	}
}

// cause returns why the session ended.
func (s *session) cause() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// stop ends the session. Without linger what was written (only closes, by then) may still arrive.
func (s *session) stop(reset bool) {
	if !reset {
		_ = s.conn.Close() // the reader then fails the session
	} else {
		s.fail(net.ErrClosed)
	}
	<-s.done
}
