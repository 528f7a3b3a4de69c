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

// This file implements the TCP side. The library's own transport does not limit connections or the time that a message
// takes. It also parses while it reads, and files each connection under our own address too.

// writeLimit is how long a TCP peer may refuse our bytes before we close its connection. Our own number: a live peer
// empties its window within a round trip.
const writeLimit = 5 * time.Second

// silenceLimit is how long bytes may stay unacknowledged before the kernel ends the connection. A peer that vanished
// without closing it (power failure, broken cable, restarted NAT) would otherwise swallow every call for a quarter of
// an hour. Our own number: it leaves time to send a lost segment five times, and the second call after the loss finds a
// new connection.
const silenceLimit = 5 * time.Second

// conn is one TCP connection, in the form that the library's transactions expect.
type conn struct {
	// set once
	net.Conn
	e        *Endpoint
	peer     netip.AddrPort
	accepted bool
	since    time.Time // when it was filed

	last atomic.Int64 // Unix nanoseconds of the last byte received or sent
}

var _ sip.Connection = (*conn)(nil)

// tcpConns holds the TCP connections. A connection lasts until one side closes it, it is silent too long, or another
// one needs its room.
type tcpConns struct {
	e        *Endpoint
	listener *net.TCPListener // nil if TCP is not served

	mu      sync.Mutex
	byPeer  map[netip.AddrPort]*conn
	open    map[*conn]struct{} // all connections; if two have the same peer, only the newer is in byPeer
	dialing map[netip.AddrPort]*pendingDial
	closed  bool
}

// pendingDial is a connection attempt that several callers may wait for.
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

// connTo returns the connection to a peer, or nil if there is none.
func (s *tcpConns) connTo(peer netip.AddrPort) *conn {
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
		return err // perhaps no file descriptors are left
	})
}

// accept files an accepted connection, or closes it.
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
		tcp.SetLinger(0) // leave nothing of it in the kernel
		tcp.Close()
		return
	}
	if raw, err := tcp.SyscallConn(); err != nil || limitUnacknowledged(raw, silenceLimit) != nil {
		// Without the option, a dead peer is only noticed later.
		e.log.Debug("a TCP connection has no limit for unacknowledged bytes")
	}
	s.add(&conn{Conn: tcp, e: e, peer: from, accepted: true})
}

func (s *tcpConns) endLocked(c *conn) {
	s.e.n.ended.Add(1)
	s.removeLocked(c)
	c.Conn.Close()
}

// add files a connection and starts to read it. It returns false if the endpoint is closed.
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

// remove removes a connection that has ended.
func (s *tcpConns) remove(c *conn) {
	s.mu.Lock()
	s.removeLocked(c)
	closed := s.closed
	s.mu.Unlock()
	if report := s.e.o.Disconnected; report != nil && !closed && !c.accepted {
		report(c.peer, time.Since(c.since))
	}
}

func (s *tcpConns) removeLocked(c *conn) {
	delete(s.open, c)
	if s.byPeer[c.peer] == c {
		delete(s.byPeer, c.peer)
	}
}

// dial returns the connection to a peer. It makes one if there is none.
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

// close closes all connections and refuses new ones. While the endpoint is paused, it resets them: this machine has
// acknowledged what nobody will read, and an orderly end would hide that from the peers.
func (s *tcpConns) close() error {
	var err error
	if s.listener != nil {
		err = s.listener.Close()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	for c := range s.open {
		if tcp, ok := c.Conn.(*net.TCPConn); ok && s.e.paused.isOn() {
			_ = tcp.SetLinger(0) // an error means that it is closed
		}
		c.Conn.Close()
	}
	return err
}

func (c *conn) touch() { c.last.Store(time.Now().UnixNano()) }

// read reads messages until one side closes the connection.
func (c *conn) read() {
	defer c.e.streams.remove(c)
	defer c.Conn.Close()
	defer c.e.recoverPanic()
	var f framer
	var began time.Time // start of an incomplete message
	b := make([]byte, 4096)
	var full bool      // the last read filled b
	var before Arrival // arrival of what the last read returned
	for {
		if c.Conn.SetReadDeadline(c.readDeadline(began)) != nil {
			return
		}
		reading := c.e.arrivals.now()
		n, err := c.Conn.Read(b)
		switch {
		case err == nil:
		case errors.Is(err, os.ErrDeadlineExceeded) && time.Now().Before(c.readDeadline(began)):
			continue // we wrote something meanwhile, or the source has become known
		default:
			c.ended(err, !began.IsZero())
			return
		}
		c.touch()
		f.write(b[:n])
		came := c.e.arrivals.arrivalOf(reading, 0)
		if full { // it may have arrived together with the bytes that filled the buffer
			came = min(came, before)
		}
		full, before = n == len(b), came
		took, ok := c.pass(&f, came)
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

// readDeadline returns the time by which the next bytes have to arrive.
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

// ended counts a connection that we closed because of a timeout; within reports whether a message was incomplete.
func (c *conn) ended(err error, within bool) {
	switch {
	case !errors.Is(err, os.ErrDeadlineExceeded):
	case within:
		c.e.n.slow.Add(1)
	default:
		c.e.n.idle.Add(1)
	}
}

// pass calls take once the endpoint is not paused. If the endpoint is closed meanwhile, what was read is lost.
func (c *conn) pass(f *framer, came Arrival) (took, ok bool) {
	c.e.paused.enter()
	defer c.e.paused.passing.Add(-1)
	if c.e.closed.Load() {
		return false, false
	}
	return c.take(f, came)
}

// take processes all complete messages. took reports whether there was one, ok whether the connection stays open.
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
			return took, false // a stream with gaps is useless to both sides
		}
		switch {
		case ping:
			c.write([]byte("\r\n")) // if that fails, it closes the connection and the reading ends
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

// write writes all of b. If that fails it closes the connection, because nothing can follow an incomplete message.
func (c *conn) write(b []byte) error {
	c.touch()
	err := c.Conn.SetWriteDeadline(time.Now().Add(writeLimit))
	if err == nil {
		_, err = c.Conn.Write(b)
	}
	if err != nil {
		c.Close()
	}
	return err
}

// WriteMsg implements [sip.Connection].
func (c *conn) WriteMsg(m sip.Message) error {
	b := buffers.Get().(*bytes.Buffer)
	defer buffers.Put(b)
	b.Reset()
	m.StringWrite(b)
	if err := c.write(b.Bytes()); err != nil {
		return fmt.Errorf("send to %s: %w", c.peer, err)
	}
	return nil
}

// Close implements [sip.Connection]. The connection is no longer used for new messages, and its reading ends.
func (c *conn) Close() error {
	c.e.streams.remove(c)
	return c.Conn.Close()
}

// Ref implements [sip.Connection]. It counts nothing: a connection outlives the transactions that use it.
func (c *conn) Ref(int) int { return 1 }

// TryClose implements [sip.Connection].
func (c *conn) TryClose() (int, error) { return 1, nil }
