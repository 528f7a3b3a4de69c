package transport

import (
	"net"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// LimitUnacknowledged makes the kernel end the connection if written bytes stay unacknowledged for d (TCP_USER_TIMEOUT,
// RFC 5482). So an opening cannot wait in a send queue, even while this process is stopped.
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

// AcknowledgeAtOnce sets TCP_QUICKACK. Some peers hold an answer back until the previous one is acknowledged (Nagle's
// algorithm), and delayed acknowledgements then cost 40 ms whenever two packets follow each other. The kernel clears
// the setting, so AcknowledgeAtOnce must be called before every read.
func AcknowledgeAtOnce(c net.Conn) {
	s, ok := c.(syscall.Conn)
	if !ok {
		return
	}
	if raw, err := s.SyscallConn(); err == nil {
		// A failure only costs time.
		_ = raw.Control(func(fd uintptr) { _ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_QUICKACK, 1) })
	}
}
