package endpoint

import (
	"net"
	"syscall"
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/sipua/rawtest"
)

// Accepted and dialled TCP connections end if their bytes stay unacknowledged (TCP_USER_TIMEOUT, RFC 5482, read back
// from the kernel).
func TestUnacknowledgedLimit(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	in := dial(t, "tcp", e)
	in.Send(in.Text(rawtest.Request{Method: "OPTIONS", CallID: "in"}))
	in.Expect("SIP/2.0 200")
	l, next := listenTCP(t)
	_, err := e.Send(outgoing(sip.OPTIONS, "out", l.Addr()), func(Response) {})
	require.NoError(t, err)
	out := next()
	out.Send(rawtest.Answer(out.Expect("OPTIONS"), 200, "far"))
	for _, addr := range []string{in.Addr(), l.Addr().String()} {
		c, ok := e.connection("TCP", addr).(*conn)
		require.True(t, ok, addr)
		raw, err := c.Conn.(syscall.Conn).SyscallConn()
		require.NoError(t, err)
		limit := 0
		require.NoError(t, raw.Control(func(fd uintptr) {
			limit, err = unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT)
		}))
		require.NoError(t, err)
		require.EqualValues(t, silenceLimit.Milliseconds(), limit)
		require.NoError(t, limitUnacknowledged(raw, silenceLimit))
		require.Error(t, limitUnacknowledged(raw, -silenceLimit), "the kernel refuses it")
		require.NoError(t, c.Conn.Close())
		require.ErrorIs(t, limitUnacknowledged(raw, silenceLimit), net.ErrClosed)
	}
}

// The UDP socket has the receive buffer that the kernel grants for 4 MiB.
func TestReceiveBuffer(t *testing.T) {
	size := func(c syscall.Conn) (n int) {
		raw, err := c.SyscallConn()
		require.NoError(t, err)
		require.NoError(t, raw.Control(func(fd uintptr) {
			n, err = unix.GetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF)
		}))
		require.NoError(t, err)
		return n
	}
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.SetReadBuffer(4<<20))
	require.Equal(t, size(c), size(open(t, testHandler{}).packets.(syscall.Conn)))
}
