//go:build !linux

package endpoint

import (
	"net"
	"net/netip"
	"time"
)

// BootTime returns 0: on this system the boot clock cannot be read.
func BootTime() time.Duration { return 0 }

func readClocks() (wall, boot time.Duration) { return 0, 0 }

// timestampedConn is a UDP socket whose datagrams carry the kernel's stamp. On this system none does.
type timestampedConn struct{ *net.UDPConn }

func newTimestampedConn(*net.UDPConn) *timestampedConn { return nil }

func (s *timestampedConn) read(b []byte) (int, netip.AddrPort, time.Duration, error) {
	n, from, err := s.ReadFromUDPAddrPort(b)
	return n, from, 0, err
}
