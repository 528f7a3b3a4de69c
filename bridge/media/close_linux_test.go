package media

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestCloseWaits holds a packet inside the relay: Close must not return before it is through.
func TestCloseWaits(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(t, err)
	s, err := r.NewSession()
	require.NoError(t, err)
	c, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(s.Local(AdapterSide)))
	require.NoError(t, err)
	defer func() { _ = c.Close() }()

	e := &s.ends[AdapterSide]
	e.mu.Lock()
	raw, err := s.conns[AdapterSide][rtpFlow].SyscallConn()
	require.NoError(t, err)
	waiting := func() (n int) { // bytes that nobody has read yet
		require.NoError(t, raw.Control(func(fd uintptr) { n, err = unix.IoctlGetInt(int(fd), unix.SIOCINQ) }))
		require.NoError(t, err)
		return n
	}
	_, err = c.Write(make([]byte, 12))
	require.NoError(t, err)
	for until := time.Now().Add(3 * time.Second); waiting() > 0; {
		require.True(t, time.Now().Before(until), "nobody reads")
	}
	closed := make(chan error, 1) // the closer must end even if the test has failed
	go func() { closed <- r.Close() }()
	select {
	case <-closed:
		t.Error("Close returned while a packet was under way")
	case <-time.After(30 * time.Millisecond):
		defer func() { require.NoError(t, <-closed) }()
	}
	e.mu.Unlock()
}
