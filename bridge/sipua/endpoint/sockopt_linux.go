package endpoint

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// limitUnacknowledged makes the kernel end a connection whose bytes stay unacknowledged for d (TCP_USER_TIMEOUT, RFC
// 5482).
func limitUnacknowledged(c syscall.RawConn, d time.Duration) error {
	var set error
	err := c.Control(func(fd uintptr) {
		set = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(d.Milliseconds()))
	})
	if err != nil {
		return err
	}
	return set
}
