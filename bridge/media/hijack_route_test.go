package media

import (
	"net"
	"net/netip"
	"os"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestUnreachable checks that the SDP counts as misleading if the system has no route to its address, until a packet
// can be sent there or SDP names another address.
func TestUnreachable(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	s, err := r.NewSession()
	require.NoError(t, err)
	listen := func() (*net.UDPConn, netip.AddrPort) {
		c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(local, 0)))
		require.NoError(t, err)
		t.Cleanup(func() { _ = c.Close() })
		return c, c.LocalAddr().(*net.UDPAddr).AddrPort()
	}
	a, from := listen()
	f, to := listen()
	s.Expect(AdapterSide, from, netip.AddrPort{})
	s.Expect(ServiceSide, to, netip.AddrPort{})
	e := &s.ends[ServiceSide]
	misled := func() bool {
		e.mu.Lock()
		defer e.mu.Unlock()
		return e.sideTrust.unusableAddress(e.peers[rtpFlow].expected.Addr())
	}
	none := &net.OpError{Op: "write", Err: os.NewSyscallError("sendto", syscall.ENETUNREACH)}
	e.routed(from, none)
	require.False(t, misled(), "another address")
	e.routed(to, os.NewSyscallError("sendto", syscall.ECONNREFUSED))
	require.False(t, misled(), "no socket is open there")
	e.routed(to, none)
	require.True(t, misled())
	e.routed(to, os.NewSyscallError("sendto", syscall.ECONNREFUSED))
	require.True(t, misled(), "this error says nothing about the route")

	_, err = a.WriteToUDPAddrPort(aSpeech, s.Local(AdapterSide))
	require.NoError(t, err)
	require.NoError(t, f.SetReadDeadline(time.Now().Add(3*time.Second)))
	_, err = f.Read(make([]byte, 100))
	require.NoError(t, err)
	require.Eventually(t, func() bool { return !misled() }, 3*time.Second, time.Millisecond)

	e.routed(to, syscall.EHOSTUNREACH)
	require.True(t, misled())
	s.Expect(ServiceSide, from, netip.AddrPort{})
	require.False(t, misled())
}
