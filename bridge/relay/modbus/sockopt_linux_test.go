package modbus

import (
	"net"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A long time-out for a board's answers does not allow the kernel to deliver an opening late (RFC 5482,
// TCP_USER_TIMEOUT).
func TestUndeliveredBytesAreGivenUp(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	for timeout, want := range map[time.Duration]int{50 * time.Millisecond: 50, 10 * time.Second: 500} {
		o, err := Options{Name: "board", Address: l.Addr().String(), Timeout: timeout}.withDefaults()
		require.NoError(t, err)
		c, err := o.Dial(t.Context(), o.Address)
		require.NoError(t, err)
		raw, err := c.(syscall.Conn).SyscallConn()
		require.NoError(t, err)
		var got int
		require.NoError(t, raw.Control(func(fd uintptr) {
			got, err = unix.GetsockoptInt(int(fd), unix.IPPROTO_TCP,
				unix.TCP_USER_TIMEOUT)
		}))
		require.NoError(t, err)
		require.Equal(t, want, got, timeout)
		require.NoError(t, c.Close())
	}
}
