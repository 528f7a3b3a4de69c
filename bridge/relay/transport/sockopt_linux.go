package transport

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// LimitUnacknowledged makes the kernel end the connection when written bytes stay unacknowledged for d (TCP_USER_TIMEOUT,
// RFC 5482), so that an opening does not wait in a send queue even while this process is stopped.
func LimitUnacknowledged(d time.Duration) func(network, address string, c syscall.RawConn) error {
	return func(_, _ string, c syscall.RawConn) error {
		var set error
		if err := c.Control(func(fd uintptr) {
			set = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(d.Milliseconds()))
		}); err != nil {
			return err
		}
		return set
	}
}
