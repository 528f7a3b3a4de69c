package media

import (
	"testing"
	"time"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"
)

// Packets as in the RFCs, from memory: the header of RFC 3550 section 5.1, a receiver report of section 6.4.2, the form
// of SRTCP (RFC 3711 section 3.4: index and tag at the end), a DTLS ClientHello record (RFC 6347 section 4.1), a STUN
// binding request (RFC 8489 section 5).
var (
	aSpeech = []byte{0x80, 0, 0x12, 0x34, 0, 0, 0, 160, 1, 2, 3, 4, 0xff, 0xff}
	aReport = []byte{0x80, 201, 0, 1, 1, 2, 3, 4}
	aSRTCP  = append(append([]byte{0x81, 200, 0, 12}, make([]byte, 48)...), 0x80, 0, 0, 1, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9)
	aHello  = []byte{22, 254, 253, 0, 0, 0, 0, 0, 0, 0, 5, 0, 3, 1, 0, 0}
	aSTUN   = []byte{0, 1, 0, 0, 0x21, 0x12, 0xa4, 0x42, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	anIFP   = []byte{0, 7, 3, 0xc0, 1, 0x80, 0, 0}
)

func TestKinds(t *testing.T) {
	dtls, fax := Admission{DTLS: true}, Admission{Datagrams: true}
	cut := func(b []byte) []byte { return b[:len(b)-1] }
	for _, c := range []struct {
		name  string
		b     []byte
		on    flowKind
		admit Admission
		want  kind
		seq   uint16
	}{
		{"RTP", aSpeech, rtpFlow, Admission{}, kindRTP, 0x1234},
		{"RTP on the RTCP port", aSpeech, rtcpFlow, Admission{}, kindInvalid, 0},
		{"RTCP", aReport, rtcpFlow, Admission{}, kindRTCP, 0},
		{"RTCP on the RTP port", aReport, rtpFlow, dtls, kindRTCP, 0},
		{"RTCP, cut", cut(aReport), rtpFlow, Admission{}, kindInvalid, 0},
		{"RTCP, cut in its second block", []byte{0x80, 201, 0, 2, 1, 2, 3, 4, 5, 6, 7}, rtcpFlow, Admission{},
			kindInvalid, 0},
		{"SRTCP", aSRTCP, rtcpFlow, Admission{}, kindRTCP, 0},
		{"DTLS", aHello, rtpFlow, dtls, kindDTLS, 5},
		{"DTLS on the RTCP port", aHello, rtcpFlow, dtls, kindDTLS, 5},
		{"DTLS, cut", cut(aHello), rtpFlow, dtls, kindInvalid, 0},
		{"DTLS without a fingerprint", aHello, rtpFlow, Admission{}, kindInvalid, 0},
		{"STUN", aSTUN, rtpFlow, dtls, kindInvalid, 0},
		{"UDPTL", anIFP, rtpFlow, fax, kindDatagram, 7},
		{"UDPTL in DTLS", aHello, rtpFlow, fax, kindDatagram, 5},
		{"UDPTL in a call of speech", anIFP, rtpFlow, Admission{}, kindInvalid, 0},
		{"UDPTL on the RTCP port", anIFP, rtcpFlow, fax, kindInvalid, 0},
		{"nothing", nil, rtpFlow, fax, kindInvalid, 0},
	} {
		p := packet{kind: kindRTP, packetRun: packetRun{is: true, rtp: true, seq: 9, pt: 9}} // from the previous packet
		p.read(c.b, c.on, c.admit)
		require.Equal(t, c.want, p.kind, c.name)
		require.Equal(t, c.seq, p.packetRun.seq, c.name)
		require.Equal(t, c.want != kindInvalid && c.want != kindRTCP, p.packetRun.is, c.name)
		require.Equal(t, c.want == kindRTP, p.packetRun.rtp, c.name)
		require.Zero(t, p.packetRun.pt, c.name)
	}
}

// TestFlashOnce: the packets of an event share its timestamp, and the last one is sent three times with the E bit (RFC
// 4733 section 2.5.1).
func TestFlashOnce(t *testing.T) {
	var types PayloadTypes
	types.Add(101)
	e := &end{payload: Payload{Events: types}}
	seq := uint16(0)
	take := func(pt uint8, ssrc, timestamp uint32, payload ...byte) bool {
		seq++
		b, err := (&rtp.Packet{Header: rtp.Header{Version: 2, PayloadType: pt, SequenceNumber: seq,
			Timestamp: timestamp, SSRC: ssrc}, Payload: payload}).Marshal()
		require.NoError(t, err)
		var p packet
		p.read(b, rtpFlow, Admission{})
		return e.measure(&p, b, time.Now(), 0)
	}
	const ended = 0x80
	require.False(t, take(101, 1, 100, 5, 10, 0, 160), "a digit")
	require.False(t, take(0, 1, 100, 16, 10, 0, 160), "speech")
	require.False(t, take(101, 1, 100, 16, 10, 0), "too short")
	require.True(t, take(101, 1, 200, 16, 10, 0, 160))
	for range 3 {
		require.False(t, take(101, 1, 200, 16, 10|ended, 3, 32))
	}
	require.True(t, take(101, 1, 9000, 16, 10, 0, 160), "the next event")
	require.False(t, take(101, 1, 200, 16, 10|ended, 3, 32), "late")
	require.True(t, take(101, 2, 7, 16, 10, 0, 160), "another source")
}

// FuzzPacket checks that no bytes cause a panic in read. The payload of RTP is inside the datagram. A datagram that is
// neither RTP, RTCP nor admitted is never accepted.
func FuzzPacket(f *testing.F) {
	for _, b := range [][]byte{aSpeech, aReport, aSRTCP, aHello, aSTUN, anIFP} {
		f.Add(b, byte(0))
	}
	f.Fuzz(func(t *testing.T, b []byte, how byte) {
		on, admit := flowKind(how&1), Admission{DTLS: how&2 != 0, Datagrams: how&4 != 0}
		var p packet
		p.read(b, on, admit)
		switch p.kind {
		case kindRTP:
			if b[0]>>6 != 2 || p.at > len(b) || on == rtcpFlow {
				t.Fatalf("RTP: %x", b)
			}
			for _, events := range []PayloadTypes{{}, {^uint64(0), ^uint64(0)}} {
				e := &end{payload: Payload{Clear: true, Events: events}}
				e.measure(&p, b, time.Now(), 0)
			}
		case kindRTCP:
			if b[0]>>6 != 2 || b[1]>>5 != 6 {
				t.Fatalf("RTCP: %x", b)
			}
			new(Stats).countReports(b, true)
		case kindDTLS:
			if !admit.DTLS || b[0] < 20 || b[0] > 63 {
				t.Fatalf("DTLS: %x", b)
			}
		case kindDatagram:
			if !admit.Datagrams {
				t.Fatalf("a datagram: %x", b)
			}
		}
	})
}
