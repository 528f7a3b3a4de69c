package sipua

import (
	"fmt"
	"maps"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"clearback/bridge/media"
)

// stream is an m= line as the relay sees it. The session, and with it our port, stays when the line changes its media
// (speech to fax and back).
type stream struct {
	session *media.Session // nil if nothing is relayed
	sides   [2]streamSide  // by the side that described it
}

// streamSide is one side's description of a stream.
type streamSide struct {
	live         bool           // the side uses the stream; false: port 0, refused or not described
	rtp, rtcp    netip.AddrPort // where it receives; zero if it never said (on hold from the beginning)
	mux          bool           // RTCP on the RTP port (RFC 5761)
	dtls         bool           // keys are exchanged by DTLS on these ports (RFC 5764)
	opaque       bool           // UDPTL or UDPTL in DTLS (RFC 7345): any datagram
	types        media.PayloadTypes
	events       media.PayloadTypes
	clocks       media.ClockRates // of the formats with an rtpmap
	clear        bool             // the payload is not encrypted
	sendsNothing bool             // it announces that it sends nothing (RFC 3264 section 5.1)
	onHold       bool             // the old form of hold (RFC 3264 section 8.4)
}

// The protocols that are relayed, in capitals: RTP in all its profiles (RFC 3551, 4585, 3711, 5124, 5764) and T.38 over
// UDP (T.38 annex D, RFC 7345).
var (
	rtpProtocols    = []string{"RTP/AVP", "RTP/AVPF", "RTP/SAVP", "RTP/SAVPF", "UDP/TLS/RTP/SAVP", "UDP/TLS/RTP/SAVPF"}
	opaqueProtocols = []string{"UDPTL", "UDP/TLS/UDPTL"}
)

// errFamily is in the error for a stream whose address has the wrong family: IPv6 on a side where we have an IPv4
// address, or the reverse. If no other stream is live, the description is not acceptable. Otherwise only this stream is
// refused.
var errFamily = fmt.Errorf("%w: unreachable address family", errSession)

// readStream returns one side's description of a stream. It is not live if the stream has port 0, or if its protocol is
// not relayed (media over TCP, messages). Then the stream is refused by port 0 (RFC 3264 section 6).
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
		return streamSide{}, fmt.Errorf("%w: a stream at %v, but we reach that side from %v", errFamily, addr, own)
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
		at.events, at.clear = eventTypes(m), !offersKeys(d, m)
	}
	if !opaque {
		at.clocks = clockRates(m)
	}
	return at, nil
}

// sendsNothing reports whether the stream is recvonly or inactive.
func sendsNothing(d *sdpText, m *sdpMedia) bool {
	direction := directionOf(d, m)
	return direction == "recvonly" || direction == "inactive"
}

// directionOf is the direction of a stream (RFC 8866 section 6.7): its own, else the session's, else sendrecv.
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

// rtcpOf is where that side receives RTCP: a=rtcp (RFC 3605) or the next port; zero if there is none.
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

// eventTypes are the payload types with which that side wants to receive telephone events (RFC 4733 section 2.4.1), at
// any clock rate.
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

// encryption finds the lines with which a stream offers to encrypt its payload: by a key, or by DTLS (RFC 5764).
var encryption = regexp.MustCompile(`(?i)^(` + mediaKey + `|a=fingerprint:)`)

// offersKeys reports whether a stream offers to encrypt its payload, whatever its profile.
func offersKeys(d *sdpText, m *sdpMedia) bool {
	offers := func(l sdpLine) bool { return encryption.MatchString(string(l.kind) + "=" + l.value) }
	return slices.ContainsFunc(d.session, offers) || slices.ContainsFunc(m.lines, offers)
}

// clockRates are the clock rates of the formats with an rtpmap (RFC 8866 section 6.6).
func clockRates(m *sdpMedia) media.ClockRates {
	rates := media.ClockRates{}
	for _, l := range m.lines {
		v, ok := strings.CutPrefix(l.value, "rtpmap:")
		if l.kind != 'a' || !ok {
			continue
		}
		number, encoding, _ := strings.Cut(v, " ")
		_, rate, _ := strings.Cut(strings.TrimSpace(encoding), "/")
		rate, _, _ = strings.Cut(rate, "/")
		pt, err := strconv.ParseUint(number, 10, 7)
		hz, rateErr := strconv.ParseUint(rate, 10, 32)
		if err == nil && rateErr == nil {
			rates[uint8(pt)] = uint32(hz)
		}
	}
	return rates
}

// clean removes lines that refer to one side's own addresses, which the other side never reaches.
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

// localAttributes are the attributes that belong to the addresses of one side:
//   - The address of RTCP (RFC 3605). Ours is the next port, or the same port with rtcp-mux, which passes (RFC 5761).
//   - Everything of ICE (RFC 8839). Our address in c= and m= is none of the candidates, so an agent would answer
//     a=ice-mismatch and proceed without ICE. Without the attributes it does so at once, and no candidate bypasses us.
//   - BUNDLE (RFC 9143, with its group in clean). Here each stream has a port of its own. An offerer concludes from an
//     answer without BUNDLE that every stream is separate. A stream offered only for the bundle keeps its port 0.
//   - Alternative addresses and source filters (RFC 6947, 7006, 4091, 4570).
var localAttributes = []string{
	"rtcp",
	"candidate", "remote-candidates", "end-of-candidates", "ice-ufrag", "ice-pwd", "ice-options", "ice-lite",
	"ice-mismatch", "ice-pacing",
	"bundle-only",
	"altc", "ccap", "source-filter",
}

// refuseLine turns the line into a refused stream, which keeps its index (RFC 3264 sections 5.1, 6 and 8). Of its
// attributes only a=mid stays.
func (m *sdpMedia) refuseLine() {
	m.port = 0
	m.lines = slices.DeleteFunc(m.lines, func(l sdpLine) bool {
		return l.kind != 'a' ||
			!strings.HasPrefix(l.value, "mid:")
	})
}

// setSide stores one side's description of the stream. During hold the side keeps its earlier receiving address.
func (s *stream) setSide(from media.Side, at streamSide) {
	if was := s.sides[from]; at.onHold {
		at.rtp, at.rtcp = was.rtp, was.rtcp
	}
	s.sides[from] = at
}

// apply passes the descriptions of both sides to the session. Payload types of either side are accepted, since an offer
// and its answer take effect at different times.
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
	s.session.Describe(media.AdapterSide, payload(&a, &b, flash))
	s.session.Describe(media.ServiceSide, payload(&b, &a, nil))
}

// payload returns what the packets from one side to the other contain. The payload types are those of the receiver (RFC
// 3264 section 5.1); of types that only the sender has described, the clock rate is known too.
func payload(from, to *streamSide, flash func()) media.Payload {
	clocks := media.ClockRates{}
	maps.Copy(clocks, from.clocks)
	maps.Copy(clocks, to.clocks)
	return media.Payload{Clear: from.clear && to.clear, Clocks: clocks, Events: to.events, Flash: flash}
}
