package localaddr

import (
	"net/netip"

	"golang.org/x/sys/unix"
)

func bindFreely(fd uintptr, at netip.Addr) error {
	if at.Unmap().Is6() {
		return unix.SetsockoptInt(int(fd), unix.IPPROTO_IPV6, unix.IPV6_FREEBIND, 1)
	}
	return unix.SetsockoptInt(int(fd), unix.IPPROTO_IP, unix.IP_FREEBIND, 1)
}
