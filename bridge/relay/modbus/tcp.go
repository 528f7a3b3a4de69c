package modbus

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/modbus/codec"
	"clearback/bridge/relay/transport"
)

// tcpWire is a TCP connection that may have several requests pending. A close is written at once, whatever else waits
// for an answer. Answers are matched to requests by their transaction id. The first request without an answer and the
// first invalid frame end the connection. It always ends with a reset, so that data which the kernel has not delivered
// is discarded instead of reaching the board later.
type tcpWire struct {
	conn    net.Conn
	timeout time.Duration

	dead chan struct{} // closed after err was set
	done chan struct{} // closed when the reader has ended

	wmu sync.Mutex // serialises writes, so that checks and writes happen in the same order
	buf []byte     // guarded by wmu
	txn uint16     // guarded by wmu

	mu      sync.Mutex
	pending map[uint16]*call
	err     error
}

// call is a pending request.
type call struct {
	query
	timer *time.Timer
}

func newTCPWire(conn net.Conn, timeout time.Duration) *tcpWire {
	s := &tcpWire{conn: conn, timeout: timeout, dead: make(chan struct{}), done: make(chan struct{}),
		pending: map[uint16]*call{}}
	go s.read()
	return s
}

// start writes a request. A write that fails half-way ends the connection, and the request's answer is then that error.
func (s *tcpWire) start(q query) error {
	c := &call{query: q}
	s.wmu.Lock()
	defer s.wmu.Unlock()
	s.txn++
	txn := s.txn
	s.buf = codec.AppendTCP(s.buf[:0], codec.Frame{Transaction: txn, Unit: c.unit, PDU: c.pdu})
	deadline := s.conn.SetWriteDeadline(time.Now().Add(s.timeout))

	s.mu.Lock()
	if s.err != nil {
		defer s.mu.Unlock()
		return fmt.Errorf("%w: %w", relay.ErrUnreachable, s.err)
	}
	s.pending[txn] = c
	c.timer = time.AfterFunc(s.timeout, func() {
		awaited := func() bool { return s.pending[txn] == c } // an answer that arrived in the same instant counts
		s.failIf(awaited, fmt.Errorf("%w: no answer within %v", errTimeout, s.timeout))
	})
	s.mu.Unlock()

	if c.before != nil {
		if err := c.before(); err != nil {
			s.mu.Lock()
			defer s.mu.Unlock()
			delete(s.pending, txn)
			c.timer.Stop()
			return err
		}
	}
	if c.sent != nil {
		c.sent(time.Now())
	}
	_, err := s.conn.Write(s.buf)
	if err = errors.Join(deadline, err); err != nil {
		s.fail(err)
	}
	return nil
}

func (s *tcpWire) read() {
	defer close(s.done)
	for {
		transport.AcknowledgeAtOnce(s.conn)
		f, err := codec.ReadTCPResponse(s.conn)
		at := time.Now()
		if err != nil {
			s.fail(err)
			return
		}
		s.mu.Lock()
		c := s.pending[f.Transaction]
		delete(s.pending, f.Transaction)
		s.mu.Unlock()
		if c == nil {
			s.fail(fmt.Errorf("%w: no request has transaction id %d", codec.ErrResponse, f.Transaction))
			return
		}
		c.timer.Stop()
		pdu, err := c.pdu.ParseResponse(f.PDU)
		if f.Unit != c.unit {
			err = fmt.Errorf("%w: unit %d answered for unit %d", codec.ErrResponse, f.Unit, c.unit)
		}
		if errors.Is(err, codec.ErrResponse) {
			c.end(answer{at: at, err: &controller.ConnectionLost{Cause: err}})
			s.fail(err)
			return
		}
		c.end(answer{pdu, at, refusal(err)})
	}
}

// fail ends the session with the first error given, resets the connection and answers all pending requests.
func (s *tcpWire) fail(err error) { s.failIf(func() bool { return true }, err) }

// failIf is fail if the condition holds. The condition is evaluated under mu.
func (s *tcpWire) failIf(condition func() bool, err error) {
	s.mu.Lock()
	if s.err != nil || !condition() {
		s.mu.Unlock()
		return
	}
	s.err = err
	left := s.pending
	s.pending = nil
	s.mu.Unlock()
	if t, ok := s.conn.(interface{ SetLinger(int) error }); ok {
		_ = t.SetLinger(0) // fails only on a closed socket
	}
	_ = s.conn.Close()
	close(s.dead)
	for _, c := range left {
		c.timer.Stop()
		c.end(answer{at: time.Now(), err: &controller.ConnectionLost{Cause: err}})
	}
}

// waits reports whether a request waits for its answer.
func (s *tcpWire) waits() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.pending) > 0
}

// Dead is closed when the connection has ended.
func (s *tcpWire) Dead() <-chan struct{} { return s.dead }

// Cause returns why the connection ended.
func (s *tcpWire) Cause() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

// Stop ends the connection. Without a reset, written data may still arrive. By then that is only closes.
func (s *tcpWire) Stop(reset bool) {
	if !reset {
		_ = s.conn.Close() // the reader then calls fail
	} else {
		s.fail(net.ErrClosed)
	}
	<-s.done
}
