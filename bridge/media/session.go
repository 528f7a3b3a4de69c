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

// Session relays one media stream. Safe for concurrent use.
//
// The source of each flow (RTP and RTCP separately) is learnt from its packets, because an address in SDP may be behind
// a NAT. A source is learnt at once if its host is the one in the SDP, the one that the side's signalling comes from,
// or in one of the user's networks. From then on, only packets from the learnt address and port pass. A source of
// higher standing takes over at once. After the learnt source has been silent for 2 s, another source at one of these
// hosts may replace it. A source at an unknown host (any other host) is followed only if the SDP is misleading or there
// is no answer yet, and only if it is the only one. See [Notice].
type Session struct {
	// Set once.
	relay *Relay
	began time.Time
	conns [2][2]*net.UDPConn // by Side and flowKind
	local [2][2]netip.AddrPort

	ends [2]end // by Side

	admit atomic.Uint32 // bits of an Admission

	running sync.WaitGroup
	waited  bool        // set once: conns may hold packets that arrived before the session began
	leaving atomic.Bool // another process takes over, so nothing more is read
	closing sync.Once
	closed  error // set by closing
}

// end is the state of one side.
type end struct {
	mu         sync.Mutex
	peers      [2]peer // guarded by mu; by flowKind
	lastPacket time.Time
	stats      Stats // without what reception counts
	rtp        reception
	mux        bool // RTCP to this side goes to its RTP port
	payload    Payload
	events     eventWatch
	sideTrust  sideTrust
	// resumedFrom is where RTP came from in an earlier process; resumed: it has come from there again
	resumedFrom netip.AddrPort
	resumed     bool
	// notice may be nil.
	notice func(Notice, netip.AddrPort)
	// unreachable is sideTrust.unreachable, readable without the lock.
	unreachable atomic.Bool
}

func newSession(r *Relay, bind func(Side) ([2]*net.UDPConn, error)) (*Session, error) {
	s := &Session{relay: r, began: time.Now()}
	for side := range r.addrs {
		s.ends[side].sideTrust.networks = r.from
		pair, err := bind(Side(side))
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
	for _, side := range []Side{AdapterSide, ServiceSide} {
		for _, f := range []flowKind{rtpFlow, rtcpFlow} {
			s.running.Go(func() { s.forward(side, f) })
		}
	}
}

// Local returns the RTP address and port for the SDP that goes to that side. RTCP uses the next port.
func (s *Session) Local(side Side) netip.AddrPort { return s.local[side][rtpFlow] }

// Expect sets the addresses at which that side receives RTP and RTCP, as given in its SDP. Packets go there until a
// source is learnt from the side's own packets. A new offer that changes the address restarts learning. If rtcp is
// zero, it is the port after that of rtp. If rtcp equals rtp, all RTCP to that side is sent from our RTP port to its
// RTP port (RFC 5761). An address that cannot be a destination (unspecified, port 0, our own) counts as none.
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

// Trust sets the host that the side's signalling comes from. The side's media may come from that host too, from any
// port and whatever the SDP says. The zero address means none.
func (s *Session) Trust(side Side, signalling netip.Addr) {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.sideTrust.signalling = signalling.Unmap()
	e.reviewLocked()
}

// Negotiate sets the payload types that were offered or answered. A source at an unknown host is followed only if it
// sends one of them.
func (s *Session) Negotiate(types PayloadTypes) {
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		e.sideTrust.types = types
		e.mu.Unlock()
	}
}

// Answered records that an offer was answered. Latching restarts on both sides. From now on, a source at an unknown
// host is followed only if the SDP is misleading.
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

// SetEmergency records that this is an answered emergency call. After a side has been silent for patience, any source
// that sends three packets in a row is accepted for that side.
func (s *Session) SetEmergency(patience time.Duration) {
	now := time.Now()
	for i := range s.ends {
		e := &s.ends[i]
		e.mu.Lock()
		e.sideTrust.emergencySince, e.sideTrust.silenceLimit = now, patience
		e.mu.Unlock()
	}
}

// Notice is an event in a side's media that people should know of.
type Notice uint8

// The values of Notice.
const (
	// Contested: two sources at unknown hosts claimed the stream. Neither is followed until SDP or an answer restarts
	// latching.
	Contested Notice = iota
	// Relaxed: a source at an unknown host was accepted, because an emergency call had no sound from that side.
	Relaxed
	// Ignored: a source at an unknown host sends what seems to be the sound of a side from which nothing else has
	// arrived since the answer. Its packets are dropped.
	Ignored
)

// Watch sets the function that is called with each notice about a side and the source that it concerns. It is called
// between two packets and must not block. It may be nil.
func (s *Session) Watch(side Side, notice func(Notice, netip.AddrPort)) {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.notice = notice
}

// reviewLocked applies a change of what is known of the side to the sources learnt so far.
func (e *end) reviewLocked() {
	rtp, rtcp := &e.peers[rtpFlow], &e.peers[rtcpFlow]
	rtp.review(&e.sideTrust)
	if rtcp.reporter(rtcp.learnt, rtp, &e.sideTrust) == unknownHost {
		rtcp.forget()
	}
}

// Admission says what a session relays in addition to RTP and RTCP.
type Admission struct {
	// DTLS admits DTLS records (RFC 5764), by which the two ends agree on the keys of SRTP.
	DTLS bool
	// Datagrams admits datagrams of any kind on the RTP port: UDPTL (T.38), with or without DTLS. Their content is not
	// checked.
	Datagrams bool
}

// Admit sets what is relayed in addition to RTP and RTCP. Until then, nothing is.
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

// reachable returns the address in the form that sockets report, or zero if it cannot be a destination. Our own ports
// cannot, because packets would circle.
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

// LastHeard returns when the last valid RTP or RTCP packet arrived from that side. It returns the zero time if none
// has. The time has a monotonic reading.
func (s *Session) LastHeard(side Side) time.Time {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.lastPacket
}

// LastSound is LastHeard for the RTP port only.
func (s *Session) LastSound(side Side) time.Time {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.peers[rtpFlow].lastPacket
}

// Close closes the ports and waits for the session's goroutines. A second Close waits too and returns the same error.
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
