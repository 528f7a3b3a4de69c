package media

import (
	"encoding/binary"
	"net"
	"net/netip"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// A socket that fails for some time counts nothing, and works again afterwards.
func TestReadErrors(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	s, err := r.NewSession()
	require.NoError(t, err)
	in := s.conns[AdapterSide][rtpFlow]
	c, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(s.Local(AdapterSide)))
	require.NoError(t, err)
	defer c.Close()
	s.Expect(AdapterSide, c.LocalAddr().(*net.UDPAddr).AddrPort(), netip.AddrPort{})
	require.NoError(t, in.SetReadDeadline(time.Unix(1, 0)))
	<-time.After(5 * afterError)
	require.NoError(t, in.SetReadDeadline(time.Time{}))
	_, err = c.Write(aSpeech)
	require.NoError(t, err)
	require.Eventually(t, func() bool { return s.Stats(AdapterSide).Packets == 1 }, 3*time.Second, time.Millisecond)
	require.Zero(t, s.Stats(AdapterSide).Invalid)
}

// The destinations of packets to a side. If the RTCP port is not in the SDP, it is the next one after that of RTP. The
// last port has no next one.
func TestDestinations(t *testing.T) {
	at := netip.MustParseAddrPort
	for _, c := range []struct {
		rtp, rtcp string // "" for none
		f         flowKind
		want      string
	}{
		{"192.0.2.1:4000", "", rtpFlow, "192.0.2.1:4000"}, {"192.0.2.1:4000", "", rtcpFlow, "192.0.2.1:4001"},
		{"192.0.2.1:4000", "192.0.2.2:4007", rtcpFlow, "192.0.2.2:4007"},
		{"192.0.2.1:65534", "", rtcpFlow, "192.0.2.1:65535"}, {"192.0.2.1:65535", "", rtcpFlow, ""},
		{"192.0.2.1:65535", "", rtpFlow, "192.0.2.1:65535"},
		{"", "", rtpFlow, ""}, {"", "", rtcpFlow, ""}, {"192.0.2.1:4000", "192.0.2.1:4000", rtcpFlow, "192.0.2.1:4000"},
	} {
		var s Session
		parse := func(text string) (a netip.AddrPort) {
			if text != "" {
				a = at(text)
			}
			return a
		}
		s.Expect(ServiceSide, parse(c.rtp), parse(c.rtcp))
		_, to := s.way(ServiceSide, c.f)
		require.Equal(t, parse(c.want), to, "%+v", c)
	}
}

// Each notice about a side's media is given once: that an unknown host sends what seems to be its only sound (Ignored),
// that in an emergency call this host was accepted (Relaxed), and that two such hosts claim the stream (Contested).
// Each packet is counted by the decision about it.
func TestNotices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Session{relay: &Relay{}, began: time.Now()}
		type told struct {
			notice Notice
			from   string
		}
		var all []told
		seq, passed := uint16(0), uint64(0)
		send := func(from string, n int) {
			at := netip.MustParseAddrPort(from)
			for range n {
				seq++
				b := slices.Clone(aSpeech)
				binary.BigEndian.PutUint16(b[2:], seq)
				copy(b[8:12], at.Addr().AsSlice()) // each source has its own SSRC
				var p packet
				p.read(b, rtpFlow, Admission{})
				if s.take(&s.ends[ServiceSide], rtpFlow, at, b, &p) {
					passed++
				}
			}
		}
		counted := func() []uint64 {
			st := s.Stats(ServiceSide)
			require.Equal(t, passed, st.Packets)
			return []uint64{st.Packets, st.UnknownSource, st.Probation, st.Contests}
		}
		var types PayloadTypes
		types.Add(aSpeech[1] & 0x7f)
		s.Negotiate(types)
		s.Watch(ServiceSide, func(n Notice, from netip.AddrPort) { all = append(all, told{n, from.String()}) })
		s.Expect(ServiceSide, netip.MustParseAddrPort("203.0.113.1:4000"), netip.AddrPort{})
		s.Answered()

		const first, second = "198.51.100.1:4000", "198.51.100.2:4000"
		send(first, 2*unknownPackets)
		require.Equal(t, []told{{Ignored, first}}, all)
		require.Equal(t, []uint64{0, 2 * unknownPackets, 0, 0}, counted())
		require.True(t, s.LastHeard(ServiceSide).IsZero())
		s.SetEmergency(3 * time.Second)
		<-time.After(3 * time.Second)
		send(first, probationPackets+1)
		require.Equal(t, []told{{Ignored, first}, {Relaxed, first}}, all)
		require.Equal(t, []uint64{2, 2 * unknownPackets, probationPackets - 1, 0}, counted())
		require.Equal(t, time.Now(), s.LastHeard(ServiceSide))

		s = &Session{relay: s.relay, began: time.Now()}
		s.Negotiate(types)
		all, passed = nil, 0
		s.Watch(ServiceSide, func(n Notice, from netip.AddrPort) { all = append(all, told{n, from.String()}) })
		s.Expect(ServiceSide, netip.MustParseAddrPort("203.0.113.1:4000"), netip.AddrPort{})
		send(first, unknownPackets)
		send(second, unknownPackets+1)
		require.Equal(t, []told{{Contested, second}}, all)
		require.Equal(t, []uint64{1, 2, 2 * (unknownPackets - 1), 1}, counted())
		s.Watch(ServiceSide, nil)
		send(first, 1)
		require.Len(t, all, 1)
	})
}

// An emergency call was answered, and the service side is silent. A stranger that is accepted with a hook flash is
// reported all the same, though nobody watches that side's flashes, or the flash gives way.
func TestNoticeBesideAFlash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		flashes := 0
		for _, flash := range []func(){nil, func() { flashes++ }} {
			s := &Session{relay: &Relay{}, began: time.Now()}
			var all []Notice
			var types PayloadTypes
			types.Add(101)
			s.Negotiate(types)
			s.Describe(ServiceSide, Payload{Clear: true, Events: types, Flash: flash})
			s.Watch(ServiceSide, func(n Notice, _ netip.AddrPort) { all = append(all, n) })
			s.Expect(ServiceSide, netip.MustParseAddrPort("203.0.113.1:4000"), netip.AddrPort{})
			s.Answered()
			s.SetEmergency(3 * time.Second)
			<-time.After(3 * time.Second)
			for seq := range byte(probationPackets) {
				b := []byte{0x80, 101, 0, seq, 0, 0, 0, 160, 1, 2, 3, 4, eventFlash, 10, 0, 160}
				var p packet
				p.read(b, rtpFlow, Admission{})
				s.take(&s.ends[ServiceSide], rtpFlow, netip.MustParseAddrPort("198.51.100.1:4000"), b, &p)
			}
			require.EqualValues(t, 1, s.Stats(ServiceSide).Packets, "the call is heard")
			require.Equal(t, []Notice{Relaxed}, all)
		}
		require.Zero(t, flashes)
	})
}

// A port that could not be closed is reported when the relay is closed.
func TestCloseReportsErrors(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(t, err)
	s, err := r.NewSession()
	require.NoError(t, err)
	require.NoError(t, s.conns[ServiceSide][rtcpFlow].Close())
	require.ErrorIs(t, r.Close(), net.ErrClosed)
	require.NoError(t, r.Close())
}
