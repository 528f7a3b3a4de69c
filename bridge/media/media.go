// Package media relays RTP and RTCP between the adapter and the service side without re-encoding, and counts the
// packets.
//
// A packet is relayed unchanged, byte for byte; pion/rtp reads its header. Of a payload that is not encrypted, only
// telephone events and the level of G.711 are read, and nothing is kept. A packet that is not RTP or RTCP of version 2
// (RFC 3550) is dropped and counted. SRTP has RTP's header, so it passes. DTLS and T.38's UDPTL pass if the
// session admits them. STUN never passes.
//
// Sound is taken from, and sent to, the signalled address, its host, or the address that the side's signalling comes
// from. Another source is followed only if exactly one candidate sends packets of a negotiated type in sequence; two
// candidates are reported, and neither is followed. In an answered emergency call that is silent, any source is taken.
//
// The files:
//
//	session.go     Session: the two sides of one stream, their addresses and counters
//	forward.go     from one socket to the other
//	peer.go        which source is that of a side
//	packet.go      what kind of packet it is
//	ports.go       the ports
//	reception.go   jitter and loss
//	payload.go     clock rates, telephone events, comfort noise
//	level.go       the level of G.711
//	stats.go       what is counted
//	saved.go       a session that another process began
package media

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"clearback/bridge/socketstore"
)

// Side is one of the two sides of a session.
type Side uint8

// The sides.
const (
	AdapterSide Side = iota
	ServiceSide
)

// ErrClosed means that the relay is closed and opens no more sessions.
var ErrClosed = errors.New("media: the relay is closed")

// Options are the options of a [Relay].
type Options struct {
	// AdapterAddr and ServiceAddr are the local addresses towards the two sides. They are written into SDP, so 0.0.0.0
	// and [::] are not allowed.
	AdapterAddr, ServiceAddr netip.Addr
	// PortLow and PortHigh bound the range of RTP and RTCP ports, inclusive. RTP uses even ports, RTCP the next odd
	// port (RFC 3550 section 11). If both sides have the same local address, a session uses two pairs of that address.
	// Otherwise it uses one pair at each address.
	PortLow, PortHigh uint16
	// From holds networks whose hosts may send the media of either side, whatever the SDP says.
	From []netip.Prefix
	// Sockets has the ports that an earlier process kept, for [Relay.Resume]; nil means none.
	Sockets *socketstore.Store
}

// Relay opens sessions. Safe for concurrent use.
type Relay struct {
	// Set once.
	addrs [2]netip.Addr // by Side
	ports portRange
	from  []netip.Prefix
	kept  *socketstore.Store

	mu          sync.Mutex
	closed      bool                         // guarded by mu
	sessions    map[*Session]struct{}        // guarded by mu
	ended       Counts                       // guarded by mu; counts of closed sessions
	coolingDown map[netip.AddrPort]time.Time // guarded by mu; a released RTP port is not used again until that time
}

// Counts are the sums over both sides of all sessions of a relay, closed sessions included. For the fields, see
// [Stats].
type Counts struct {
	// Sessions is the number of sessions opened so far; Open is the number of those still open.
	Sessions, Open                            uint64
	Packets, Bytes, RTCPPackets, Datagrams    uint64
	UnknownSource, Probation, Invalid, Unsent uint64
	Contests                                  uint64
}

func (c *Counts) add(s Stats) {
	c.Packets, c.Bytes, c.RTCPPackets, c.Datagrams = c.Packets+s.Packets, c.Bytes+s.Bytes, c.RTCPPackets+s.RTCPPackets,
		c.Datagrams+s.Datagrams
	c.UnknownSource, c.Probation, c.Invalid, c.Unsent = c.UnknownSource+s.UnknownSource, c.Probation+s.Probation,
		c.Invalid+s.Invalid, c.Unsent+s.Unsent
	c.Contests += s.Contests
}

// Counts returns the current sums.
func (r *Relay) Counts() Counts {
	r.mu.Lock()
	defer r.mu.Unlock()
	c := r.ended
	c.Open = uint64(len(r.sessions))
	for s := range r.sessions {
		c.add(s.Stats(AdapterSide))
		c.add(s.Stats(ServiceSide))
	}
	return c
}

// Addr returns the local address towards that side.
func (r *Relay) Addr(side Side) netip.Addr { return r.addrs[side] }

// New returns a relay. It fails if an address is missing or unspecified, or if the port range has no even port with its
// next odd port.
func New(o Options) (*Relay, error) {
	r := &Relay{
		addrs:       [2]netip.Addr{AdapterSide: o.AdapterAddr.Unmap(), ServiceSide: o.ServiceAddr.Unmap()},
		ports:       portRange{low: o.PortLow, high: o.PortHigh},
		from:        slices.Clone(o.From),
		kept:        o.Sockets,
		sessions:    make(map[*Session]struct{}),
		coolingDown: make(map[netip.AddrPort]time.Time),
	}
	for side, name := range [2]string{AdapterSide: "adapter", ServiceSide: "service"} {
		if a := r.addrs[side]; !a.IsValid() || a.IsUnspecified() {
			return nil, fmt.Errorf("media: the %s side's address is %v; write one that this side can reach (media.%s_address)",
				name, a, name)
		}
	}
	if o.PortLow == 0 || r.ports.pairs() == 0 {
		return nil, fmt.Errorf("media: ports %d-%d contain no even port with its next odd port; widen media.ports",
			o.PortLow, o.PortHigh)
	}
	return r, nil
}

// NewSession binds a port pair on each side for one media stream. It fails if the range has no free pair, if an address
// does not belong to this machine, or if the relay is closed ([ErrClosed]).
func (r *Relay) NewSession() (*Session, error) {
	s, err := newSession(r, func(side Side) ([2]*net.UDPConn, error) { return r.bind(r.addrs[side]) })
	if err != nil {
		return nil, err
	}
	if err := r.add(s, true); err != nil {
		return nil, err
	}
	return s, nil
}

// Close closes all sessions and waits for their goroutines. A second Close does nothing.
func (r *Relay) Close() error { return r.closeAll((*Session).Close) }

// closeAll opens no more sessions and closes those that are open.
func (r *Relay) closeAll(closeOne func(*Session) error) error {
	r.mu.Lock()
	r.closed = true
	open := make([]*Session, 0, len(r.sessions))
	for s := range r.sessions {
		open = append(open, s)
	}
	r.mu.Unlock()
	var errs []error
	for _, s := range open {
		errs = append(errs, closeOne(s))
	}
	return errors.Join(errs...)
}

// forget removes a session, adds its counts to those of ended sessions, and lets its ports cool down.
func (r *Relay) forget(s *Session) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, known := r.sessions[s]; !known {
		return
	}
	delete(r.sessions, s)
	now := time.Now()
	for at, until := range r.coolingDown {
		if now.After(until) {
			delete(r.coolingDown, at)
		}
	}
	for _, side := range []Side{AdapterSide, ServiceSide} {
		r.ended.add(s.Stats(side))
		r.coolingDown[s.Local(side)] = now.Add(restFor)
	}
}

// isCoolingDown reports whether a port was released less than restFor ago.
func (r *Relay) isCoolingDown(at netip.AddrPort) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	until, ok := r.coolingDown[at]
	return ok && time.Now().Before(until)
}
