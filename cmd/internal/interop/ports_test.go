//go:build linux

package interop

import (
	"bufio"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/relay/relaytest/vm"
)

// network is a loopback network that no other process uses (see [loopbacktest]).
var network = sync.OnceValue(func() *loopbacktest.Network {
	n, err := loopbacktest.Take() // until the process ends
	if err != nil {
		panic(err)
	}
	return n
})

// testAddress is the loopback address for everything in this process that listens at a given address. No other process
// uses it, so only the tests of this process share its ports. In the virtual machine there are no other tests.
var testAddress = sync.OnceValue(func() netip.Addr {
	if vm.Inside() {
		return netip.MustParseAddr("127.0.0.1")
	}
	return placeOf(1)
})

// placeOf returns an address of this process's network. Address 1 is place, and the others are those of strangers.
func placeOf(host byte) netip.Addr { return network().Address(host) }

// at returns a port of place as text.
func at(port int) string { return netip.AddrPortFrom(testAddress(), uint16(port)).String() }

// atHost returns a port of another address of the network, or of place if host is 0.
func atHost(host byte, port int) string {
	if host == 0 {
		return at(port)
	}
	return netip.AddrPortFrom(placeOf(host), uint16(port)).String()
}

// ports hands out port numbers below the range that the system uses for ephemeral ports (32768 and up on Linux). A
// process that listens on port 0 at all addresses then takes none of them.
var ports = struct {
	sync.Mutex
	next int
}{next: firstPort}

const firstPort, lastPort = 10000, 32000

// freePorts returns the first of n consecutive ports, the first one even, that are free for UDP and TCP at place. The
// test keeps them even while no program uses them: they are handed out again only after all others.
func freePorts(t testing.TB, n int) int {
	t.Helper()
	ports.Lock()
	defer ports.Unlock()
	for range 1000 {
		if ports.next+n > lastPort {
			ports.next = firstPort
		}
		first := ports.next
		ports.next += n + n%2
		if loopbacktest.Free(testAddress(), uint16(first), uint16(n)) {
			return first
		}
	}
	t.Fatal("no free ports")
	return 0
}

const listening = "0A" // a TCP socket's state in /proc/net/tcp

// bound reports whether a process has that UDP port or listens on that TCP port. It asks the system, because trying to
// bind the port would disturb the owner.
func bound(network string, port int) bool { return len(sockets(network, port)) > 0 }

// boundBy reports whether the process with that number has the port.
func boundBy(pid int, network string, port int) bool {
	for _, inode := range sockets(network, port) {
		files, _ := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pid))
		for _, f := range files {
			if to, err := os.Readlink(f); err == nil && to == "socket:["+inode+"]" {
				return true
			}
		}
	}
	return false
}

// sockets returns the inodes of the sockets that have that UDP port or listen on that TCP port.
func sockets(network string, port int) (inodes []string) {
	f, err := os.Open("/proc/net/" + network)
	if err != nil {
		return nil
	}
	defer f.Close()
	a := testAddress().As4()
	want := fmt.Sprintf("%02X%02X%02X%02X:%04X", a[3], a[2], a[1], a[0], port)
	for s := bufio.NewScanner(f); s.Scan(); {
		fields := strings.Fields(s.Text())
		if len(fields) > 9 && fields[1] == want && (network == "udp" || fields[3] == listening) {
			inodes = append(inodes, fields[9])
		}
	}
	return inodes
}

// eventually waits until ok returns true.
func eventually(t testing.TB, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	if !within(limit, ok) {
		t.Fatalf("not within %v: %s", limit, what)
	}
}

func within(limit time.Duration, ok func() bool) bool {
	end := time.NewTimer(limit)
	defer end.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-end.C:
			return ok()
		}
	}
	return true
}
