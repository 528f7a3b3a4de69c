package agent

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"slices"
	"sync"
	"time"

	"clearback/bridge/relay/modbus/codec"
)

// ServerOptions are the options of a [Server]. The default times and numbers are our own figures.
type ServerOptions struct {
	// AllowFrom lists the networks whose machines may connect. If it is empty, no machine may.
	AllowFrom []netip.Prefix
	// MaxConnections is the largest number of connections; 0 means 16. If all are taken, a new connection replaces
	// another one, so that neither dead masters nor one address with many connections can keep a master out. See
	// [Server].
	MaxConnections int
	// Idle is the time without a request after which a connection is ended; 0 means 1 min.
	Idle time.Duration
	// Slow is the longest time for the rest of a request to arrive, and for an answer to be accepted; 0 means 2 s.
	// After that the connection is ended.
	Slow time.Duration
}

const (
	defaultConnections = 16
	defaultIdle        = time.Minute
	defaultSlow        = 2 * time.Second
	// refusalsEvery is the shortest time between two reports of refused peers; our own figure.
	refusalsEvery = time.Minute
)

// Server serves an agent's register map by Modbus TCP.
//
// It is our own server because general ones lack features on which a contact's safety depends:
//
//   - A peer's address is checked before any of its bytes is read.
//   - The number of connections is bounded, yet dead connections cannot keep masters out.
//   - Each connection has time limits for idling, for an incomplete request and for an answer that the peer does not
//     read.
//   - Pipelined requests are carried out in their order.
//   - A request that may have waited while the process stood still opens nothing.
//   - Nor does a request on a connection that is older than the one by which the contact was last closed. When the
//     younger connection has ended (clearback close ends its connection at once), the older one is ended too, so that
//     its master reconnects before it needs to open.
//
// Each address has its share of the connections. If all connections are taken, the server ends a connection of the
// address that has the most. If that address has no more than the new connection's address would have, only a
// connection that was silent for the watchdog time may be ended. A connection with an opening in progress is ended
// last. Among the others, the one that was silent longest is ended first.
type Server struct {
	agent *Agent
	opt   ServerOptions

	running    sync.WaitGroup
	mu         sync.Mutex
	closed     bool
	l          net.Listener
	peers      map[*peer]struct{}
	masters    uint64    // number of connections admitted so far
	refused    int       // since the last report
	reportedAt time.Time // time of the last report
}

// peer is one connection, and a master.
type peer struct {
	conn            net.Conn
	from            netip.Addr
	master          *Master
	standstillCount uint64
}

// NewServer returns a server. It may be called only before the agent's Start.
func NewServer(a *Agent, o ServerOptions) *Server {
	if o.MaxConnections == 0 {
		o.MaxConnections = defaultConnections
	}
	if o.Idle == 0 {
		o.Idle = defaultIdle
	}
	if o.Slow == 0 {
		o.Slow = defaultSlow
	}
	s := &Server{agent: a, opt: o, peers: map[*peer]struct{}{}}
	a.onStandstill(s.resetAll)
	return s
}

// Serve accepts connections until Close. If the listener fails temporarily, Serve tries again.
func (s *Server) Serve(l net.Listener) error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return l.Close()
	}
	s.l = l
	s.running.Add(1)
	s.mu.Unlock()
	defer s.running.Done()
	pause, fresh := 10*time.Millisecond, s.agent.StandstillCount()
	for {
		conn, err := l.Accept()
		now := s.agent.StandstillCount()
		switch {
		case errors.Is(err, net.ErrClosed):
			return nil
		case now != fresh || errors.Is(err, os.ErrDeadlineExceeded): // resetAll sets a deadline, perhaps a little later
			if err == nil {
				reset(conn)
			}
			fresh = s.drain(l)
			continue
		case err != nil: // usually: out of file descriptors
			t := time.NewTimer(pause)
			<-t.C
			pause = min(2*pause, time.Second)
			continue
		}
		pause = 10 * time.Millisecond
		s.admit(conn, fresh)
	}
}

// drainFor is how long connections that may have waited to be accepted are ended; our own figure. A connection that
// waited is accepted immediately.
const drainFor = 50 * time.Millisecond

// drain ends the connections that waited to be accepted while the process stood still. It takes as long as it needs for
// that. It returns the standstill count that later connections start from.
func (s *Server) drain(l net.Listener) uint64 {
	d, ok := l.(interface{ SetDeadline(time.Time) error })
	if !ok {
		return s.agent.StandstillCount()
	}
	defer d.SetDeadline(time.Time{})
	for {
		fresh, began := s.agent.StandstillCount(), time.Now()
		_ = d.SetDeadline(began.Add(drainFor)) // fails only on a closed listener, and so does the next call
		conn, err := l.Accept()
		for ; err == nil; conn, err = l.Accept() {
			reset(conn)
		}
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			return fresh
		}
		// Otherwise drain itself was delayed, and may have missed connections.
		if time.Since(began) < 2*drainFor && s.agent.StandstillCount() == fresh {
			return fresh
		}
	}
}

// Close ends all connections and waits for their goroutines, at most until ctx ends.
func (s *Server) Close(ctx context.Context) {
	s.mu.Lock()
	s.closed = true
	if s.l != nil {
		_ = s.l.Close() // the only error is that it is closed already
	}
	for p := range s.peers {
		_ = p.conn.Close()
	}
	s.mu.Unlock()
	done := make(chan struct{})
	go func() {
		s.running.Wait()
		close(done)
	}()
	select {
	case <-done:
	case <-ctx.Done():
	}
}

// admit admits a connection. The number fresh is the standstill count at which it was accepted.
func (s *Server) admit(conn net.Conn, fresh uint64) {
	from := remote(conn)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closed:
		reset(conn)
		return
	case !s.allowed(from):
		s.refuse(conn, fmt.Sprintf("%v is not in allow_from", from))
		return
	case len(s.peers) >= s.opt.MaxConnections && !s.makeRoom(from):
		s.refuse(conn, fmt.Sprintf("%v would be connection %d, and no other connection may be ended for it", from,
			len(s.peers)+1))
		return
	}
	p := &peer{conn: conn, from: from, master: NewMaster(conn.RemoteAddr().String()), standstillCount: fresh}
	s.masters++
	p.master.order = s.masters
	s.peers[p] = struct{}{}
	s.running.Go(func() {
		s.agent.Guard(func() { s.serve(p) })
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.peers, p)
		s.renewLocked(p)
	})
}

// renewLocked ends each older connection whose next opening would be refused because the peer gone, which has
// disconnected, has closed the same contact.
func (s *Server) renewLocked(gone *peer) {
	for p := range s.peers {
		both := p.master.contacts.Load() & gone.master.contacts.Load()
		if p.master.order < gone.master.order && both != 0 && !s.agent.hasOpening(p.master) {
			reset(p.conn)
		}
	}
}

func (s *Server) allowed(a netip.Addr) bool {
	return slices.ContainsFunc(s.opt.AllowFrom, func(p netip.Prefix) bool { return p.Contains(a) })
}

func remote(conn net.Conn) netip.Addr {
	a, err := netip.ParseAddrPort(conn.RemoteAddr().String())
	if err != nil {
		return netip.Addr{} // such an address is in no network
	}
	return a.Addr().Unmap().WithZone("")
}

// makeRoom ends one connection in favour of a new one from the given address. It reports whether it found one to end.
func (s *Server) makeRoom(from netip.Addr) bool {
	each := map[netip.Addr]int{from: 1} // counts the new connection
	for p := range s.peers {
		each[p.from]++
	}
	var first *peer
	var holds bool // first has an opening in progress
	for p := range s.peers {
		silent := time.Since(p.master.last()) >= s.agent.Watchdog()
		if each[p.from] < each[from] || each[p.from] == each[from] && !silent {
			continue
		}
		h := s.agent.hasOpening(p.master)
		if first == nil || goesBefore(p, first, h, holds, each) {
			first, holds = p, h
		}
	}
	if first == nil {
		return false
	}
	reset(first.conn)
	delete(s.peers, first)
	return true
}

// goesBefore reports whether p is ended rather than q.
func goesBefore(p, q *peer, pHolds, qHolds bool, each map[netip.Addr]int) bool {
	switch {
	case pHolds != qHolds:
		return qHolds
	case each[p.from] != each[q.from]:
		return each[p.from] > each[q.from]
	}
	return p.master.last().Before(q.master.last())
}

// refuse ends a connection. It reports refusals at most once per refusalsEvery.
func (s *Server) refuse(conn net.Conn, why string) {
	reset(conn)
	s.refused++
	if now := time.Now(); now.Sub(s.reportedAt) >= refusalsEvery {
		s.agent.opt.Notify(Notice{Kind: PeerRefused, Err: fmt.Errorf("%s (%d refused since the last report)", why,
			s.refused)})
		s.refused, s.reportedAt = 0, now
	}
}

// reset ends a connection and discards data that was not read or not delivered.
func reset(conn net.Conn) {
	if t, ok := conn.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // fails only on a closed socket
	}
	_ = conn.Close()
}

// resetAll ends all connections after a standstill, and makes Serve drain those that wait to be accepted.
func (s *Server) resetAll() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d, ok := s.l.(interface{ SetDeadline(time.Time) error }); ok {
		_ = d.SetDeadline(time.Now()) // fails only on a closed listener
	}
	for p := range s.peers {
		reset(p.conn)
	}
}

// serve answers the requests of one connection in order.
func (s *Server) serve(p *peer) {
	defer p.conn.Close()
	var out []byte
	r := bufio.NewReaderSize(p.conn, codec.MaxTCP)
	for {
		if r.Buffered() == 0 {
			_ = p.conn.SetReadDeadline(time.Now().Add(s.opt.Idle)) // fails only on a closed connection
		}
		if _, err := r.Peek(1); err != nil {
			return
		}
		_ = p.conn.SetReadDeadline(time.Now().Add(s.opt.Slow))
		f, err := codec.ReadTCPRequest(r)
		if err != nil {
			return
		}
		stale := s.agent.StandstillCount() != p.standstillCount
		if stale && opens(f.PDU) {
			reset(p.conn)
			return
		}
		f.PDU = s.agent.answer(p.master, f.PDU)
		out = codec.AppendTCP(out[:0], f)
		_ = p.conn.SetWriteDeadline(time.Now().Add(s.opt.Slow))
		if _, err := p.conn.Write(out); err != nil || stale {
			reset(p.conn)
			return
		}
		if p.master.overtaken.Load() {
			return // after its answer, so that a master that is alive reconnects
		}
	}
}
