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

// BootTime returns the time since the machine started, which includes the time that it slept.
func BootTime() time.Duration { return time.Duration(readBoot()) }

// readClocks reads both clocks.
func readClocks() (wall, boot time.Duration) {
	return readPair(func() time.Duration { return time.Duration(time.Now().UnixNano()) }, readBoot)
}

// readPair reads two clocks. If clockPairSlack or more passes during the reading, it reads them again, up to ten times.
func readPair(readWall func() time.Duration, readBoot func() Arrival) (wall, boot time.Duration) {
	for range 10 {
		before := readBoot()
		wall = readWall()
		after := readBoot()
		if boot = time.Duration(after); time.Duration(after-before) < clockPairSlack {
			return wall, time.Duration(before+after) / 2
		}
	}
	return wall, boot
}

// timestampedConn is a UDP socket whose datagrams carry the kernel's stamp of their arrival. Only one goroutine may
// read from it.
type timestampedConn struct {
	*net.UDPConn
	control [64]byte // room for the one control message of a datagram
}

// newTimestampedConn returns nil if the kernel does not stamp datagrams.
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

// read reads a datagram and its stamp by the wall clock; stamp is 0 if there is none.
func (s *timestampedConn) read(b []byte) (n int, from netip.AddrPort, stamp time.Duration, err error) {
	n, length, _, from, err := s.ReadMsgUDPAddrPort(b, s.control[:])
	if err == nil {
		stamp = stampOf(s.control[:length])
	}
	return n, from, stamp, err
}

// stampOf returns the stamp among the control messages of a datagram, or 0 if there is none.
func stampOf(control []byte) (stamp time.Duration) {
	for len(control) > 0 {
		var h unix.Cmsghdr
		var data []byte
		h, data, control, _ = unix.ParseOneSocketControlMessage(control) // nothing is left of a malformed one
		if h.Level == unix.SOL_SOCKET && h.Type == unix.SCM_TIMESTAMPNS {
			stamp = timespec(data)
		}
	}
	return stamp
}

// timespec reads a struct timespec of 64 or 32 bits; any other length gives 0.
func timespec(data []byte) time.Duration {
	switch order := binary.NativeEndian; len(data) {
	case 16:
		return time.Duration(order.Uint64(data))*time.Second + time.Duration(order.Uint64(data[8:]))
	case 8:
		return time.Duration(order.Uint32(data))*time.Second + time.Duration(order.Uint32(data[4:]))
	}
	return 0
}
