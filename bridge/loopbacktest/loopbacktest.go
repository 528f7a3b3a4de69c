// Package loopbacktest gives tests loopback addresses that no other test has, and starts SIPp at such an address.
//
// A program whose listening port is set on the command line cannot use port 0, unless the program reports which port it
// got. Opening port 0, closing it and passing its number on does not help: another program may get the number in
// between, and a test that checks whether the program has its port yet can take the port from it. So each test has its
// own address here, as well as its own port. All of 127.0.0.0/8 is local on Linux. A test picks a network of 256
// addresses at random and reserves it by the name of an abstract Unix socket. The kernel gives a name to one socket
// only and frees the name when the process ends, however it ends. Each network namespace has its own names, just as it
// has its own loopback interface.
//
// At such an address only a socket that is bound to all addresses can conflict. If that socket asked for port 0, the
// kernel gave it a port from the ephemeral range, which begins at 32768. This package takes ports below that range, and
// tries each one.
package loopbacktest

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"testing"
)

// A Network is 256 addresses, all of them local.
type Network struct {
	a, b byte
	name net.Listener
}

// Take reserves a network that nobody else has, until Close or the end of the process.
func Take() (*Network, error) {
	var err error
	for range 200 {
		// 127.0.0.0 to 127.63.255.255 are left to others
		n := &Network{a: byte(64 + rand.IntN(128)), b: byte(rand.IntN(256))}
		if n.name, err = net.Listen("unix", fmt.Sprintf("@clearback-loopback-%d.%d", n.a, n.b)); err != nil {
			continue
		}
		// A program may outlive the test that started it.
		if !n.inUse() {
			return n, nil
		}
		n.Close()
	}
	return nil, fmt.Errorf("loopbacktest: no network is free: %w", err)
}

// Close releases the network.
func (n *Network) Close() { _ = n.name.Close() }

// Address returns the address of the network with that last byte.
func (n *Network) Address(host byte) netip.Addr { return netip.AddrFrom4([4]byte{127, n.a, n.b, host}) }

// inUse reports whether any socket has an address of the network.
func (n *Network) inUse() bool {
	suffix := fmt.Sprintf("%02X%02X7F", n.b, n.a)
	for _, network := range []string{"udp", "tcp"} {
		for _, s := range sockets(network) {
			if address, _, _ := strings.Cut(s.local, ":"); strings.HasSuffix(address, suffix) {
				return true
			}
		}
	}
	return false
}

// Own reserves a network for one test.
func Own(t testing.TB) *Network {
	t.Helper()
	n, err := Take()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.Close)
	return n
}

// Address reserves a network for one test and returns an address of it.
func Address(t testing.TB) netip.Addr {
	t.Helper()
	return Own(t).Address(1)
}

// lowest and highest bound the ports that tests get. From 30000 on are the media ports of a configuration without
// media.ports.
const lowest, highest = 10000, 29999

// Ports returns the first of n consecutive ports that are free for UDP and TCP at an address of the test's own. It is
// even.
func Ports(t testing.TB, at netip.Addr, n uint16) uint16 {
	t.Helper()
	for range 200 {
		if first := pick(n); Free(at, first, n) {
			return first
		}
	}
	t.Fatalf("%v has no %d free ports", at, n)
	return 0
}

// pick returns an even port with n-1 others above it.
func pick(n uint16) uint16 { return uint16(lowest + 2*rand.IntN((highest+1-lowest-int(n))/2+1)) }

// Free reports whether n ports from the first are free for UDP and TCP.
func Free(at netip.Addr, first, n uint16) bool {
	for p := first; p < first+n; p++ {
		place := netip.AddrPortFrom(at, p)
		u, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(place))
		if err != nil {
			return false
		}
		_ = u.Close()
		l, err := net.ListenTCP("tcp4", net.TCPAddrFromAddrPort(place))
		if err != nil {
			return false
		}
		_ = l.Close()
	}
	return true
}

// Refusing returns an address at which TCP connections are refused until the end of the test. A socket that does not
// listen is bound there, so that nobody else gets the port. A closed listener would have given the port up.
func Refusing(t testing.TB) netip.AddrPort {
	t.Helper()
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = syscall.Close(fd) })
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(err)
	}
	at, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(err)
	}
	in := at.(*syscall.SockaddrInet4)
	return netip.AddrPortFrom(netip.AddrFrom4(in.Addr), uint16(in.Port))
}

// Bound reports whether a socket is bound to the address for UDP, or listens there for TCP. It reads the kernel's list,
// since a trial binding could disturb the program that is about to take the port.
func Bound(network string, at netip.AddrPort) bool {
	a := at.Addr().As4()
	local := fmt.Sprintf("%02X%02X%02X%02X:%04X", a[3], a[2], a[1], a[0], at.Port())
	for _, s := range sockets(network) {
		if s.local == local && (network == "udp" || s.state == listening) {
			return true
		}
	}
	return false
}

const listening = "0A" // TCP_LISTEN

// socket is a line of proc_net_udp(5) or proc_net_tcp(5).
type socket struct{ local, state string }

func sockets(network string) (all []socket) {
	f, err := os.Open("/proc/net/" + network)
	if err != nil {
		return nil
	}
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		if fields := strings.Fields(s.Text()); len(fields) > 3 {
			all = append(all, socket{fields[1], fields[3]})
		}
	}
	return all
}
