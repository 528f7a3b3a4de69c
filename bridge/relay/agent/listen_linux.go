package agent

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"syscall"

	"golang.org/x/sys/unix"
)

// Listen listens for masters. The machine need not have the address yet (ip(7), IP_FREEBIND). Otherwise an agent that
// starts before the network is up would have to restart, and would open and release its outputs each time.
func Listen(at netip.AddrPort) (net.Listener, error) {
	level, option := unix.IPPROTO_IP, unix.IP_FREEBIND
	if at.Addr().Unmap().Is6() {
		level, option = unix.IPPROTO_IPV6, unix.IPV6_FREEBIND
	}
	c := net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error {
		var set error
		err := raw.Control(func(fd uintptr) { set = unix.SetsockoptInt(int(fd), level, option, 1) })
		return errors.Join(err, set)
	}}
	return c.Listen(context.Background(), "tcp", at.String())
}
