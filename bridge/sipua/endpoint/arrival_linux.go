package endpoint

import (
	"encoding/binary"
	"net"
	"net/netip"
	"time"

	"golang.org/x/sys/unix"
)

// readBoot reads the boot clock.
func readBoot() Arrival {
	var t unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &t) != nil {
		return 0
	}
	return Arrival(t.Nano())
}

// readClocks reads both clocks at one time: if more than roughly passes between, it reads them again.
func readClocks() (wall, boot time.Duration) {
	for range 10 {
		before := readBoot()
		wall = time.Duration(time.Now().UnixNano())
		after := readBoot()
		if boot = time.Duration(after); time.Duration(after-before) < clockPairSlack {
			return wall, time.Duration(before+after) / 2
		}
	}
	return wall, boot
}

// timestampedConn is a UDP socket whose datagrams bear the kernel's stamp of their arrival. Its reading is for one
// goroutine.
type timestampedConn struct {
	*net.UDPConn
	control [64]byte // holds the one control message there is
}

// newTimestampedConn returns nil if the kernel does not stamp.
func newTimestampedConn(c *net.UDPConn) *timestampedConn {
	raw, err := c.SyscallConn()
	if err != nil {
		return nil
	}
	var set error
	if err := raw.Control(func(fd uintptr) {
		set = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1)
	}); err != nil || set != nil {
		return nil
	}
	return &timestampedConn{UDPConn: c}
}

// read reads a datagram and its stamp, by the wall clock; 0: it has none.
func (s *timestampedConn) read(b []byte) (n int, from netip.AddrPort, stamp time.Duration, err error) {
	n, length, _, from, err := s.ReadMsgUDPAddrPort(b, s.control[:])
	for left := s.control[:length]; err == nil && len(left) > 0; {
		h, data, rest, bad := unix.ParseOneSocketControlMessage(left)
		if bad != nil {
			break
		}
		left = rest
		if h.Level != unix.SOL_SOCKET || h.Type != unix.SCM_TIMESTAMPNS {
			continue
		}
		switch order := binary.NativeEndian; len(data) { // struct timespec of 64 or 32 bits
		case 16:
			stamp = time.Duration(order.Uint64(data))*time.Second + time.Duration(order.Uint64(data[8:]))
		case 8:
			stamp = time.Duration(order.Uint32(data))*time.Second + time.Duration(order.Uint32(data[4:]))
		}
	}
	return n, from, stamp, err
}
