package transport

import (
	"net"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// LimitUnacknowledged makes the kernel end the connection when written bytes stay unacknowledged for d
// (TCP_USER_TIMEOUT, RFC 5482), so that an opening does not wait in a send queue even while this process is stopped.
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

// AcknowledgeAtOnce (TCP_QUICKACK) is for peers whose stack holds an answer back until the one before is acknowledged
// (Nagle's algorithm): with delayed acknowledgements that costs 40 ms whenever two packets follow each other. The
// kernel forgets the setting, so it is to be made anew before every read.
func AcknowledgeAtOnce(c net.Conn) {
	s, ok := c.(syscall.Conn)
	if !ok {
		return
	}
	if raw, err := s.SyscallConn(); err == nil {
		// Failing costs time and nothing else.
		_ = raw.Control(func(fd uintptr) { _ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_QUICKACK, 1) })
	}
}
