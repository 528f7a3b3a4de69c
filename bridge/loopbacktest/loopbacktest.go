// Package loopbacktest gives tests places on the loopback network that no other test has, and starts SIPp at such a
// place.
//
// A program that is told where to listen cannot be given port 0, unless it says afterwards which port it got. Opening
// port 0, closing it and passing its number on does not help: another program may get the number in between, and a test
// that checks whether the program has its port yet can take the port from it. So each test has its own address here, as
// well as its own port. All of 127.0.0.0/8 is local on Linux. A test draws a network of 256 addresses from it and holds
// it by the name of an abstract Unix socket. The kernel gives a name to one socket only, takes it back when the process
// ends, however it ends, and has a set of names for each network namespace, just as it has a loopback interface for
// each.
//
// At such an address only a socket that is bound to all addresses can conflict. If that one asked for port 0, the
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

// Take takes a network that nobody has, until Close or the end of the process.
func Take() (*Network, error) {
	var err error
	for range 200 {
		n := &Network{a: byte(64 + rand.IntN(128)), b: byte(rand.IntN(256))} // 127.0.0.0 and those after it are everybody's
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

// Close gives it back.
func (n *Network) Close() { _ = n.name.Close() }

// Address is one of its addresses.
func (n *Network) Address(host byte) netip.Addr { return netip.AddrFrom4([4]byte{127, n.a, n.b, host}) }

// inUse reports whether any socket has one of its addresses.
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

// Own takes a network for one test.
func Own(t testing.TB) *Network {
	t.Helper()
	n, err := Take()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.Close)
	return n
}

// Address takes a network for one test and returns an address of it.
func Address(t testing.TB) netip.Addr {
	t.Helper()
	return Own(t).Address(1)
}

// Ports returns the first of n ports in a row, an even one, that are free for UDP and TCP at an address of one's own.
func Ports(t testing.TB, at netip.Addr, n uint16) uint16 {
	t.Helper()
	for range 200 {
		first := uint16(10000 + 2*rand.IntN(10000))
		if Free(at, first, n) {
			return first
		}
	}
	t.Fatalf("%v has no %d free ports", at, n)
	return 0
}

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

// Refusing is a place where TCP connections are refused until the end of the test. A socket has it that does not
// listen, so that nobody else gets the port; a listener that was closed would have given it up.
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

// Bound reports whether some socket has that place for UDP, or listens there for TCP. It reads the kernel's list, since
// to try the place would disturb whoever is about to take it.
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
