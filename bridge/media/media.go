// Package media relays RTP and RTCP between the adapter and the far side without re-encoding, and counts what passes.
//
// A packet is passed on as it came, byte for byte; pion/rtp only reads its header. What is neither RTP nor RTCP of
// version 2 (RFC 3550) is dropped and counted: SRTP has RTP's header and passes, DTLS and T.38's UDPTL do where the
// session admits them, STUN never.
package media

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// Side is one of the two sides of a session.
type Side uint8

// The sides.
const (
	AdapterSide Side = iota
	ServiceSide
)

// defaultClockRate is that of G.711, G.722 and comfort noise in RTP (RFC 3551 section 6, from memory), in Hz.
const defaultClockRate = 8000

// ErrClosed: the relay was closed; it gives out no more sessions.
var ErrClosed = errors.New("media: the relay is closed")

// Options of a [Relay].
type Options struct {
	// AdapterAddr and ServiceAddr are the local addresses towards either side. They are written into SDP, so they must
	// be real ones, not 0.0.0.0 or [::].
	AdapterAddr, ServiceAddr netip.Addr
	// PortLow and PortHigh bound the RTP/RTCP port range, inclusive; RTP takes even ports, RTCP the next odd one (RFC
	// 3550 section 11). If both sides have the same address, a session takes two pairs of the range, else one pair at
	// either address.
	PortLow, PortHigh uint16
	// From are networks whose hosts may send media of either side, whatever SDP says.
	From []netip.Prefix
	// ClockRate is the timestamp clock by which jitter is computed, in Hz; 0 means 8000.
	ClockRate uint32
}

// Relay gives out sessions. It is safe for concurrent use.
type Relay struct {
	// Set once.
	addrs [2]netip.Addr // by Side
	ports portRange
	clock uint32
	from  []netip.Prefix

	mu          sync.Mutex
	closed      bool                         // guarded by mu
	sessions    map[*Session]struct{}        // guarded by mu
	ended       Counts                       // guarded by mu; of the sessions that were closed
	coolingDown map[netip.AddrPort]time.Time // guarded by mu; until when an RTP port that was given back is left alone
}

// Counts are the sums over all sessions of a relay and both their sides, ended ones included. The fields are those of
// [Stats].
type Counts struct {
	// Sessions were opened, Open of them are.
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

// Counts sums up.
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

// Addr is the local address towards that side.
func (r *Relay) Addr(side Side) netip.Addr { return r.addrs[side] }

// New checks the options. Errors: an address that is missing or unspecified, a range without an even port and its next
// odd one.
func New(o Options) (*Relay, error) {
	r := &Relay{
		addrs:       [2]netip.Addr{AdapterSide: o.AdapterAddr.Unmap(), ServiceSide: o.ServiceAddr.Unmap()},
		ports:       portRange{low: o.PortLow, high: o.PortHigh},
		clock:       o.ClockRate,
		from:        slices.Clone(o.From),
		sessions:    make(map[*Session]struct{}),
		coolingDown: make(map[netip.AddrPort]time.Time),
	}
	if r.clock == 0 {
		r.clock = defaultClockRate
	}
	for side, name := range [2]string{AdapterSide: "adapter", ServiceSide: "service"} {
		if a := r.addrs[side]; !a.IsValid() || a.IsUnspecified() {
			return nil, fmt.Errorf("media: the %s side's address is %v; name one that this side can reach (media.%s_address)",
				name, a, name)
		}
	}
	if o.PortLow == 0 || r.ports.pairs() == 0 {
		return nil, fmt.Errorf("media: ports %d-%d hold no even port with the next odd one; widen media.ports",
			o.PortLow, o.PortHigh)
	}
	return r, nil
}

// NewSession binds a port pair on either side for one media stream. Errors: no free pair in the range, an address that
// is not this machine's, [ErrClosed].
func (r *Relay) NewSession() (*Session, error) {
	s, err := newSession(r)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil, errors.Join(ErrClosed, s.closeSockets())
	}
	r.sessions[s] = struct{}{}
	r.ended.Sessions++
	s.start()
	return s, nil
}

// Close ends all sessions and waits for their goroutines. A second Close does nothing.
func (r *Relay) Close() error {
	r.mu.Lock()
	r.closed = true
	open := make([]*Session, 0, len(r.sessions))
	for s := range r.sessions {
		open = append(open, s)
	}
	r.mu.Unlock()
	var errs []error
	for _, s := range open {
		errs = append(errs, s.Close())
	}
	return errors.Join(errs...)
}

// forget takes the session out, keeps its counts and lets its ports rest.
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
	for _, side := range [2]Side{AdapterSide, ServiceSide} {
		r.ended.add(s.Stats(side))
		r.coolingDown[s.Local(side)] = now.Add(restFor)
	}
}

// isCoolingDown reports whether a port was given back a short while ago.
func (r *Relay) isCoolingDown(at netip.AddrPort) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	until, ok := r.coolingDown[at]
	return ok && time.Now().Before(until)
}
