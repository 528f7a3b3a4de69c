package modbus

import (
	"net"
	"syscall"

	"golang.org/x/sys/unix"
)

// acknowledgeAtOnce (TCP_QUICKACK) is for boards whose stack holds an answer back until the one before is acknowledged (Nagle's
// algorithm): with delayed acknowledgements that costs 40 ms whenever two requests are in the air. The kernel forgets the
// setting, so it is made anew before every read.
func acknowledgeAtOnce(c net.Conn) {
	s, ok := c.(syscall.Conn)
	if !ok {
		return
	}
	if raw, err := s.SyscallConn(); err == nil {
		// Failing costs time and nothing else.
		_ = raw.Control(func(fd uintptr) { _ = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_QUICKACK, 1) })
	}
}
