package media_test

import (
	"net"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/media"
)

func TestOptions(t *testing.T) {
	any4 := netip.IPv4Unspecified()
	for _, c := range []struct {
		name, want string
		o          media.Options
	}{
		{"no address", "adapter side's address", media.Options{ServiceAddr: local, PortLow: 30000, PortHigh: 30999}},
		{"unspecified", "media.service_address", media.Options{AdapterAddr: local, ServiceAddr: any4, PortLow: 30000,
			PortHigh: 30999}},
		{"no ports", "ports 0-0", media.Options{AdapterAddr: local, ServiceAddr: local}},
		{"port 0", "ports 0-999", media.Options{AdapterAddr: local, ServiceAddr: local, PortHigh: 999}},
		{"upside down", "ports 30999-30000", media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 30999,
			PortHigh: 30000}},
		{"odd and even", "ports 30001-30002", media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 30001,
			PortHigh: 30002}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := media.New(c.o)
			require.ErrorContains(t, err, c.want)
		})
	}
	for _, low := range []uint16{1, 2, 65534} {
		_, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: low, PortHigh: 65535})
		require.NoError(t, err, low)
	}
}

// ownRange returns an address of the test's own, so that other relays use none of its ports, and the first of n
// consecutive ports there, an even one.
func ownRange(t *testing.T, n uint16) (netip.Addr, uint16) {
	t.Helper()
	at := loopbacktest.Address(t)
	return at, loopbacktest.Ports(t, at, n)
}

// TestWholeRange uses all ports of the range and releases them, several times.
func TestWholeRange(t *testing.T) {
	const n = 40 // ten sessions of two pairs
	at, low := ownRange(t, n)
	r := newRelayAt(t, at, low, low+n-1)
	order := map[uint16]bool{}
	for range 4 {
		seen := map[uint16]bool{}
		var open []*media.Session
		for range n / 4 {
			s, err := r.NewSession()
			require.NoError(t, err)
			open = append(open, s)
			order[s.Local(media.AdapterSide).Port()] = true
			for _, side := range []media.Side{media.AdapterSide, media.ServiceSide} {
				p := s.Local(side).Port()
				require.Zero(t, p%2)
				require.False(t, seen[p])
				require.True(t, p >= low && p < low+n)
				seen[p] = true
			}
		}
		_, err := r.NewSession()
		require.ErrorContains(t, err, "all 20 port pairs of")
		require.ErrorContains(t, err, "widen media.ports")
		for _, s := range open {
			require.NoError(t, s.Close())
			require.NoError(t, s.Close())
		}
		require.True(t, loopbacktest.Free(at, low, n), "a port was not released")
	}
	require.Greater(t, len(order), n/4, "always the same ports")
}

// TestBusyPortIsSkipped checks that a pair whose RTCP port is in use is not used, and that its RTP port is released.
func TestBusyPortIsSkipped(t *testing.T) {
	at, low := ownRange(t, 6)
	busy, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(at, low+3)))
	require.NoError(t, err)
	defer func() { _ = busy.Close() }()
	s, err := newRelayAt(t, at, low, low+5).NewSession()
	require.NoError(t, err)
	got := []uint16{s.Local(media.AdapterSide).Port(), s.Local(media.ServiceSide).Port()}
	require.ElementsMatch(t, []uint16{low, low + 4}, got)
	require.True(t, loopbacktest.Free(at, low+2, 1))
}

func TestForeignAddress(t *testing.T) {
	r, err := media.New(media.Options{AdapterAddr: netip.MustParseAddr("192.0.2.1"), ServiceAddr: local, PortLow: 30000,
		PortHigh: 30999})
	require.NoError(t, err)
	_, err = r.NewSession()
	require.ErrorContains(t, err, "bind 192.0.2.1")
}

func TestRelayCloseEndsSessions(t *testing.T) {
	at, low := ownRange(t, 8)
	r := newRelayAt(t, at, low, low+7)
	for range 2 {
		_, err := r.NewSession()
		require.NoError(t, err)
	}
	require.NoError(t, r.Close())
	require.True(t, loopbacktest.Free(at, low, 8))
	_, err := r.NewSession()
	require.ErrorIs(t, err, media.ErrClosed)
	require.True(t, loopbacktest.Free(at, low, 8))
}

// TestPortsCoolDown checks that a released pair is not used again for some time, unless no other is free.
func TestPortsCoolDown(t *testing.T) {
	const n = 12 // three sessions
	at, low := ownRange(t, n)
	r := newRelayAt(t, at, low, low+n-1)
	ports := func(s *media.Session) [2]uint16 {
		return [2]uint16{s.Local(media.AdapterSide).Port(), s.Local(media.ServiceSide).Port()}
	}
	used := map[uint16]bool{}
	for i := range 6 {
		s, err := r.NewSession()
		require.NoError(t, err)
		for _, p := range ports(s) {
			require.Equal(t, i >= 3, used[p], "session %d got port %d", i, p)
			used[p] = true
		}
		require.NoError(t, s.Close())
	}
}

// TestPortsUnpredictable checks that the distance between the ports of a session's two sides varies. So the port of one
// side does not reveal that of the other.
func TestPortsUnpredictable(t *testing.T) {
	r := newRelay(t, 20000, 29999)
	steps := map[int]bool{}
	const n = 60
	for range n {
		s, err := r.NewSession()
		require.NoError(t, err)
		steps[int(s.Local(media.ServiceSide).Port())-int(s.Local(media.AdapterSide).Port())] = true
		require.NoError(t, s.Close())
	}
	require.Greater(t, len(steps), n-10) // more than 10 repeats among 10,000 steps are practically impossible
}

// TestPacketsAreMarkedEF checks that packets are sent with code point EF (RFC 3246: 101110), which the receiver reads
// from the IP header.
func TestPacketsAreMarkedEF(t *testing.T) {
	s := newSession(t)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	raw, err := f.SyscallConn()
	require.NoError(t, err)
	require.NoError(t, raw.Control(func(fd uintptr) {
		err = unix.SetsockoptInt(int(fd), unix.IPPROTO_IP, unix.IP_RECVTOS, 1)
	}))
	require.NoError(t, err)
	s.Expect(media.ServiceSide, f.addr(), zero)
	a.send(s.Local(media.AdapterSide), speech(t, 1))
	oob := make([]byte, 64)
	_, n, _, _, err := f.ReadMsgUDPAddrPort(make([]byte, 2048), oob)
	require.NoError(t, err)
	control, err := unix.ParseSocketControlMessage(oob[:n])
	require.NoError(t, err)
	require.Len(t, control, 1)
	require.Equal(t, byte(0b101110_00), control[0].Data[0])
}
