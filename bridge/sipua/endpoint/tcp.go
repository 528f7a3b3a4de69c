package endpoint

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/emiago/sipgo/sip"
)

// This file is the TCP side. The library's own transport has no limit on connections or on the time a message takes,
// parses while it reads, and files each connection under our own address too.

// writeLimit is how long a TCP peer may refuse to take our bytes before its connection is given up. Our own number: a
// live peer empties its window within a round trip.
const writeLimit = 5 * time.Second

// silenceLimit is how long bytes may stay unacknowledged before the kernel gives the connection up: a peer that
// vanished without a word (power, a cable, a forgetful address translator) would otherwise swallow every call for a
// quarter of an hour. Our own number: five repeats of a lost segment fit in, and the second call after the loss finds a
// new connection.
const silenceLimit = 5 * time.Second

// conn is one TCP connection. It is what the library's transactions take for a connection.
type conn struct {
	// set once
	net.Conn
	e        *Endpoint
	peer     netip.AddrPort
	accepted bool
	since    time.Time // when it was filed

	last atomic.Int64 // Unix nanoseconds of the last byte either way
}

var _ sip.Connection = (*conn)(nil)

// tcpConns are the TCP connections. They stay until one side closes them, are silent too long or make room.
type tcpConns struct {
	e        *Endpoint
	listener *net.TCPListener // nil: none

	mu      sync.Mutex
	byPeer  map[netip.AddrPort]*conn
	open    map[*conn]struct{} // all; of two with the same peer only the newer is in byPeer
	dialing map[netip.AddrPort]*pendingDial
	closed  bool
}

// pendingDial is a connection that is being made, for all who want it.
type pendingDial struct {
	done chan struct{} // closed when conn or err is set
	conn *conn
	err  error
}

func (s *tcpConns) init(e *Endpoint) {
	s.e, s.byPeer, s.open, s.dialing = e, map[netip.AddrPort]*conn{}, map[*conn]struct{}{},
		map[netip.AddrPort]*pendingDial{}
}

func (s *tcpConns) size() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.open)
}

// to returns the connection to a peer, nil if there is none.
func (s *tcpConns) to(peer netip.AddrPort) *conn {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.byPeer[peer]
}

// serve accepts connections until the listener is closed.
func (s *tcpConns) serve() {
	s.e.untilClosed(func() error {
		c, err := s.listener.AcceptTCP()
		if err == nil {
			s.accept(c)
		}
		return err // out of descriptors, it may be
	})
}

// accept takes a connection, or closes it.
func (s *tcpConns) accept(tcp *net.TCPConn) {
	e, now := s.e, time.Now()
	from := tcp.RemoteAddr().(*net.TCPAddr).AddrPort()
	from = netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
	strange := e.sourceLimiter.isUnknown(from.Addr(), now)
	var count *atomic.Uint64
	switch {
	case e.o.Accept != nil && !e.o.Accept(from.Addr()):
		count = &e.n.refused
	case strange && !e.sourceLimiter.admit(from.Addr(), now):
		count = &e.n.limited
	case !s.room(from.Addr(), strange, now):
		count = &e.n.conns
	}
	if count != nil {
		count.Add(1)
		tcp.SetLinger(0) // nothing of it stays in the kernel
		tcp.Close()
		return
	}
	if raw, err := tcp.SyscallConn(); err != nil || limitUnacknowledged(raw, silenceLimit) != nil {
		e.log.Debug("a TCP connection has no limit for unacknowledged bytes") // it costs time and nothing else
	}
	s.add(&conn{Conn: tcp, e: e, peer: from, accepted: true})
}

func (s *tcpConns) endLocked(c *conn) {
	s.e.n.ended.Add(1)
	s.removeLocked(c)
	c.Conn.Close()
}

// add files a connection and begins to read it; false: the endpoint is closed.
func (s *tcpConns) add(c *conn) bool {
	c.touch()
	c.since = time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || !s.e.spawn(c.read) {
		c.Conn.Close()
		return false
	}
	s.byPeer[c.peer], s.open[c] = c, struct{}{}
	return true
}

func (s *tcpConns) remove(c *conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.removeLocked(c)
}

func (s *tcpConns) removeLocked(c *conn) {
	delete(s.open, c)
	if s.byPeer[c.peer] == c {
		delete(s.byPeer, c.peer)
	}
}

// dial returns the connection to a peer, which it makes if there is none.
func (s *tcpConns) dial(ctx context.Context, peer netip.AddrPort) (*conn, error) {
	s.mu.Lock()
	if c := s.byPeer[peer]; c != nil {
		s.mu.Unlock()
		return c, nil
	}
	d, mine := s.dialing[peer], false
	if d == nil {
		d, mine = &pendingDial{done: make(chan struct{})}, true
		s.dialing[peer] = d
	}
	s.mu.Unlock()
	if mine {
		d.conn, d.err = s.connect(ctx, peer)
		s.mu.Lock()
		delete(s.dialing, peer)
		s.mu.Unlock()
		close(d.done)
	}
	select {
	case <-d.done:
		return d.conn, d.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (s *tcpConns) connect(ctx context.Context, peer netip.AddrPort) (*conn, error) {
	d := net.Dialer{Timeout: dialLimit, Control: func(_, _ string, c syscall.RawConn) error {
		return limitUnacknowledged(c, silenceLimit)
	}}
	tcp, err := d.DialContext(ctx, "tcp", peer.String())
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", peer, err)
	}
	c := &conn{Conn: tcp, e: s.e, peer: peer}
	if !s.add(c) {
		return nil, ErrClosed
	}
	return c, nil
}

// close ends all and lets none begin.
func (s *tcpConns) close() error {
	var err error
	if s.listener != nil {
		err = s.listener.Close()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	for c := range s.open {
		c.Conn.Close()
	}
	return err
}

func (c *conn) touch() { c.last.Store(time.Now().UnixNano()) }

// read takes what the peer sends, until one side closes.
func (c *conn) read() {
	defer c.e.streams.remove(c)
	defer c.Conn.Close()
	defer c.e.recoverPanic()
	var f framer
	var began time.Time // of the message that is not whole
	b := make([]byte, 4096)
	var full bool      // the last reading filled b
	var before Arrival // when that came
	for {
		if c.Conn.SetReadDeadline(c.readDeadline(began)) != nil {
			return
		}
		reading := c.e.arrivals.now()
		n, err := c.Conn.Read(b)
		switch {
		case err == nil:
		case errors.Is(err, os.ErrDeadlineExceeded) && began.IsZero() && time.Now().Before(c.readDeadline(began)):
			continue // we wrote meanwhile, or it is no stranger any more
		default:
			c.ended(err, !began.IsZero())
			return
		}
		c.touch()
		f.write(b[:n])
		came := c.e.arrivals.arrivalOf(reading, 0)
		if full { // it may have come with what filled the buffer before
			came = min(came, before)
		}
		full, before = n == len(b), came
		took, ok := c.take(&f, came)
		if !ok {
			return
		}
		switch {
		case !f.partial():
			began = time.Time{}
		case took || began.IsZero():
			began = time.Now()
		}
	}
}

// readDeadline is until when the next bytes have to come.
func (c *conn) readDeadline(began time.Time) time.Time {
	switch last := time.Unix(0, c.last.Load()); {
	case !began.IsZero():
		return began.Add(messageLimit)
	case c.accepted && c.e.sourceLimiter.isUnknown(c.peer.Addr(), time.Now()):
		return last.Add(unknownIdleLimit)
	default:
		return last.Add(idleLimit)
	}
}

// ended counts why a connection is closed, if it was our impatience.
func (c *conn) ended(err error, within bool) {
	switch {
	case !errors.Is(err, os.ErrDeadlineExceeded):
	case within:
		c.e.n.slow.Add(1)
	default:
		c.e.n.idle.Add(1)
	}
}

// take takes all whole messages; took reports whether there was one, ok whether the connection stays.
func (c *conn) take(f *framer, came Arrival) (took, ok bool) {
	for {
		message, ping, err := f.next()
		if message == nil && !ping && err == nil {
			return took, true
		}
		took = true
		now, o := time.Now(), origin{arrival: came, from: c.peer, transport: "TCP", conn: c}
		o.unknown = c.accepted && c.e.sourceLimiter.isUnknown(c.peer.Addr(), now)
		if o.unknown && !c.e.sourceLimiter.admit(c.peer.Addr(), now) {
			c.e.n.limited.Add(1)
			return took, false // a stream with gaps is no use to either side
		}
		switch {
		case ping:
			if _, err := c.write([]byte("\r\n")); err != nil {
				return took, false
			}
		case errors.Is(err, errTooLarge):
			c.e.n.oversized.Add(1)
			c.e.refuseUnparsed(f.buf, o, tooLarge)
			return took, false
		case err != nil:
			c.e.n.malformed.Add(1)
			c.e.refuseUnparsed(f.buf, o, badRequest)
			return took, false
		default:
			c.e.take(message, o)
		}
	}
}

// write writes whole or closes: after a part of a message nothing can follow.
func (c *conn) write(b []byte) (int, error) {
	c.touch()
	err := c.Conn.SetWriteDeadline(time.Now().Add(writeLimit))
	n := 0
	if err == nil {
		n, err = c.Conn.Write(b)
	}
	if err != nil {
		c.Close()
	}
	return n, err
}

// WriteMsg implements [sip.Connection].
func (c *conn) WriteMsg(m sip.Message) error {
	b := buffers.Get().(*bytes.Buffer)
	defer buffers.Put(b)
	b.Reset()
	m.StringWrite(b)
	if _, err := c.write(b.Bytes()); err != nil {
		return fmt.Errorf("send to %s: %w", c.peer, err)
	}
	return nil
}

// Close implements [sip.Connection]: nobody finds it any more, and its reading ends.
func (c *conn) Close() error {
	c.e.streams.remove(c)
	return c.Conn.Close()
}

// Ref implements [sip.Connection]; a connection does not end with its users.
func (c *conn) Ref(int) int { return 1 }

// TryClose implements [sip.Connection].
func (c *conn) TryClose() (int, error) { return 1, nil }
