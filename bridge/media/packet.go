package media

import (
	"encoding/binary"

	"github.com/pion/rtp"
)

// kind is what a datagram is.
type kind uint8

const (
	kindInvalid kind = iota
	kindRTP
	kindRTCP
)

// Bounds of RTCP's packet types where RTP and RTCP share a port (RFC 5761 section 4), and its shortest packet: header and SSRC, in bytes.
const (
	rtcpFirstType = 192
	rtcpLastType  = 223
	rtcpMinLen    = 8
)

// classify tells what came to a port of that flow, and for RTP reads the header into h, which is reused. RTCP is also valid on the
// RTP port (RFC 5761), RTP is not valid on the RTCP port. Padding is not checked: in SRTP its length is encrypted.
func classify(b []byte, on flowKind, h *rtp.Header) kind {
	if len(b) < rtcpMinLen || b[0]>>6 != 2 { // pion/rtp takes any version
		return kindInvalid
	}
	if b[1] >= rtcpFirstType && b[1] <= rtcpLastType {
		if words := int(binary.BigEndian.Uint16(b[2:])); (words+1)*4 > len(b) {
			return kindInvalid
		}
		return kindRTCP
	}
	if on != rtpFlow {
		return kindInvalid
	}
	if _, err := h.Unmarshal(b); err != nil {
		return kindInvalid
	}
	return kindRTP
}
