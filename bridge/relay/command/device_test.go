package command

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// shell returns a device that runs sh -c script. The script's arguments from $1 are those of the contact.
func shell(t *testing.T, script string, arguments ...string) *device {
	t.Helper()
	o, err := ContactOptions{Name: "box-office", Arguments: append([]string{"-c", script, "sh", "{action}"},
		arguments...)}.withDefaults()
	require.NoError(t, err)
	d := &lineProgram{program: "/bin/sh", opt: o, start: start, check: CheckProgram}
	dev, err := d.connect(context.Background())
	require.NoError(t, err)
	return dev
}

func within(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

func pass() error { return nil }

func TestExitStatus(t *testing.T) {
	for script, want := range map[string]string{
		"exit 0":                              "",
		"exit 1":                              "/bin/sh: exit status 1",
		"echo no such port >&2; exit 2":       "/bin/sh: exit status 2: no such port",
		"printf 'a\\033[2Jb\\nc' >&2; exit 3": "/bin/sh: exit status 3: a?[2Jb",
		"kill -KILL $$":                       "/bin/sh was ended by a signal",
		"echo busy >&2; exit 113":             "refused: /bin/sh refused to open (exit status 113): busy",
	} {
		_, err := shell(t, script).Do(within(t, 10*time.Second), controller.Request{Op: controller.Open}, pass)
		var no *controller.Refusal
		switch {
		case want == "":
			require.NoError(t, err, script)
		case strings.HasPrefix(want, "refused: "):
			require.ErrorAs(t, err, &no, script)
			require.True(t, no.Sure)
			require.Equal(t, want, "refused: "+err.Error())
		default:
			require.EqualError(t, err, want, script)
			require.NotErrorAs(t, err, &no)
		}
	}
}

func TestLevels(t *testing.T) {
	for script, want := range map[string]relay.Level{
		"echo open": relay.LevelOpen, "printf closed": relay.LevelClosed,
		"printf '\\n  closed now\\n'": relay.LevelClosed,
		"echo opened":                 relay.LevelUnknown, "echo CLOSED": relay.LevelUnknown,
		"echo":         relay.LevelUnknown,
		":":            relay.LevelUnknown,
		"echo is open": relay.LevelUnknown,
	} {
		for _, op := range []controller.Op{controller.Read, controller.Sense} {
			level, err := shell(t, script).Do(within(t, 10*time.Second), controller.Request{Op: op}, pass)
			require.Equal(t, want, level, script)
			require.Equal(t, want == relay.LevelUnknown, err != nil, "%s: %v", script, err)
		}
	}
}

// Arguments are passed unchanged, and a line's name is not a template.
func TestArgumentsGoThroughUntouched(t *testing.T) {
	odd := []string{"", " two words ", `"quoted' \`, "$HOME `id` $(id); & | > * ? ~ !", "{}{A}{ action}{\"a\":1}",
		"a\nb\tc", "-x", "\xff\xfe", "ö"}
	out := filepath.Join(t.TempDir(), "out")
	d := shell(t, `out=$1; shift; for a; do printf '%s\0' "$a"; done >"$out"`)
	d.opt.Name = "{seq}"
	d.opt.Arguments = append([]string{"-c", d.opt.Arguments[1], "sh", out, "{action}={line}={ms}={seq}"}, odd...)
	_, err := d.Do(within(t, 10*time.Second), controller.Request{Op: controller.Open, Seq: 7,
		Duration: 1500*time.Millisecond + 1}, pass)
	require.NoError(t, err)
	got, err := os.ReadFile(out)
	require.NoError(t, err)
	require.Equal(t, append([]string{"open={seq}=1501=7"}, odd...),
		strings.Split(strings.TrimSuffix(string(got), "\x00"), "\x00"))
	require.Equal(t, "close={seq}=0=0", d.opt.arguments(controller.Request{Op: controller.Close})[4])
}

// TestEnvironmentOfTheProgram checks in /proc a program's open files, working directory, environment and process group.
func TestEnvironmentOfTheProgram(t *testing.T) {
	// like a descriptor that was open when the daemon was started
	inherited, err := unix.Open("/dev/null", unix.O_RDONLY, 0)
	require.NoError(t, err)
	defer unix.Close(inherited)
	t.Setenv("CLEARBACK_SECRET", "x")
	out := filepath.Join(t.TempDir(), "out")
	d := shell(t, `exec >"$2"; p=/proc/$$; ls "$p/fd"; readlink "$p/fd/0" "$p/cwd"; tr '\0' '\n' <"$p/environ"; cut -d' ' -f5 "$p/stat"; echo $$`,
		out)
	_, err = d.Do(within(t, 10*time.Second), controller.Request{Op: controller.Open}, pass)
	require.NoError(t, err)
	got, err := os.ReadFile(out)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(got)), "\n")
	require.Equal(t, []string{"0", "1", "2", "/dev/null", "/"}, lines[:5])
	require.ElementsMatch(t, environment, lines[5:8])
	require.Equal(t, lines[9], lines[8], "a process group of its own")
}

// A program with endless output does not block, and its output is not kept in memory.
func TestEndlessOutput(t *testing.T) {
	level, err := shell(t,
		`echo open; i=0; while [ $i -lt 100 ]; do printf '%04000d' 0; printf '%04000d' 0 >&2; i=$((i+1)); done`).
		Do(within(t, 10*time.Second), controller.Request{Op: controller.Read}, pass)
	require.NoError(t, err)
	require.Equal(t, relay.LevelOpen, level)
	o := newOutput(nil)
	for range 3 {
		o.keep(make([]byte, 3000))
	}
	require.Len(t, o.head, maxOutput)
}

// A descendant that holds the outputs open does not delay the answer. It keeps running, since it may be the program's
// timer.
func TestDescendantHoldsTheOutput(t *testing.T) {
	dir := t.TempDir()
	begin := time.Now()
	level, err := shell(t, `{ while [ ! -e "$2/go" ]; do sleep 0.01; done; : >"$2/went"; } & echo closed`, dir).
		Do(within(t, 10*time.Second), controller.Request{Op: controller.Read}, pass)
	require.NoError(t, err)
	require.Equal(t, relay.LevelClosed, level)
	require.Less(t, time.Since(begin), 5*time.Second)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "go"), nil, 0o600))
	require.Eventually(t, func() bool { _, err := os.Stat(filepath.Join(dir, "went")); return err == nil },
		5*time.Second, 2*time.Millisecond)
}

func pidIn(t *testing.T, file string) int {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	pid, err := strconv.Atoi(strings.TrimSpace(string(text)))
	require.NoError(t, err)
	return pid
}

// gone waits until a process has ended. A zombie counts, since another process is its parent.
func gone(t *testing.T, pid int) {
	t.Helper()
	require.Eventually(t, func() bool {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		_, after, _ := strings.Cut(string(text), ") ")
		return err != nil || strings.HasPrefix(after, "Z")
	}, 5*time.Second, 2*time.Millisecond)
}

// At the time-out a program that ignores signals is killed, and so are the processes that it has started. No zombie is
// left.
func TestTimeOutKillsTheGroup(t *testing.T) {
	dir := t.TempDir()
	child, self := filepath.Join(dir, "child"), filepath.Join(dir, "self")
	d := shell(t, `trap '' TERM INT HUP; sleep 60 & echo $! >"$2"; echo $$ >"$3"; while :; do sleep 60; done`, child,
		self)
	ctx, cancel := context.WithCancel(context.Background())
	stopped := make(chan error, 1) // the test may have failed by then
	go func() {
		_, err := d.Do(ctx, controller.Request{Op: controller.Open}, pass)
		stopped <- err
	}()
	require.Eventually(t, func() bool { i, err := os.Stat(self); return err == nil && i.Size() > 1 }, 5*time.Second,
		2*time.Millisecond)
	cancel()
	require.EqualError(t, <-stopped, "/bin/sh was killed: context canceled")
	_, err := os.Stat(fmt.Sprintf("/proc/%d", pidIn(t, self)))
	require.ErrorIs(t, err, os.ErrNotExist, "not even as a zombie")
	gone(t, pidIn(t, child))
}

// After a program has failed, no process of its group is left that could open the loop.
func TestFailureKillsTheGroup(t *testing.T) {
	out := filepath.Join(t.TempDir(), "pid")
	_, err := shell(t, `sleep 60 & echo $! >"$2"; exit 1`, out).Do(within(t, 10*time.Second),
		controller.Request{Op: controller.Open}, pass)
	require.EqualError(t, err, "/bin/sh: exit status 1")
	gone(t, pidIn(t, out))
}

// While one run hangs, a close runs at once, and another read waits for its turn.
func TestCloseBesideAHangingRun(t *testing.T) {
	dir := t.TempDir()
	d := shell(t, `case $1 in close) exit 0;; esac; echo >"$2/here"; sleep 60`, dir)
	ctx, cancel := context.WithCancel(context.Background())
	hangs := make(chan error, 1) // the test may have failed by then
	go func() {
		_, err := d.Do(ctx, controller.Request{Op: controller.Open}, pass)
		hangs <- err
	}()
	require.Eventually(t, func() bool { _, err := os.Stat(filepath.Join(dir, "here")); return err == nil },
		5*time.Second, 2*time.Millisecond)
	_, err := d.Do(within(t, 10*time.Second), controller.Request{Op: controller.Close}, pass)
	require.NoError(t, err)
	begun := false
	_, err = d.Do(within(t, 10*time.Millisecond), controller.Request{Op: controller.Read},
		func() error { begun = true; return nil })
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.False(t, begun)
	cancel()
	require.Error(t, <-hangs)
}

// answering is a program that takes its time to say what it found.
type answering struct {
	out    string
	killed chan struct{} // buffer 10: more than it is ever killed
}

func (a answering) kill() { a.killed <- struct{}{} }

func (a answering) wait() programResult {
	select {
	case <-time.After(defaultTimeout - 1):
	case <-a.killed:
	}
	return programResult{out: a.out}
}

// SAFETY.md S92: each line's program is asked where the contact is, often enough.
func TestFoundOpen(t *testing.T) {
	relaytest.FindsOpen(t, func(notify func(relay.Notice)) relaytest.Started {
		var open atomic.Bool
		b, err := NewBoard(Options{Name: "lever", Program: "/bin/true", NoLock: true, Notify: notify})
		require.NoError(t, err)
		b.start = func(string, []string) (process, error) {
			said := map[bool]string{true: "open", false: "closed"}[open.Load()]
			return answering{said, make(chan struct{}, 10)}, nil
		}
		_, err = b.Contact(ContactOptions{Name: "fly-floor", Read: true})
		require.NoError(t, err)
		b.Start()
		return relaytest.Started{Ready: b.Ready, Open: func() { open.Store(true) },
			Shutdown: func(ctx context.Context) { b.Shutdown(ctx) }}
	})
}
