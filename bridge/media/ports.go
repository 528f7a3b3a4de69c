package media

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"syscall"

	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

// expedited is the differentiated-services field of speech: code point EF, 46 (RFC 3246; for telephony RFC 4594), above two unused bits.
const expedited = 46 << 2

// portRange is inclusive at both ends.
type portRange struct{ low, high uint16 }

// first is the lowest even port.
func (p portRange) first() int { return (int(p.low) + 1) &^ 1 }

// pairs is how many even ports have their odd neighbour in the range too.
func (p portRange) pairs() int { return max(0, (int(p.high)-p.first()+1)/2) }

// bind takes a free even port and the next odd one at that address. It begins at a random place of the range, so that a port just
// freed is seldom the next one used and late packets of the old call meet nobody.
func (p portRange) bind(addr netip.Addr) (pair [2]*net.UDPConn, err error) {
	n := p.pairs()
	begin := rand.IntN(n)
	for i := range n {
		port := uint16(p.first() + 2*((begin+i)%n))
		pair, err = bindPair(addr, port)
		if err == nil {
			return pair, nil
		}
		if !errors.Is(err, syscall.EADDRINUSE) {
			return pair, fmt.Errorf("media: bind %v: %w", addr, err)
		}
	}
	return pair, fmt.Errorf("media: all %d port pairs of %d-%d at %v are taken; widen media.ports (a call takes a pair at either side): %w",
		n, p.low, p.high, addr, syscall.EADDRINUSE)
}

// bindPair binds port and port+1, or neither.
func bindPair(addr netip.Addr, port uint16) (pair [2]*net.UDPConn, err error) {
	if pair[rtpFlow], err = bindOne(addr, port); err != nil {
		return pair, err
	}
	if pair[rtcpFlow], err = bindOne(addr, port+1); err != nil {
		return pair, errors.Join(err, pair[rtpFlow].Close())
	}
	return pair, nil
}

func bindOne(addr netip.Addr, port uint16) (*net.UDPConn, error) {
	network := "udp4"
	if addr.Is6() {
		network = "udp6"
	}
	c, err := net.ListenUDP(network, net.UDPAddrFromAddrPort(netip.AddrPortFrom(addr, port)))
	if err != nil {
		return nil, err
	}
	// The mark is a wish to the network: where it is refused, packets pass unmarked.
	if addr.Is4() {
		_ = ipv4.NewConn(c).SetTOS(expedited)
	} else {
		_ = ipv6.NewConn(c).SetTrafficClass(expedited)
	}
	return c, nil
}
