package programtest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Notices receives what a program tells its service manager (sd_notify(3)), and keeps the files that it stores there
// (FDSTORE=1). All methods are safe for concurrent use.
type Notices struct {
	path string

	mu   sync.Mutex
	all  []string
	kept []*os.File
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
		for b, rights := make([]byte, 4096), make([]byte, 4096); ; {
			length, got, _, _, err := c.ReadMsgUnix(b, rights)
			if err != nil {
				return
			}
			n.add(string(b[:length]), files(rights[:got]))
		}
	})
	t.Cleanup(func() {
		c.Close()
		reading.Wait()
		n.Forget()
		os.RemoveAll(dir)
	})
	return n
}

// files returns the files that came with a notice.
func files(rights []byte) (all []*os.File) {
	messages, _ := syscall.ParseSocketControlMessage(rights) // what cannot be parsed brings no file
	for i := range messages {
		fds, _ := syscall.ParseUnixRights(&messages[i])
		for _, fd := range fds {
			syscall.CloseOnExec(fd)
			all = append(all, os.NewFile(uintptr(fd), "kept"))
		}
	}
	return all
}

func (n *Notices) add(text string, with []*os.File) {
	if strings.HasPrefix(text, "FDSTOREREMOVE=1") {
		n.Forget()
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.all, n.kept = append(n.all, text), append(n.kept, with...)
	close(n.more)
	n.more = make(chan struct{})
}

// Forget closes the stored files.
func (n *Notices) Forget() {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, f := range n.kept {
		f.Close()
	}
	n.kept = nil
}

// Kept returns the files that the program has stored. It waits for the notices that were sent before.
func (n *Notices) Kept() []*os.File {
	const last = "LAST=1"
	before, more := n.watch(last)
	if c, err := net.Dial("unixgram", n.path); err == nil {
		_, _ = c.Write([]byte(last)) // fails if the test has ended
		c.Close()
		for count := before; count == before; count, more = n.watch(last) {
			<-more
		}
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return slices.Clone(n.kept)
}

// Launch launches a program that gets the stored files (sd_listen_fds(3)). They are not closed before it has started.
func (n *Notices) Launch(t testing.TB, cmd *exec.Cmd) *Process {
	t.Helper()
	cmd.ExtraFiles = n.Kept()
	cmd.Env = append(cmd.Env, fmt.Sprint("LISTEN_FDS=", len(cmd.ExtraFiles)))
	cmd.Args = append([]string{"sh", "-c", `LISTEN_PID=$$ exec "$0" "$@"`, cmd.Path}, cmd.Args[1:]...)
	cmd.Path = "/bin/sh"
	n.mu.Lock()
	defer n.mu.Unlock()
	return Launch(t, cmd)
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
