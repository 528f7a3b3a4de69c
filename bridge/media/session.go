package media

import (
	"errors"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

// flowKind is one of the two flows of a side.
type flowKind uint8

const (
	rtpFlow flowKind = iota
	rtcpFlow
)

// Session relays one media stream. It is safe for concurrent use.
//
// The source of each flow (RTP and RTCP apart) is learnt from what comes, because an address in SDP may be behind a
// translator: at once from the host that SDP names, the one that the side's signalling comes from, and the user's own
// networks. From then on only that address and port is heard; who is named better takes over, and one of those that was
// silent for 2 s may be followed by another. A host that nobody named is followed only where the SDP misleads or while
// there is no answer yet, and if it is the only one; see [Notice].
type Session struct {
	// Set once.
	relay *Relay
	began time.Time
	conns [2][2]*net.UDPConn // by Side and flowKind
	local [2][2]netip.AddrPort

	ends [2]end // by Side

	admit atomic.Uint32 // an Admission as bits

	running sync.WaitGroup
	closing sync.Once
	closed  error // set by closing
}

// end is what is known of one side.
type end struct {
	mu        sync.Mutex
	peers     [2]peer // guarded by mu; by flowKind
	heard     time.Time
	stats     Stats // without Lost and Jitter
	rtp       reception
	mux       bool // RTCP to this side goes to its RTP port
	flash     flashWatch
	sideTrust sideTrust
	// notice may be nil
	notice func(Notice, netip.AddrPort)
	// unreachable is trust.unreachable, to be read without the lock
	unreachable atomic.Bool
}

func newSession(r *Relay) (*Session, error) {
	s := &Session{relay: r, began: time.Now()}
	for side, addr := range r.addrs {
		s.ends[side].sideTrust.networks = r.from
		pair, err := r.bind(addr)
		if err != nil {
			return nil, errors.Join(err, s.closeSockets())
		}
		s.conns[side] = pair
		for f, c := range pair {
			s.local[side][f] = c.LocalAddr().(*net.UDPAddr).AddrPort()
		}
	}
	return s, nil
}

func (s *Session) start() {
	for _, side := range [2]Side{AdapterSide, ServiceSide} {
		for _, f := range [2]flowKind{rtpFlow, rtcpFlow} {
			s.running.Go(func() { s.forward(side, f) })
		}
	}
}

// Local returns the RTP address and port to be written into the SDP that goes to that side; RTCP is the next port.
func (s *Session) Local(side Side) netip.AddrPort { return s.local[side][rtpFlow] }

// Expect sets where that side said (in its SDP) it receives RTP and RTCP; packets go there until a source is learnt
// from that side's packets. A new offer that changes the address makes the session learn again. An RTCP address that is
// zero means the port after RTP's; if it is RTP's own, reports to that side go out from and to its RTP port, whichever
// port they came to (RFC 5761). An address that cannot be sent to (unspecified, port 0, our own) counts as none.
func (s *Session) Expect(side Side, rtp, rtcp netip.AddrPort) {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	now := time.Now()
	e.mux = rtp.IsValid() && rtcp == rtp
	rtp, rtcp = s.reachable(rtp), s.reachable(rtcp)
	if rtp != e.peers[rtpFlow].expected {
		e.sideTrust.unreachable = false
		e.unreachable.Store(false)
	}
	e.peers[rtpFlow].expect(rtp, now)
	e.peers[rtcpFlow].expect(rtcp, now)
	e.reviewLocked()
}

// Trust sets the host that the side's signalling comes from; its media may come from there too, at whatever port,
// whatever SDP says. The zero address is none.
func (s *Session) Trust(side Side, signalling netip.Addr) {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.sideTrust.signalling = signalling.Unmap()
	e.reviewLocked()
}

// Negotiate sets the payload types that were offered or answered. A host that nobody named is followed only if it sends
// one of them.
func (s *Session) Negotiate(types PayloadTypes) {
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		e.sideTrust.types = types
		e.mu.Unlock()
	}
}

// Answered says that an offer was answered: on both sides latching begins anew, and from now on a host that nobody
// named is followed only where the SDP misleads.
func (s *Session) Answered() {
	now := time.Now()
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		e.sideTrust.answered = true
		for f := range e.peers {
			e.peers[f].restartLatching(now)
		}
		e.reviewLocked()
		e.mu.Unlock()
	}
}

// SetEmergency says that this is an answered emergency call: once a side was silent for as long as patience, whoever
// sends three packets in a row as that side is taken for it.
func (s *Session) SetEmergency(patience time.Duration) {
	now := time.Now()
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		e.sideTrust.emergencySince, e.sideTrust.silenceLimit = now, patience
		e.mu.Unlock()
	}
}

// Notice is something that people are to know of a side's media.
type Notice uint8

// The notices.
const (
	// Contested: two hosts that nobody named claimed the stream, so that none of them is followed before SDP or an
	// answer makes a new beginning.
	Contested Notice = iota
	// Relaxed: a host that nobody named was taken, because an emergency call had no sound from that side.
	Relaxed
	// Ignored: a host that nobody named sends what seems to be the sound of a side from which nothing else came since
	// the answer. It is dropped.
	Ignored
)

// Watch has notice called when there is something to tell of a side, with the source that it is about. It is called
// between two packets and must not block. Nil: nobody is told.
func (s *Session) Watch(side Side, notice func(Notice, netip.AddrPort)) {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.notice = notice
}

// reviewLocked takes back what is no longer so after what is known of the side has changed.
func (e *end) reviewLocked() {
	rtp, rtcp := &e.peers[rtpFlow], &e.peers[rtcpFlow]
	rtp.review(&e.sideTrust)
	if rtcp.reporter(rtcp.learnt, rtp, &e.sideTrust) == unknownHost {
		rtcp.forget()
	}
}

// Admission is what a session relays beside RTP and RTCP.
type Admission struct {
	// DTLS records (RFC 5764): the keys of SRTP are agreed on between the two ends.
	DTLS bool
	// Datagrams of any kind on the RTP port: UDPTL (T.38), in DTLS or not. They are not looked into.
	Datagrams bool
}

// Admit sets what is relayed beside RTP and RTCP; nothing else at first.
func (s *Session) Admit(a Admission) {
	var bits uint32
	if a.DTLS {
		bits |= 1
	}
	if a.Datagrams {
		bits |= 2
	}
	s.admit.Store(bits)
}

func (s *Session) admission() Admission {
	bits := s.admit.Load()
	return Admission{DTLS: bits&1 != 0, Datagrams: bits&2 != 0}
}

// WatchFlash has report called once for each hook flash that this side sends as a telephone event of one of these
// payload types (event 16, RFC 4733). It is called between two packets and must not block. No types, or nil: nothing is
// watched. Encrypted RTP must not be watched.
func (s *Session) WatchFlash(from Side, types PayloadTypes, report func()) {
	e := &s.ends[from]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.flash.types, e.flash.report = types, report
}

// reachable returns the address in the form that sockets report, or zero. Our own ports are no destination: packets
// would circle.
func (s *Session) reachable(a netip.AddrPort) netip.AddrPort {
	if !a.IsValid() || a.Port() == 0 || a.Addr().IsUnspecified() {
		return netip.AddrPort{}
	}
	a = netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
	for _, side := range s.local {
		if a == side[rtpFlow] || a == side[rtcpFlow] {
			return netip.AddrPort{}
		}
	}
	return a
}

// LastHeard returns when the last valid RTP or RTCP packet came from that side; the zero time if never. It has a
// monotonic reading.
func (s *Session) LastHeard(side Side) time.Time {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.heard
}

// LastSound is LastHeard for what came to the RTP port.
func (s *Session) LastSound(side Side) time.Time {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.peers[rtpFlow].heard
}

// Stats returns the counters of what came from that side.
func (s *Session) Stats(side Side) Stats {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	st := e.stats
	st.Lost, st.Jitter = e.rtp.lost(), e.rtp.jitter>>4
	return st
}

// Close frees the ports and waits for the session's goroutines. A second Close waits too and returns the same.
func (s *Session) Close() error {
	s.closing.Do(func() {
		s.closed = s.closeSockets()
		s.running.Wait()
		s.relay.forget(s)
	})
	return s.closed
}

func (s *Session) closeSockets() error {
	var errs []error
	for _, side := range s.conns {
		for _, c := range side {
			if c != nil {
				errs = append(errs, c.Close())
			}
		}
	}
	return errors.Join(errs...)
}

// Stats counts what came from one side.
type Stats struct {
	// Packets and Bytes are RTP, headers included; RTCPPackets are RTCP datagrams; Datagrams are DTLS and UDPTL.
	Packets, Bytes, RTCPPackets, Datagrams uint64
	// UnknownSource came from another address than the learnt one and were dropped; so did those on Probation, of a
	// source that may become the learnt one. Invalid were no RTP or RTCP, nor what else was admitted.
	UnknownSource, Probation, Invalid uint64
	// Contests are how often two hosts that nobody named claimed the stream.
	Contests uint64
	// Unsent were valid and counted, but the other side's address is not known or the system refused to send.
	Unsent uint64
	// Lost by sequence number (RFC 3550 appendix A.3), over all sources of the side; negative when packets came
	// doubled. Jitter of the present source by appendix A.8, in timestamp units.
	Lost   int64
	Jitter uint32
}
