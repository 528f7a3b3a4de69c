// Package media relays RTP and RTCP between the adapter and the far side without re-encoding, and counts what passes.
package media

import (
	"net/netip"
	"time"
)

// Side is one of the two sides of a session.
type Side uint8

// The sides.
const (
	AdapterSide Side = iota
	ServiceSide
)

// Options of a [Relay].
type Options struct {
	// AdapterAddr and ServiceAddr are the local addresses towards either side.
	AdapterAddr, ServiceAddr netip.Addr
	// PortLow and PortHigh bound the RTP/RTCP port range, inclusive; RTP takes even ports, RTCP the next odd one (RFC 3550 section 11).
	PortLow, PortHigh uint16
}

// Relay gives out sessions. It is safe for concurrent use.
type Relay struct{}

// New checks the options.
func New(o Options) (*Relay, error) { return &Relay{}, nil }

// NewSession binds a port pair on either side for one media stream. Error: no free pair in the range.
func (r *Relay) NewSession() (*Session, error) { return &Session{}, nil }

// Close ends all sessions and waits for their goroutines.
func (r *Relay) Close() error { return nil }

// Session relays one media stream. It is safe for concurrent use.
type Session struct{}

// Local returns the RTP address and port to be written into the SDP that goes to that side; RTCP is the next port.
func (s *Session) Local(side Side) netip.AddrPort { return netip.AddrPort{} }

// Expect sets where that side said (in its SDP) it receives RTP and RTCP; packets go there until a source is learnt from that
// side's first valid packet. A new offer that changes the address makes the session learn again.
func (s *Session) Expect(side Side, rtp, rtcp netip.AddrPort) {}

// LastHeard returns when the last valid RTP or RTCP packet came from that side; the zero time if never.
func (s *Session) LastHeard(side Side) time.Time { return time.Time{} }

// Stats returns the counters of what came from that side.
func (s *Session) Stats(side Side) Stats { return Stats{} }

// Close frees the ports and waits for the session's goroutines.
func (s *Session) Close() error { return nil }

// Stats counts what came from one side.
type Stats struct {
	Packets, Bytes, RTCPPackets uint64
	// Strangers came from another address than the learnt one and were dropped; Invalid were no RTP or RTCP.
	Strangers, Invalid uint64
	// Lost by sequence number (RFC 3550 appendix A.3); Jitter by appendix A.8, in timestamp units.
	Lost   int64
	Jitter uint32
}
