package media

import (
	"encoding/binary"

	"github.com/pion/rtp"
)

// kind is the kind of a datagram.
type kind uint8

const (
	kindInvalid kind = iota
	kindRTP
	kindRTCP
	kindDTLS
	kindDatagram // UDPTL; its content is not checked
)

// Bounds of the RTCP packet types if RTP and RTCP share a port (RFC 5761 section 4), and the length of the shortest
// RTCP packet in bytes: header and SSRC.
const (
	rtcpFirstType = 192
	rtcpLastType  = 223
	rtcpMinLen    = 8
)

// Bounds of the first byte of DTLS if it shares a port with RTP and STUN (RFC 7983 section 7: 0 to 3 is STUN, 128 to
// 191 RTP and RTCP). Also the first byte of DTLS version numbers (RFC 6347 section 4.1: 254.255, 254.253), and the
// length of the record header in bytes.
const (
	dtlsFirst  = 20
	dtlsLast   = 63
	dtlsMajor  = 254
	dtlsHeader = 13
)

// packet is what was read from a datagram. It is reused for the next one.
type packet struct {
	kind      kind
	packetRun packetRun
	header    rtp.Header
	at        int // offset of RTP's payload
	// waited: it may have arrived before the session began. Not set by read.
	waited bool
}

// read parses a datagram that arrived at the port of a flow. RTCP is also valid on the RTP port (RFC 5761). RTP is not
// valid on the RTCP port. RTP's padding is not checked, because SRTP encrypts its length. The header fields of SRTP and
// SRTCP are not encrypted (RFC 3711 sections 3.1, 3.4).
func (p *packet) read(b []byte, on flowKind, admit Admission) {
	p.kind, p.packetRun = kindInvalid, packetRun{}
	switch {
	case admit.Datagrams && on == rtpFlow:
		if len(b) >= 2 {
			// UDPTL begins with its sequence number (T.38 section 9.1).
			p.kind, p.packetRun = kindDatagram, packetRun{is: true, seq: binary.BigEndian.Uint16(b)}
		}
		if len(b) >= dtlsHeader && isDTLS(b) {
			p.packetRun.seq = binary.BigEndian.Uint16(b[9:])
		}
	case admit.DTLS && isDTLS(b):
		p.kind, p.packetRun = kindDTLS, packetRun{is: true, seq: binary.BigEndian.Uint16(b[9:])}
	case len(b) < rtcpMinLen || b[0]>>6 != 2: // pion/rtp accepts any version
	case b[1] >= rtcpFirstType && b[1] <= rtcpLastType:
		if words := int(binary.BigEndian.Uint16(b[2:])); (words+1)*4 <= len(b) {
			p.kind = kindRTCP
		}
	case on == rtpFlow:
		n, err := p.header.Unmarshal(b)
		if err == nil {
			p.kind, p.at = kindRTP, n
			p.packetRun = packetRun{is: true, rtp: true, pt: p.header.PayloadType, source: p.header.SSRC,
				seq: p.header.SequenceNumber, time: p.header.Timestamp}
		}
	}
}

// isDTLS reports whether a datagram begins with a complete DTLS record (RFC 6347 section 4.1).
func isDTLS(b []byte) bool {
	return len(b) >= dtlsHeader && b[0] >= dtlsFirst && b[0] <= dtlsLast && b[1] == dtlsMajor &&
		dtlsHeader+int(binary.BigEndian.Uint16(b[11:])) <= len(b)
}

// PayloadTypes is a set of RTP payload types, 0 to 127.
type PayloadTypes [2]uint64

// Add adds a type to the set.
func (t *PayloadTypes) Add(pt uint8) { t[pt>>6&1] |= 1 << (pt & 63) }

// Has reports whether the set contains a type.
func (t *PayloadTypes) Has(pt uint8) bool { return t[pt>>6&1]&(1<<(pt&63)) != 0 }
