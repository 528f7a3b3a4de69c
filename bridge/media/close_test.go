package media

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"
)

// TestCloseFails checks that Close returns the error of a socket, the second time too. A session knows the user's
// networks on both sides.
func TestCloseFails(t *testing.T) {
	local, from := netip.MustParseAddr("127.0.0.1"), []netip.Prefix{netip.MustParsePrefix("192.0.2.64/26")}
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999, From: from})
	require.NoError(t, err)
	s, err := r.NewSession()
	require.NoError(t, err)
	for side := range s.ends {
		require.Equal(t, from, s.ends[side].sideTrust.networks)
	}
	require.NoError(t, s.conns[ServiceSide][rtcpFlow].Close())
	require.ErrorIs(t, s.Close(), net.ErrClosed)
	require.ErrorIs(t, s.Close(), net.ErrClosed)
	require.NoError(t, r.Close())
}

// TestCloseWaits holds a packet inside the relay. Close must not return before that packet has been relayed.
func TestCloseWaits(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(t, err)
	s, err := r.NewSession()
	require.NoError(t, err)
	c, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(s.Local(AdapterSide)))
	require.NoError(t, err)
	defer func() { _ = c.Close() }()
	s.Expect(AdapterSide, c.LocalAddr().(*net.UDPAddr).AddrPort(), netip.AddrPort{})

	var types PayloadTypes
	types.Add(101)
	inside, through := make(chan struct{}), make(chan struct{})
	s.Describe(AdapterSide, Payload{Events: types, Flash: func() { close(inside); <-through }})
	flash, err := (&rtp.Packet{Header: rtp.Header{Version: 2, PayloadType: 101},
		Payload: []byte{eventFlash, 10, 0, 160}}).Marshal()
	require.NoError(t, err)
	_, err = c.Write(flash)
	require.NoError(t, err)
	<-inside
	closed := make(chan error, 1) // the goroutine that closes must end even if the test has failed
	go func() { closed <- r.Close() }()
	select {
	case <-closed:
		t.Error("Close returned while a packet was under way")
	case <-time.After(30 * time.Millisecond):
		defer func() { require.NoError(t, <-closed) }()
	}
	close(through)
}
