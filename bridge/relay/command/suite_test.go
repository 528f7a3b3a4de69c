package command

import (
	"cmp"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m, goleak.Cleanup(func(code int) {
		os.RemoveAll(buildDir)
		os.Exit(code)
	}))
}

var long = flag.Bool("long", false, "every kind of program")

// testTimeout is long enough for a machine that is busy with our other tests; see relaytest.Timeout.
const testTimeout = 800 * time.Millisecond

// buildDir is the directory in which the program is built. TestMain removes it. It is empty if it could not be made.
var buildDir, errBuildDir = os.MkdirTemp("", "clearback-command")

var buildContact = sync.OnceValues(func() (string, error) {
	bin := filepath.Join(buildDir, "contact")
	out, err := exec.Command("cc", "-O2", "-Wall", "-o", bin, "testdata/contact.c").CombinedOutput()
	if err = errors.Join(errBuildDir, err); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return bin, nil
})

// contact builds testdata/contact.c and returns the program's path.
func contact(t *testing.T) string {
	t.Helper()
	bin, err := buildContact()
	if err != nil {
		t.Log(err)
		programtest.Missing(t, "a C compiler", "gcc libc6-dev")
	}
	return bin
}

var lines = []string{relaytest.LineA, relaytest.LineB}

// programState is the other side: the state and the faults of testdata/contact.c, in files.
type programState string

func (f programState) path(name string) string { return filepath.Join(string(f), name) }

// locked runs do while no program reads the files. It panics on failure, since the methods of a Controller have no test
// that they could fail.
func (f programState) locked(do func()) {
	l, err := os.OpenFile(f.path("lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err == nil {
		err = unix.Flock(int(l.Fd()), unix.LOCK_EX)
	}
	if err != nil {
		panic(err)
	}
	defer l.Close()
	do()
}

func (f programState) write(name, text string, flag int) {
	file, err := os.OpenFile(f.path(name), os.O_WRONLY|os.O_CREATE|flag, 0o600)
	if err == nil {
		_, err = file.WriteString(text)
		err = errors.Join(err, file.Close())
	}
	if err != nil {
		panic(err)
	}
}

func (f programState) Inject(x relaytest.Fault) {
	do := map[relaytest.Do]string{relaytest.Refuse: "refuse", relaytest.Ignore: "ignore", relaytest.Mute: "mute",
		relaytest.Hangup:    "hangup",
		relaytest.ActHangup: "acthangup", relaytest.Delay: "delay", relaytest.StallRequest: "hold"}[x.Do]
	on := map[relaytest.On]string{relaytest.Any: "any", relaytest.Opening: "open", relaytest.Closing: "close"}[x.On]
	once := 0
	if x.Once {
		once = 1
	}
	f.locked(func() {
		f.write("fault", fmt.Sprintf("%s %s %d %d\n", do, on, once, x.Delay.Milliseconds()), os.O_TRUNC)
	})
}

func (f programState) Clear()   { f.locked(func() { os.Remove(f.path("fault")) }) }
func (f programState) Cut()     { f.locked(func() { f.write("cut", "", 0) }) }
func (f programState) Restore() { f.locked(func() { os.Remove(f.path("cut")) }) }

// Stalled returns the number of runs that hold their request. The file release makes them continue. A run that was
// killed no longer counts.
func (f programState) Stalled() int {
	text, err := os.ReadFile(f.path("held"))
	if err != nil && !os.IsNotExist(err) {
		panic(err)
	}
	return len(text)
}

// Release waits for the end of the released runs. Each run holds a lock on the file held while it lives.
func (f programState) Release() {
	f.write("release", "", 0)
	held, err := os.Open(f.path("held"))
	if os.IsNotExist(err) {
		return
	}
	if err == nil {
		err = unix.Flock(int(held.Fd()), unix.LOCK_EX)
	}
	if err != nil {
		panic(err)
	}
	held.Close()
	os.Remove(f.path("held"))
}

func (f programState) Move(line int, open bool) {
	f.locked(func() {
		if c := f.Changes(line); open == (len(c) > 0 && c[len(c)-1].Open) {
			return
		}
		var now unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
			panic(err)
		}
		f.write(lines[line], fmt.Sprintf("%d %s\n", now.Nano(), map[bool]string{true: "open", false: "closed"}[open]),
			os.O_APPEND)
	})
}

func (f programState) Changes(line int) []relaytest.Change {
	text, err := os.ReadFile(f.path(lines[line]))
	if err != nil && !os.IsNotExist(err) {
		panic(err)
	}
	var all []relaytest.Change
	for l := range strings.Lines(string(text)) {
		at, level, _ := strings.Cut(strings.TrimSpace(l), " ")
		ns, err := strconv.ParseInt(at, 10, 64)
		if err != nil {
			panic(err)
		}
		all = append(all, relaytest.Change{At: time.Duration(ns), Open: level == "open"})
	}
	return all
}

// atOnce is the number of cases that may start programs at the same time. With more, a start on a busy machine would
// take longer than the suite allows.
const atOnce = 8

func subject(t *testing.T, program, mode string, s relaytest.Setup, change func(*ContactOptions)) *relaytest.Subject {
	t.Helper()
	f := programState(t.TempDir())
	limit := relaytest.Timeout(testTimeout)
	b, err := NewBoard(Options{Name: "program", Program: program, Timeout: cmp.Or(s.Timeout, limit),
		Poll: 400 * time.Millisecond, Notify: s.Notify})
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: f, Start: b.Start, Ready: b.Ready, Timeout: limit, Says: "the lever is stuck",
		Late: relaytest.LateRefused, // the driver has killed it
		// an opening must be longer than several starts of a program
		Quantum: 50 * time.Millisecond, Slack: 800 * time.Millisecond}
	for i, name := range lines {
		if s.Open {
			f.Move(i, true)
		}
		o := ContactOptions{Name: name, Arguments: []string{string(f), mode, "{action}", "{line}", "{ms}", "{seq}"}}
		change(&o)
		c, err := b.Contact(o)
		require.NoError(t, err)
		sub.Outlasts = o.Timed != nil && o.Read
		if sub.Contacts[i] = c; !o.Read {
			sub.Contacts[i] = struct{ relay.Contact }{c}
		}
	}
	relaytest.SetShutdown(t, sub, limit, b.Shutdown, func(n controller.NotClosed) string { return n.Contact })
	return sub
}

// TestSuite drives testdata/contact.c, a C program that keeps its state in files.
func TestSuite(t *testing.T) {
	program := contact(t)
	run := func(name, mode string, change func(*ContactOptions)) {
		t.Run(name, func(t *testing.T) { // one after the other, since starting programs takes processor time
			room := make(chan struct{}, atOnce) // a counting semaphore
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				room <- struct{}{}
				t.Cleanup(func() { <-room })
				return subject(t, program, mode, s, change)
			})
		})
	}
	run("plain", "plain", func(o *ContactOptions) { o.Read = true })
	if *long {
		run("timed and blind", "timed", func(o *ContactOptions) { o.Timed = &Timed{Limit: 3 * time.Second} })
		run("timed", "timed", func(o *ContactOptions) { o.Read, o.Timed = true, &Timed{Limit: 3 * time.Second} })
		run("blind", "plain", func(*ContactOptions) {})
	}
}
