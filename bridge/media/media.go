// Package media relays RTP and RTCP between the adapter and the far side without re-encoding, and counts what passes.
//
// A packet is passed on as it came, byte for byte; pion/rtp only reads its header. What is neither RTP nor RTCP of version 2
// (RFC 3550) is dropped and counted: SRTP has RTP's header and passes, STUN, DTLS and T.38's UDPTL do not.
package media

import (
	"errors"
	"fmt"
	"net/netip"
	"sync"
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
	// AdapterAddr and ServiceAddr are the local addresses towards either side. They are written into SDP, so they must be
	// real ones, not 0.0.0.0 or [::].
	AdapterAddr, ServiceAddr netip.Addr
	// PortLow and PortHigh bound the RTP/RTCP port range, inclusive; RTP takes even ports, RTCP the next odd one (RFC 3550 section 11).
	// If both sides have the same address, a session takes two pairs of the range, else one pair at either address.
	PortLow, PortHigh uint16
	// ClockRate is the timestamp clock by which jitter is computed, in Hz; 0 means 8000.
	ClockRate uint32
}

// Relay gives out sessions. It is safe for concurrent use.
type Relay struct {
	// Set once.
	addrs [2]netip.Addr // by Side
	ports portRange
	clock uint32

	mu       sync.Mutex
	closed   bool                  // guarded by mu
	sessions map[*Session]struct{} // guarded by mu
}

// New checks the options. Errors: an address that is missing or unspecified, a range without an even port and its next odd one.
func New(o Options) (*Relay, error) {
	r := &Relay{
		addrs:    [2]netip.Addr{AdapterSide: o.AdapterAddr.Unmap(), ServiceSide: o.ServiceAddr.Unmap()},
		ports:    portRange{low: o.PortLow, high: o.PortHigh},
		clock:    o.ClockRate,
		sessions: make(map[*Session]struct{}),
	}
	if r.clock == 0 {
		r.clock = defaultClockRate
	}
	for side, name := range [2]string{AdapterSide: "adapter", ServiceSide: "service"} {
		if a := r.addrs[side]; !a.IsValid() || a.IsUnspecified() {
			return nil, fmt.Errorf("media: the %s side's address is %v; name one that this side can reach (media.%s_address)", name, a, name)
		}
	}
	if o.PortLow == 0 || r.ports.pairs() == 0 {
		return nil, fmt.Errorf("media: ports %d-%d hold no even port with the next odd one; widen media.ports", o.PortLow, o.PortHigh)
	}
	return r, nil
}

// NewSession binds a port pair on either side for one media stream. Errors: no free pair in the range, an address that is not
// this machine's, [ErrClosed].
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

func (r *Relay) forget(s *Session) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.sessions, s)
}
