package media_test

import (
	"net/netip"
	"testing"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
)

// voice returns a packet of speech with a payload type and a source of its own.
func voice(t testing.TB, ssrc uint32, seq int) []byte {
	t.Helper()
	b, err := (&rtp.Packet{
		Header: rtp.Header{Version: 2, PayloadType: 8, SequenceNumber: uint16(seq), Timestamp: 160 * uint32(seq),
			SSRC: ssrc},
		Payload: make([]byte, 160),
	}).Marshal()
	require.NoError(t, err)
	return b
}

// calls sets up answered calls between one adapter and one far end. The adapter has a public address, the far end the
// one that the SDP says.
func calls(t *testing.T, n int, a mediaSocket, far netip.AddrPort) []*media.Session {
	t.Helper()
	r := newRelay(t, 20000, 29999)
	var all []*media.Session
	for range n {
		s, err := r.NewSession()
		require.NoError(t, err)
		var types media.PayloadTypes
		types.Add(8)
		s.Negotiate(types)
		s.Trust(media.AdapterSide, local)
		s.Trust(media.ServiceSide, local)
		s.Expect(media.AdapterSide, a.addr(), zero)
		s.Expect(media.ServiceSide, far, zero)
		s.Answered()
		all = append(all, s)
	}
	return all
}

// TestSprayedPacketsHijackNothing: an attacker sends RTP and RTCP, in sequence and of a negotiated type, to every port
// of calls whose far end has not sent yet. None of it is relayed, nothing is sent to the attacker, and both parties
// still hear each other.
func TestSprayedPacketsHijackNothing(t *testing.T) {
	a, f, thief := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.2"), newMediaSocket(t, "127.0.0.9")
	sessions := calls(t, 5, a, f.addr())
	for _, s := range sessions {
		noticed := make(chan media.Notice, 2) // one for each side
		for _, side := range []media.Side{media.AdapterSide, media.ServiceSide} {
			s.Watch(side, func(n media.Notice, _ netip.AddrPort) { noticed <- n })
		}
		for seq := range 30 {
			for _, side := range []media.Side{media.AdapterSide, media.ServiceSide} {
				thief.send(s.Local(side), voice(t, 666, seq))
				thief.send(next(s.Local(side)), report(t))
			}
		}
		for _, side := range []media.Side{media.AdapterSide, media.ServiceSide} {
			until(t, s, side, func(st media.Stats) bool { return st.UnknownSource+st.Probation == 60 })
			require.Zero(t, s.Stats(side).Packets+s.Stats(side).RTCPPackets)
			require.Equal(t, media.Ignored, <-noticed, "reported once")
		}
		a.send(s.Local(media.AdapterSide), voice(t, 1, 1))
		got, _ := f.receive()
		require.Equal(t, voice(t, 1, 1), got)
		f.send(s.Local(media.ServiceSide), voice(t, 2, 1))
		got, _ = a.receive()
		require.Equal(t, voice(t, 2, 1), got)
	}
	thief.nothing()
	a.nothing()
	f.nothing()
}

// TestFarEndBehindTranslator: if the SDP has a private address, the far end is followed after ten packets. A competing
// attacker causes silence, a notice and a count, but does not receive the conversation.
func TestFarEndBehindTranslator(t *testing.T) {
	a, f, thief := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.2"), newMediaSocket(t, "127.0.0.9")
	private := netip.MustParseAddrPort("192.168.7.20:4000")
	s := calls(t, 1, a, private)[0]
	noticed := make(chan media.Notice, 1) // there is one
	s.Watch(media.ServiceSide, func(n media.Notice, from netip.AddrPort) {
		require.Equal(t, thief.addr(), from)
		noticed <- n
	})
	to := s.Local(media.ServiceSide)
	for seq := range 10 {
		f.send(to, voice(t, 2, seq))
	}
	got, _ := a.receive()
	require.Equal(t, voice(t, 2, 9), got)
	a.send(s.Local(media.AdapterSide), voice(t, 1, 1))
	f.receive()
	f.send(next(to), report(t)) // RTCP from there
	until(t, s, media.ServiceSide, func(st media.Stats) bool { return st.RTCPPackets == 1 })
	a.send(next(s.Local(media.AdapterSide)), report(t))
	f.receive()

	for seq := range 10 {
		thief.send(to, voice(t, 3, seq))
	}
	require.Equal(t, media.Contested, <-noticed)
	f.send(to, voice(t, 2, 10))
	f.send(next(to), report(t))
	until(t, s, media.ServiceSide, func(st media.Stats) bool { return st.UnknownSource == 3 && st.Contests == 1 })
	a.send(s.Local(media.AdapterSide), voice(t, 1, 2))
	a.send(next(s.Local(media.AdapterSide)), report(t))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 2 && st.RTCPPackets == 2 })
	thief.nothing()
	f.nothing()
	require.NoError(t, s.Close())
}

// TestEarlyMediaFromUnknownHost: before the answer, packets from an unknown host pass, but nothing is sent to it,
// unless it turns out to be the host of the signalling. The answer ends that.
func TestEarlyMediaFromUnknownHost(t *testing.T) {
	for _, known := range []bool{false, true} {
		a, f, early, thief := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.2"),
			newMediaSocket(t, "127.0.0.8"), newMediaSocket(t, "127.0.0.9")
		s := newSession(t)
		s.Expect(media.AdapterSide, a.addr(), zero)
		s.Expect(media.ServiceSide, f.addr(), zero)
		s.Negotiate(media.PayloadTypes{1 << 8})
		to := s.Local(media.ServiceSide)
		for seq := range 10 {
			early.send(to, voice(t, 2, seq))
		}
		a.receive()
		a.send(s.Local(media.AdapterSide), voice(t, 1, 1))
		f.receive()
		if known {
			s.Trust(media.ServiceSide, early.addr().Addr())
			a.send(s.Local(media.AdapterSide), voice(t, 1, 2))
			early.receive()
			continue
		}
		s.Answered()
		for seq := range 20 {
			thief.send(to, voice(t, 3, seq))
			early.send(to, voice(t, 2, 10+seq)) // late, so it passes
			a.receive()
		}
		until(t, s, media.ServiceSide, func(st media.Stats) bool { return st.UnknownSource+st.Probation == 9+20 })
		require.Equal(t, uint64(21), s.Stats(media.ServiceSide).Packets)
		a.send(s.Local(media.AdapterSide), voice(t, 1, 2))
		f.receive()
		f.send(to, voice(t, 4, 1))
		a.receive()
		early.nothing()
	}
}

// TestLatchingAfterAnswer: after an answer, another port of the signalled host is followed from its first packet on.
func TestLatchingAfterAnswer(t *testing.T) {
	a, one, two := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.2"), newMediaSocket(t, "127.0.0.2")
	s := calls(t, 1, a, netip.AddrPortFrom(one.addr().Addr(), 9))[0]
	one.send(s.Local(media.ServiceSide), voice(t, 1, 1))
	a.receive()
	s.Answered()
	two.send(s.Local(media.ServiceSide), voice(t, 2, 1))
	a.receive()
	a.send(s.Local(media.AdapterSide), voice(t, 3, 1))
	two.receive()
}
