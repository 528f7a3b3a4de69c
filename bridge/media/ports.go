package media

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"syscall"
	"time"

	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

// tosExpedited is the differentiated services field for speech: code point EF, 46 (RFC 3246; for telephony RFC 4594),
// above two unused bits.
const tosExpedited = 46 << 2

// portRange is a range of ports, inclusive at both ends.
type portRange struct{ low, high uint16 }

// first returns the lowest even port.
func (p portRange) first() int { return (int(p.low) + 1) &^ 1 }

// pairs returns the number of even ports whose next odd port is in the range too.
func (p portRange) pairs() int { return max(0, (int(p.high)-p.first()+1)/2) }

// restFor is how long the ports of a closed session are not reused, so that late packets of its call reach no other
// call. Two seconds are longer than any path holds a packet back.
const restFor = 2 * time.Second

// bind binds a free even port and the next odd one at an address. The first pair tried and the step to the next are
// random, so nobody can predict a pair from the previous one. (The top-level functions of math/rand/v2 use a cipher
// seeded by the system.) A pair that is cooling down is used only if no other is free, because losing a call is worse
// than receiving a late packet.
func (r *Relay) bind(addr netip.Addr) (pair [2]*net.UDPConn, err error) {
	n := r.ports.pairs()
	place, step := rand.IntN(n), coprime(n)
	for _, resting := range []bool{false, true} {
		for range n {
			port := uint16(r.ports.first() + 2*place)
			place = (place + step) % n
			if r.isCoolingDown(netip.AddrPortFrom(addr, port)) != resting {
				continue
			}
			pair, err = bindPair(netip.AddrPortFrom(addr, port), bindNew)
			if err == nil {
				return pair, nil
			}
			if !errors.Is(err, syscall.EADDRINUSE) {
				return pair, portError(addr, err)
			}
		}
	}
	return pair, fmt.Errorf("media: all %d port pairs of %d-%d at %v are in use; widen media.ports (a stream uses a pair on each side): %w",
		n, r.ports.low, r.ports.high, addr, syscall.EADDRINUSE)
}

// portError returns the error for a port that could not be opened for another reason than that it is in use, with
// advice.
func portError(addr netip.Addr, err error) error {
	if errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) {
		return fmt.Errorf("media: bind %v: no file descriptors are left; raise the limit of this process (LimitNOFILE= in the service's unit, or ulimit -n): %w",
			addr, err)
	}
	if errors.Is(err, syscall.EADDRNOTAVAIL) {
		return fmt.Errorf("media: bind %v: this machine does not have that address now: %w", addr, err)
	}
	return fmt.Errorf("media: bind %v: %w", addr, err)
}

// coprime returns a random step that reaches all n places.
func coprime(n int) int {
	for {
		step := 1 + rand.IntN(n)
		a, b := n, step
		for b != 0 {
			a, b = b, a%b
		}
		if a == 1 {
			return step
		}
	}
}

// bindPair binds the port of at and the next one, or neither.
func bindPair(at netip.AddrPort, bind func(netip.AddrPort) (*net.UDPConn, error)) (pair [2]*net.UDPConn, err error) {
	if pair[rtpFlow], err = bind(at); err != nil {
		return pair, err
	}
	if pair[rtcpFlow], err = bind(netip.AddrPortFrom(at.Addr(), at.Port()+1)); err != nil {
		return pair, errors.Join(err, pair[rtpFlow].Close())
	}
	return pair, nil
}

// bindNew binds a port that must be free.
func bindNew(at netip.AddrPort) (*net.UDPConn, error) { return bindOne(&net.ListenConfig{}, at) }

func bindOne(by *net.ListenConfig, at netip.AddrPort) (*net.UDPConn, error) {
	p, err := by.ListenPacket(context.Background(), "udp", at.String())
	if err != nil {
		return nil, err
	}
	c := p.(*net.UDPConn)
	// The marking is a request to the network. If the system refuses it, packets are sent unmarked.
	if at.Addr().Is4() {
		_ = ipv4.NewConn(c).SetTOS(tosExpedited)
	} else {
		_ = ipv6.NewConn(c).SetTrafficClass(tosExpedited)
	}
	return c, nil
}
