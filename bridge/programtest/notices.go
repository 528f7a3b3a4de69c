package programtest

import (
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// Notices receives what a program tells its service manager (sd_notify(3)). All methods are safe for concurrent use.
type Notices struct {
	path string

	mu   sync.Mutex
	all  []string
	more chan struct{} // closed and replaced at each notice
}

// Listen receives notices until the test ends.
func Listen(t testing.TB) *Notices {
	t.Helper()
	dir, err := os.MkdirTemp("", "notify") // a short path, since it is a Unix socket's name
	if err != nil {
		t.Fatal(err)
	}
	n := &Notices{path: filepath.Join(dir, "socket"), more: make(chan struct{})}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: n.path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	var reading sync.WaitGroup
	reading.Go(func() {
		for b := make([]byte, 4096); ; {
			length, err := c.Read(b)
			if err != nil {
				return
			}
			n.add(string(b[:length]))
		}
	})
	t.Cleanup(func() {
		c.Close()
		reading.Wait()
		os.RemoveAll(dir)
	})
	return n
}

func (n *Notices) add(text string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.all = append(n.all, text)
	close(n.more)
	n.more = make(chan struct{})
}

// Env returns the variable of the environment that names the socket, NAME=VALUE.
func (n *Notices) Env() string { return "NOTIFY_SOCKET=" + n.path }

// Count returns how many notices have the given line, such as READY=1.
func (n *Notices) Count(line string) int {
	count, _ := n.watch(line)
	return count
}

func (n *Notices) watch(line string) (count int, more <-chan struct{}) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, text := range n.all {
		if slices.Contains(strings.Split(text, "\n"), line) {
			count++
		}
	}
	return count, n.more
}

// Await waits until a process has sent more than before notices with the given line. The test fails if the process ends
// first, or after the limit.
func (n *Notices) Await(t testing.TB, p *Process, line string, before int, limit time.Duration) {
	t.Helper()
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for {
		count, more := n.watch(line)
		if count > before {
			return
		}
		select {
		case <-more:
		case <-p.Done():
			t.Fatalf("%s ended (%v) without %s:\n%s", p.Cmd.Path, p.Err(), line, p.Output())
		case <-timer.C:
			t.Fatalf("%s did not send %s within %v:\n%s", p.Cmd.Path, line, limit, p.Output())
		}
	}
}
