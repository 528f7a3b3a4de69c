// Package localaddr deals with addresses that this machine does not have yet, or not any more: before its network is
// up, and after its router has given it another address. A program that listens on such an address need not restart
// when the address comes.
package localaddr

import (
	"errors"
	"net"
	"net/netip"
	"slices"
	"strings"
	"syscall"
)

// ListenConfig returns a configuration for listening on at. On Linux the machine need not have that address (ip(7),
// IP_FREEBIND): sockets receive as soon as it has. Elsewhere listening fails until then.
func ListenConfig(at netip.Addr) *net.ListenConfig {
	return &net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error {
		var set error
		err := raw.Control(func(fd uintptr) { set = bindFreely(fd, at) })
		return errors.Join(err, set)
	}}
}

// Has reports whether this machine has the address, as the kernel sees it. It is true if the kernel cannot say.
func Has(addr netip.Addr) bool {
	c, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.AddrPortFrom(addr, 0)))
	if err != nil {
		return !errors.Is(err, syscall.EADDRNOTAVAIL)
	}
	return c.Close() == nil
}

// Others lists the addresses that this machine has, without loopback and link-local ones, for people to read.
func Others() string {
	var all []string
	nets, _ := net.InterfaceAddrs() // without them the list is empty
	for _, n := range nets {
		if p, err := netip.ParsePrefix(n.String()); err == nil && p.Addr().IsGlobalUnicast() {
			all = append(all, p.Addr().String())
		}
	}
	slices.Sort(all)
	if len(all) == 0 {
		return "no other"
	}
	return strings.Join(slices.Compact(all), ", ")
}
