package sipua

import (
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/media"
)

// stream is what an m= line is to the relay. The session stays when the line changes what it carries (speech to fax and
// back), so that our port stays too.
type stream struct {
	session *media.Session // nil where nothing is relayed
	sides   [2]streamSide  // by the side that said so
}

// streamSide is what one side said of a stream.
type streamSide struct {
	live         bool           // it wants to receive or send; false: port 0, refused or never said
	rtp, rtcp    netip.AddrPort // where it receives; zero if it never said (held from the beginning)
	mux          bool           // RTCP on the RTP port (RFC 5761)
	dtls         bool           // keys are agreed on by DTLS on these ports (RFC 5764)
	opaque       bool           // UDPTL or UDPTL in DTLS (RFC 7345): any datagram
	types        media.PayloadTypes
	events       media.PayloadTypes
	sendsNothing bool // it says that it sends nothing (RFC 3264 section 5.1)
	onHold       bool // the old form of hold (RFC 3264 section 8.4)
}

// Protocols that are relayed, in capitals: RTP in all its profiles (RFC 3551, 4585, 3711, 5124, 5764) and T.38 over UDP
// (T.38 annex D, RFC 7345).
var (
	rtpProtocols    = []string{"RTP/AVP", "RTP/AVPF", "RTP/SAVP", "RTP/SAVPF", "UDP/TLS/RTP/SAVP", "UDP/TLS/RTP/SAVPF"}
	opaqueProtocols = []string{"UDPTL", "UDP/TLS/UDPTL"}
)

// errFamily is in the error of a stream at an address of the family that its side does not have: IPv6 where that is
// reached by IPv4, or the other way round. Alone in a description it makes that one not acceptable; beside others the
// stream is refused.
var errFamily = fmt.Errorf("%w: out of reach", errSession)

// readStream is what the description says of a stream. Not live: the stream has port 0, or its protocol is not relayed
// (media over TCP, messages) and is refused so (RFC 3264 section 6).
func (p *mediaPath) readStream(d *sdpText, m *sdpMedia, from media.Side) (streamSide, error) {
	proto := strings.ToUpper(m.proto)
	opaque := slices.Contains(opaqueProtocols, proto)
	if m.port == 0 || !opaque && !slices.Contains(rtpProtocols, proto) {
		return streamSide{}, nil
	}
	addr, err := d.connectionOf(m)
	if err != nil {
		return streamSide{}, err
	}
	at := streamSide{live: true, opaque: opaque, onHold: addr.IsUnspecified()}
	if own := p.ports.Addr(from); !at.onHold && own.Is4() != addr.Is4() {
		return streamSide{}, fmt.Errorf("%w: a stream at %v, but that side is reached from %v", errFamily, addr, own)
	}
	if _, own := attribute(m.lines, "fingerprint"); strings.Contains(proto, "TLS") {
		_, all := attribute(d.session, "fingerprint")
		at.dtls = own || all
	}
	_, at.mux = attribute(m.lines, "rtcp-mux")
	if !at.onHold {
		at.rtp = netip.AddrPortFrom(addr, uint16(m.port))
		at.rtcp = rtcpOf(m, at.rtp)
	}
	for format := range strings.FieldsSeq(m.formats) {
		if n, err := strconv.ParseUint(format, 10, 7); err == nil && !opaque {
			at.types.Add(uint8(n))
		}
	}
	at.sendsNothing = at.onHold || sendsNothing(d, m)
	if proto == "RTP/AVP" || proto == "RTP/AVPF" {
		at.events = eventTypes(m)
	}
	return at, nil
}

// sendsNothing reports whether that side is recvonly or inactive.
func sendsNothing(d *sdpText, m *sdpMedia) bool {
	direction := directionOf(d, m)
	return direction == "recvonly" || direction == "inactive"
}

// directionOf is the direction of a stream (RFC 8866 section 6.7): its own, that of the session, or sendrecv.
func directionOf(d *sdpText, m *sdpMedia) string {
	for _, lines := range [2][]sdpLine{m.lines, d.session} {
		for _, direction := range [4]string{"sendrecv", "sendonly", "recvonly", "inactive"} {
			if _, ok := attribute(lines, direction); ok {
				return direction
			}
		}
	}
	return "sendrecv"
}

// rtcpOf is where that side receives RTCP: a=rtcp (RFC 3605), or the next port; zero if there is none.
func rtcpOf(m *sdpMedia, rtp netip.AddrPort) netip.AddrPort {
	var rtcp netip.AddrPort
	if rtp.Port() < 65535 {
		rtcp = netip.AddrPortFrom(rtp.Addr(), rtp.Port()+1)
	}
	v, ok := attribute(m.lines, "rtcp")
	fields := strings.Fields(v)
	if !ok || len(fields) == 0 {
		return rtcp
	}
	port, err := strconv.ParseUint(fields[0], 10, 16)
	if err != nil || port == 0 {
		return rtcp
	}
	rtcp = netip.AddrPortFrom(rtp.Addr(), uint16(port))
	if len(fields) == 4 {
		if addr, err := netip.ParseAddr(fields[3]); err == nil && !addr.IsUnspecified() && !addr.IsMulticast() &&
			addr.Unmap() != broadcast && addr.Zone() == "" {
			rtcp = netip.AddrPortFrom(addr.Unmap(), rtcp.Port())
		}
	}
	return rtcp
}

// eventTypes are the payload types by which that side wants to be told of telephone events (RFC 4733 section 2.4.1), at
// any clock.
func eventTypes(m *sdpMedia) (types media.PayloadTypes) {
	for _, l := range m.lines {
		v, ok := strings.CutPrefix(l.value, "rtpmap:")
		if l.kind != 'a' || !ok {
			continue
		}
		number, encoding, _ := strings.Cut(v, " ")
		name, _, _ := strings.Cut(strings.TrimSpace(encoding), "/")
		if n, err := strconv.ParseUint(number, 10, 7); err == nil && strings.EqualFold(name, "telephone-event") {
			types.Add(uint8(n))
		}
	}
	return types
}

// clean leaves out of lines what speaks of one side's own addresses, which the other side never reaches.
func clean(lines []sdpLine, addresses []string) []sdpLine {
	return slices.DeleteFunc(lines, func(l sdpLine) bool {
		if l.kind != 'a' {
			return l.kind == 'c' || mentions(l.value, addresses)
		}
		key, _, _ := strings.Cut(l.value, ":")
		switch key {
		case "rtpmap", "fmtp":
			return false
		case "group":
			return strings.HasPrefix(strings.ToUpper(l.value), "GROUP:BUNDLE")
		}
		return slices.Contains(localAttributes, key) || mentions(l.value, addresses)
	})
}

// localAttributes are of the addresses of one side:
//   - RTCP's place (RFC 3605): ours is the next port, or with rtcp-mux, which passes (RFC 5761), the same one;
//   - everything of ICE (RFC 8839). Since the address in c= and m= is ours and is none of the candidates, an agent would have to answer
//     a=ice-mismatch and do without ICE anyway; without the attributes it does so at once, and no candidate leads past us;
//   - BUNDLE (RFC 9143, with its group above): each stream has a port of its own here. Who offered it reads from its absence in the answer
//     that every stream goes its own way; one that was offered for the bundle only has port 0 and stays so;
//   - alternative addresses and source filters (RFC 6947, 7006, 4091, 4570).
var localAttributes = []string{
	"rtcp",
	"candidate", "remote-candidates", "end-of-candidates", "ice-ufrag", "ice-pwd", "ice-options", "ice-lite",
	"ice-mismatch", "ice-pacing",
	"bundle-only",
	"altc", "ccap", "source-filter",
}

// refuseLine makes it a refused stream, which keeps its place among the others (RFC 3264 sections 5.1, 6 and 8). Only
// its name in groups stays.
func (m *sdpMedia) refuseLine() {
	m.port = 0
	m.lines = slices.DeleteFunc(m.lines, func(l sdpLine) bool {
		return l.kind != 'a' ||
			!strings.HasPrefix(l.value, "mid:")
	})
}

// setSide takes what a side said of the stream; where it is held it goes on receiving where it did.
func (s *stream) setSide(from media.Side, at streamSide) {
	if was := s.sides[from]; at.onHold {
		at.rtp, at.rtcp = was.rtp, was.rtcp
	}
	s.sides[from] = at
}

// apply tells the session what both sides said. What one of them still says or already says passes: in between, both
// are under way.
func (s *stream) apply(flash func()) {
	if s.session == nil {
		return
	}
	a, b := s.sides[media.AdapterSide], s.sides[media.ServiceSide]
	for side, at := range s.sides {
		rtcp := at.rtcp
		if a.live && b.live && a.mux && b.mux {
			rtcp = at.rtp
		}
		if at.rtp.IsValid() {
			s.session.Expect(media.Side(side), at.rtp, rtcp)
		}
	}
	types := a.types
	for i := range types {
		types[i] |= b.types[i]
	}
	s.session.Negotiate(types)
	s.session.Admit(media.Admission{DTLS: a.dtls || b.dtls, Datagrams: a.opaque || b.opaque})
	// The numbers are those of who receives the events (RFC 3264 section 5.1).
	s.session.WatchFlash(media.AdapterSide, b.events, flash)
}
