//go:build linux

package interop

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// ports gives out numbers below the range that the system takes ephemeral ports from (32768 and up on Linux), so that nobody
// who listens on port 0 can take one between our look and its use. The start is drawn, and each block is taken under a name that the
// system gives to one process only, for two test runs side by side.
var ports = struct {
	sync.Mutex
	next  int
	taken []net.Listener // for as long as the process runs
}{next: 10000 + block*rand.IntN(500)}

const block = 40

// freePorts returns the first of n ports in a row, at most a block, from an even one, that are free for UDP and TCP on loopback.
func freePorts(t testing.TB, n int) int {
	t.Helper()
	ports.Lock()
	defer ports.Unlock()
	for range 500 {
		first := ports.next
		if ports.next += block; ports.next > 32000 {
			ports.next = 10000
		}
		name, err := net.Listen("unix", fmt.Sprintf("@clearback-interop-ports-%d", first))
		if err != nil {
			continue
		}
		if n <= block && free(first, n) {
			ports.taken = append(ports.taken, name)
			return first
		}
		name.Close()
	}
	t.Fatal("no free ports")
	return 0
}

func free(first, n int) bool {
	for p := first; p < first+n; p++ {
		u, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: p})
		if err != nil {
			return false
		}
		u.Close()
		l, err := net.Listen("tcp4", fmt.Sprintf("127.0.0.1:%d", p))
		if err != nil {
			return false
		}
		l.Close()
	}
	return true
}

const listening = "0A" // a TCP socket's state in /proc/net/tcp

// bound tells whether some process has that port of udp, or listens on that of tcp; it asks the system, since trying to bind it would disturb.
func bound(network string, port int) bool { return len(sockets(network, port)) > 0 }

// boundBy tells whether it is the process with that number.
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

// sockets returns the inodes of the sockets that have that port of udp, or listen on that of tcp.
func sockets(network string, port int) (inodes []string) {
	f, err := os.Open("/proc/net/" + network)
	if err != nil {
		return nil
	}
	defer f.Close()
	want := fmt.Sprintf(":%04X", port)
	for s := bufio.NewScanner(f); s.Scan(); {
		fields := strings.Fields(s.Text())
		if len(fields) > 9 && strings.HasSuffix(fields[1], want) && (network == "udp" || fields[3] == listening) {
			inodes = append(inodes, fields[9])
		}
	}
	return inodes
}

// eventually waits until ok says so.
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
