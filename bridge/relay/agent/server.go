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
)

// ServerOptions of a [Server]. The times and numbers are our own figures.
type ServerOptions struct {
	// AllowFrom are the networks whose machines may connect. Empty: none.
	AllowFrom []netip.Prefix
	// MaxConnections at a time; 0 means 16. When all are taken, a new one takes the place of another, so that neither a
	// master whose machine died nor an address with many connections keeps anybody out: see [Server].
	MaxConnections int
	// Idle ends a connection that asks nothing; 0 means 1 min.
	Idle time.Duration
	// Slow ends a connection whose request is not complete, or whose answer is not taken, in this time; 0 means 2 s.
	Slow time.Duration
}

const (
	defaultConnections = 16
	defaultIdle        = time.Minute
	defaultSlow        = 2 * time.Second
	// refusalsEvery is how often refused peers are reported: our own figure.
	refusalsEvery = time.Minute
)

// Server serves an agent's register map by Modbus TCP.
//
// It is our own, since a contact's safety hangs on what general servers leave out: peers are judged by their address
// before a byte of theirs is read, connections are bounded without letting dead ones keep masters out, each has limits
// for idling, for half a request and for answers that are not taken, requests sent ahead are done in their order, and
// what may have waited while the process stood still opens nothing. Nor does what came by a connection that is older
// than the one by which the contact was closed last. When the younger one has ended, as that of clearback close does at
// once, such an older one is ended too, so that its master begins anew before it needs to open.
//
// Each address has its share of the connections. When all are taken, one gives way of the address that has most. If
// that has no more than the address of the new connection would then have, only one gives way that was silent for the
// watchdog's time. One with an opening in progress goes last, and of the others the one that is silent longest goes
// first.
type Server struct {
	agent *Agent
	opt   ServerOptions

	running    sync.WaitGroup
	mu         sync.Mutex
	closed     bool
	l          net.Listener
	peers      map[*peer]struct{}
	masters    uint64    // counts the connections that were taken
	refused    int       // since they were told last
	reportedAt time.Time // when
}

// peer is one connection, and a master.
type peer struct {
	conn            net.Conn
	from            netip.Addr
	master          *Master
	standstillCount uint64
}

// NewServer returns a server; only before the agent's Start.
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

// Serve accepts connections until Close, and returns then. A listener that fails for a while is tried again.
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
		case err != nil: // no file descriptors, mostly
			t := time.NewTimer(pause)
			<-t.C
			pause = min(2*pause, time.Second)
			continue
		}
		pause = 10 * time.Millisecond
		s.admit(conn, fresh)
	}
}

// drainFor is for how long connections are ended that may have waited to be accepted: our own figure. Those that did
// are there at once.
const drainFor = 50 * time.Millisecond

// drain ends the connections that waited to be accepted while the process stood still, however late it gets at them,
// and returns the number that those which come from now on are fresh by.
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
		if time.Since(began) < 2*drainFor && s.agent.StandstillCount() == fresh { // else the time may have gone by without a look
			return fresh
		}
	}
}

// Close ends all connections and waits for their goroutines, at most until ctx ends.
func (s *Server) Close(ctx context.Context) {
	s.mu.Lock()
	s.closed = true
	if s.l != nil {
		_ = s.l.Close() // no more than closed
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

// admit takes a connection that was accepted when the process was fresh by that number.
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
		s.refuse(conn, fmt.Sprintf("%v would be connection %d, and none of the others gives way", from, len(s.peers)+1))
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

// renewLocked ends the older connections whose next opening would be refused because the peer, which has gone, closed
// the contact since.
func (s *Server) renewLocked(gone *peer) {
	for p := range s.peers {
		both := p.master.drives.Load() & gone.master.drives.Load()
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
		return netip.Addr{} // in no network
	}
	return a.Addr().Unmap().WithZone("")
}

// makeRoom ends the connection that gives way to one from that address, if there is one.
func (s *Server) makeRoom(from netip.Addr) bool {
	each := map[netip.Addr]int{from: 1} // the new one
	for p := range s.peers {
		each[p.from]++
	}
	var first *peer
	var holds bool // it has an opening in progress
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

// goesBefore reports whether p gives way before q does.
func goesBefore(p, q *peer, pHolds, qHolds bool, each map[netip.Addr]int) bool {
	switch {
	case pHolds != qHolds:
		return qHolds
	case each[p.from] != each[q.from]:
		return each[p.from] > each[q.from]
	}
	return p.master.last().Before(q.master.last())
}

// refuse ends a connection. Refusals are told of once a minute.
func (s *Server) refuse(conn net.Conn, why string) {
	reset(conn)
	s.refused++
	if now := time.Now(); now.Sub(s.reportedAt) >= refusalsEvery {
		s.agent.opt.Notify(Notice{Kind: PeerRefused, Err: fmt.Errorf("%s (%d refused since the last report)", why,
			s.refused)})
		s.refused, s.reportedAt = 0, now
	}
}

// reset ends a connection and throws away what was not read or not delivered.
func reset(conn net.Conn) {
	if t, ok := conn.(*net.TCPConn); ok {
		_ = t.SetLinger(0) // fails only on a socket that is gone already
	}
	_ = conn.Close()
}

// resetAll ends all connections after the process stood still, and has Serve look for those that wait.
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

// serve answers the requests of one connection in their order.
func (s *Server) serve(p *peer) {
	defer p.conn.Close()
	var buf [headerLen + mostPDU]byte
	var out []byte
	r := bufio.NewReaderSize(p.conn, len(buf))
	for {
		if r.Buffered() == 0 {
			_ = p.conn.SetReadDeadline(time.Now().Add(s.opt.Idle)) // fails only on a closed connection, and so does the read
		}
		if _, err := r.Peek(1); err != nil {
			return
		}
		_ = p.conn.SetReadDeadline(time.Now().Add(s.opt.Slow))
		f, err := readFrame(r, &buf)
		if err != nil {
			return
		}
		stale := s.agent.StandstillCount() != p.standstillCount
		if stale && opens(f.pdu) {
			reset(p.conn)
			return
		}
		out = appendFrame(out[:0], f, s.agent.answer(p.master, f.pdu))
		_ = p.conn.SetWriteDeadline(time.Now().Add(s.opt.Slow))
		if _, err := p.conn.Write(out); err != nil || stale {
			reset(p.conn)
			return
		}
		if p.master.overtaken.Load() {
			return // with its answer, so that a master who lives begins anew
		}
	}
}
