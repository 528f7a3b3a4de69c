//go:build linux

package interop

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/bridge/relay/relaytest"
)

// agentProcess is `clearback relay` with two simulated contacts.
type agentProcess struct {
	port  int
	files [2]string // records of the contacts' movements
}

// The watchdog time of the agent under test, and its longest opening.
const (
	agentWatchdog = time.Second // outside programs start and ask within it
	agentLongest  = 2 * time.Second
)

func startAgent(t *testing.T) *agentProcess {
	t.Helper()
	dir := t.TempDir()
	a := &agentProcess{port: freePorts(t, 1)}
	file := fmt.Sprintf("listen: %s\nallow_from: [127.0.0.1]\nmax_interval: %v\nwatchdog: %v\ncontacts:\n", at(a.port),
		agentLongest, agentWatchdog)
	for i, name := range []string{"box-office", "stage-door"} {
		a.files[i] = filepath.Join(dir, name)
		file += fmt.Sprintf("  - name: %s\n    simulated: {file: %s}\n", name, a.files[i])
	}
	config := filepath.Join(dir, "relay.yaml")
	require.NoError(t, os.WriteFile(config, []byte(file), 0o600))
	p := programtest.Launch(t, exec.Command(built.other, "relay", "--config", config))
	t.Cleanup(func() {
		require.False(t, p.Ended())
		p.Signal(syscall.SIGTERM)
		require.NoError(t, p.Err())
		if t.Failed() {
			t.Log(p.Output())
		}
	})
	p.Await(t, "ready", 5*time.Second)
	return a
}

// openings returns the length of each opening of a contact. An opening that still lasts counts as -1.
func (a *agentProcess) openings(t *testing.T, contact int) []time.Duration {
	t.Helper()
	b, err := os.ReadFile(a.files[contact])
	require.NoError(t, err)
	var all []time.Duration
	var begin int64
	open := false
	for line := range strings.Lines(string(b)) {
		word, at, _ := strings.Cut(strings.TrimSpace(line), " ")
		n, err := strconv.ParseInt(at, 10, 64)
		require.NoError(t, err)
		switch {
		case word == "open" && !open:
			begin, open, all = n, true, append(all, -1)
		case word == "closed" && open:
			open, all[len(all)-1] = false, time.Duration(n-begin)
		}
	}
	return all
}

// closes waits until a contact has been open that many times, and returns the length of the last opening.
func (a *agentProcess) closes(t *testing.T, contact, times int) time.Duration {
	t.Helper()
	var all []time.Duration
	eventually(t, 5*time.Second, "the contact closes", func() bool {
		all = a.openings(t, contact)
		return len(all) == times && all[times-1] >= 0
	})
	return all[times-1]
}

// lastMove returns when a contact moved last.
func (a *agentProcess) lastMove(t *testing.T, contact int) time.Time {
	t.Helper()
	b, err := os.ReadFile(a.files[contact])
	require.NoError(t, err)
	all := strings.Fields(string(b))
	require.NotEmpty(t, all)
	n, err := strconv.ParseInt(all[len(all)-1], 10, 64)
	require.NoError(t, err)
	return time.Unix(0, n)
}

// mbpoll runs mbpoll once, with addresses counted from 0, and returns its output. args are the values to write, or
// options.
func (a *agentProcess) mbpoll(t *testing.T, table string, address int, args ...string) (string, error) {
	t.Helper()
	all := []string{"-0", "-1", "-m", "tcp", "-p", strconv.Itoa(a.port), "-t", table, "-r", strconv.Itoa(address)}
	out, err := exec.Command("mbpoll", slices.Concat(all, []string{testAddress().String()}, args)...).CombinedOutput()
	return string(out), err
}

// TestAgentByMbpoll uses the agent's registers with the independent program mbpoll.
func TestAgentByMbpoll(t *testing.T) {
	t.Parallel()
	need(t, "mbpoll")
	a := startAgent(t)
	ok := func(table string, address int, args ...string) string {
		t.Helper()
		out, err := a.mbpoll(t, table, address, args...)
		require.NoError(t, err, out)
		return out
	}
	no := func(table string, address int, args ...string) {
		t.Helper()
		out, _ := a.mbpoll(t, table, address, args...)
		require.Contains(t, out, "Illegal data value")
	}
	ok("4", 0, "7", "200") // pulse(7, 200 ms) of contact 0
	length := a.closes(t, 0, 1)
	require.GreaterOrEqual(t, length, 199500*time.Microsecond)
	require.Less(t, length, agentWatchdog, "by its own timer")

	out := ok("3", 0, "-c8")
	for i, want := range []string{"0", "7", "2", "0"} { // closed, sequence number 7, ended by the timer, nothing left
		require.Regexp(t, fmt.Sprintf(`\[%d\]:\s+%s\n`, i, want), out)
	}
	require.Regexp(t, `\[6\]:\s+1\n`, out, "one opening")

	ok("4", 0, "7", "200") // the same again
	no("4", 0, "8", strconv.Itoa(int(agentLongest.Milliseconds())+1))
	no("0", 0, "1") // a bare "on"
	require.Len(t, a.openings(t, 0), 1)

	ok("4", 2, "1", "1900")
	require.Regexp(t, `\[1\]:\s+1\n`, ok("0", 0, "-c2"))
	require.Regexp(t, `\[0\]:\s+1\n`, ok("1", 0, "-c1"), "current flows in the other loop")
	ok("0", 1, "0")
	require.Less(t, a.closes(t, 1, 1), agentWatchdog, "by command")
}

// master is the program testdata/master.c with its connection.
type master struct{ *programtest.Process }

func (a *agentProcess) master(t *testing.T) *master {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "master")
	out, err := exec.Command("sh", "-c", `cc -O2 -o "$1" testdata/master.c $(pkg-config --cflags --libs libmodbus)`,
		"sh", bin).CombinedOutput()
	if err != nil {
		t.Logf("%v: %s", err, out)
		programtest.Missing(t, "libmodbus, or a C compiler for it,", "gcc libc6-dev pkg-config libmodbus-dev")
	}
	cmd := exec.Command(bin, testAddress().String(), strconv.Itoa(a.port))
	cmd.Stderr = os.Stderr
	m := &master{programtest.StartWithInput(t, cmd)}
	t.Cleanup(func() {
		m.Input.Close()
		require.NoError(t, m.Err())
	})
	return m
}

// ask sends one command and returns its answer.
func (m *master) ask(t *testing.T, command string) string {
	t.Helper()
	_, err := fmt.Fprintln(m.Input, command)
	require.NoError(t, err)
	line, ok := m.Next(t, 10*time.Second)
	require.True(t, ok, "the master ended")
	return line
}

// TestAgentByLibmodbus uses the agent's registers with libmodbus, over one connection that stays open and finally goes
// silent.
func TestAgentByLibmodbus(t *testing.T) {
	t.Parallel()
	need(t, "cc", "pkg-config")
	a := startAgent(t)
	m := a.master(t)
	const wrong = "error Illegal data value"
	for _, c := range []struct{ ask, want string }{
		{"coils 0 2", "ok 0 0"},
		{"inputs 0 2", "ok 1 1"},
		{"input 1000 2", "ok 1 2"}, // the version of the register map, the number of contacts
		{"input 1005 2", "ok 1000 2000"},
		{"holding 0 4", "ok 0 0 0 0"},
		{"registers 0 40 1500", "ok"},
		{"coils 0 2", "ok 1 0"},
		{"inputs 0 2", "ok 0 1"},
		{"holding 0 1", "ok 40"},
		{"input 0 3", "ok 1 40 1"},
		{"registers 0 40 1900", "ok"}, // a repetition without an effect
		{"registers 0 41 2001", wrong},
		{"registers 0 42 0", "ok"}, // 0 ms closes
		{"coils 0 1", "ok 0"},
		{"input 0 3", "ok 0 42 3"},
		{"coil 0 1", wrong},
		{"coil 0 0", "ok"},
		{"coils 0 3", "error Illegal data address"},
		{"register 0 5", "error Illegal data address"}, // half a command
		{"register 1000 50", wrong},
		{"register 1000 400", "ok"},
		{"holding 1000 1", "ok 400"},
		{"input 14 1", "ok 0"},
	} {
		require.Equal(t, c.want, m.ask(t, c.ask), c.ask)
	}
	require.Len(t, a.openings(t, 0), 1)
	require.Less(t, a.closes(t, 0, 1), agentLongest/2, "a repetition does not make it longer")

	asked, late := time.Now(), relaytest.Allowance(t)
	require.Equal(t, "ok", m.ask(t, "registers 2 1 1800"))
	// The master is silent now, so the watchdog of 400 ms acts. It counts from the request, which is read before the
	// contact opens.
	length := a.closes(t, 1, 1)
	require.GreaterOrEqual(t, a.lastMove(t, 1).Sub(asked), 400*time.Millisecond-shortBy)
	require.Less(t, length, time.Second+late())
	// The registers follow the contact's move.
	eventually(t, 5*time.Second, "closed by the watchdog", func() bool { return m.ask(t, "input 8 3") == "ok 0 1 4" })
}
