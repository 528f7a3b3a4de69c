//go:build linux

package interop

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// agent runs the built binary as `clearback relay`, with one simulated contact that records its movements in a file.
type agent struct {
	*programtest.Process
	t       *testing.T
	dir     string
	port    int
	notices *programtest.Notices
}

const agentFile = `listen: %s
allow_from: [127.0.0.1]
hardware_watchdog: {device: %s/dog, timeout: 2s}
contacts:
  - name: box-office
    simulated: {file: %s/moves}
`

func newAgentTestBed(t *testing.T) *agent {
	t.Helper()
	a := prepareAgent(t, func(a *agent) string { return fmt.Sprintf(agentFile, at(a.port), a.dir, a.dir) })
	require.NoError(t, os.WriteFile(filepath.Join(a.dir, "dog"), nil, 0o600))
	a.start()
	return a
}

// prepareAgent prepares everything except the process.
func prepareAgent(t *testing.T, file func(*agent) string) *agent {
	t.Helper()
	a := &agent{t: t, dir: t.TempDir(), port: freePorts(t, 1), notices: programtest.Listen(t)}
	require.NoError(t, os.WriteFile(filepath.Join(a.dir, "relay.yaml"), []byte(file(a)), 0o600))
	return a
}

// quiet returns a logger that writes nothing. By default the library writes to the test's own output.
func quiet() *log.Logger { return log.New(io.Discard, "", 0) }

func (a *agent) command(args ...string) *exec.Cmd {
	return exec.Command(built.other, append([]string{"relay", "--config", filepath.Join(a.dir, "relay.yaml")},
		args...)...)
}

func (a *agent) start() {
	a.t.Helper()
	cmd := a.command()
	cmd.Env = append(os.Environ(), a.notices.Env(), "WATCHDOG_USEC=200000")
	ready := a.notices.Count("READY=1")
	a.Process = programtest.Start(a.t, cmd)
	a.notices.Await(a.t, a.Process, "READY=1", ready, 5*time.Second)
}

// until waits until f returns true of the agent's process.
func (a *agent) until(what string, f func() bool) {
	a.t.Helper()
	limit := time.NewTimer(5 * time.Second)
	defer limit.Stop()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for !f() {
		select {
		case <-tick.C:
		case <-limit.C:
			a.t.Fatalf("waited in vain: %s\n%s", what, a.Output())
		}
	}
}

// moves returns the contact's movements so far.
func (a *agent) moves() []string {
	b, err := os.ReadFile(filepath.Join(a.dir, "moves"))
	require.NoError(a.t, err)
	var all []string
	for line := range strings.Lines(string(b)) {
		word, _, _ := strings.Cut(line, " ")
		all = append(all, word)
	}
	return all
}

func (a *agent) where() string { m := a.moves(); return m[len(m)-1] }

// lastOpening returns the length of the last opening that has ended.
func (a *agent) lastOpening() time.Duration {
	b, err := os.ReadFile(filepath.Join(a.dir, "moves"))
	require.NoError(a.t, err)
	var began, length int64
	for line := range strings.Lines(string(b)) {
		var word string
		var at int64
		_, err := fmt.Sscan(line, &word, &at)
		require.NoError(a.t, err)
		if word == "open" {
			began = at
		} else if began != 0 {
			length, began = at-began, 0
		}
	}
	return time.Duration(length)
}

// master returns a Modbus client of the library simonvetter/modbus.
func (a *agent) master() *modbus.ModbusClient {
	a.t.Helper()
	c, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + at(a.port), Timeout: 20 * time.Second,
		Logger: quiet()})
	require.NoError(a.t, err)
	require.NoError(a.t, c.Open())
	a.t.Cleanup(func() { _ = c.Close() })
	return c
}

// open opens the contact. An agent that a busy machine made stand still obeys no earlier command, so the command is
// given until it is obeyed.
func (a *agent) open(d time.Duration) {
	a.t.Helper()
	c := a.master()
	a.until("it opens", func() bool { return c.WriteRegister(1, uint16(d.Milliseconds())) == nil })
	require.NoError(a.t, c.Close())
	require.Contains(a.t, a.moves(), "open")
}

func (a *agent) code() int {
	a.t.Helper()
	return a.ExitCode(a.t, 5*time.Second)
}

// isStopped reports whether every thread is stopped (state T, proc_pid_stat(5)).
func (a *agent) isStopped() bool {
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", a.Cmd.Process.Pid))
	require.NoError(a.t, err)
	for _, name := range threads {
		b, err := os.ReadFile(name)
		_, rest, _ := strings.Cut(string(b), ") ")
		if err != nil || !strings.HasPrefix(rest, "T") {
			return false
		}
	}
	return len(threads) > 0
}

func (a *agent) fed() []byte {
	b, err := os.ReadFile(filepath.Join(a.dir, "dog"))
	require.NoError(a.t, err)
	return b
}

// Whatever signal ends the agent, it closes the loop first.
func TestAgentEndsClosed(t *testing.T) {
	t.Parallel()
	for _, s := range []syscall.Signal{
		syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP,
		syscall.SIGQUIT, syscall.SIGABRT, syscall.SIGSEGV, syscall.SIGBUS, syscall.SIGFPE, syscall.SIGILL,
		syscall.SIGSYS, syscall.SIGTRAP,
		syscall.SIGALRM, syscall.SIGVTALRM, syscall.SIGXCPU, syscall.SIGXFSZ, syscall.SIGUSR1, syscall.SIGUSR2,
	} {
		t.Run(s.String(), func(t *testing.T) {
			t.Parallel()
			a := newAgentTestBed(t)
			a.open(3 * time.Second)
			a.Signal(s)
			want := 1
			switch s {
			case syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP, syscall.SIGUSR2:
				want = 0
			}
			require.Equal(t, want, a.code(), a.Output())
			require.Equal(t, "closed", a.where())
			require.Less(t, a.lastOpening(), 2900*time.Millisecond, "not by its timer")
			a.until("reported that it stops", func() bool { return a.notices.Count("STOPPING=1") == 1 })
			require.True(t, bytes.HasSuffix(a.fed(), []byte{'V'}), "the hardware watchdog is stopped")
		})
	}
}

// SIGKILL cannot be caught. The contact stays as it was until the service manager runs `relay --close` or the next
// agent starts. The hardware watchdog keeps running.
func TestAgentKilled(t *testing.T) {
	t.Parallel()
	a := newAgentTestBed(t)
	a.open(3 * time.Second)
	a.Kill()
	require.Equal(t, -1, a.code())
	require.Equal(t, "open", a.where())
	require.NotContains(t, string(a.fed()), "V")
	out, err := a.command("--close", "--within", "1s").CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Equal(t, "every contact is closed\n", string(out))
	require.Equal(t, "closed", a.where())
	n := len(a.moves())
	a.start()
	require.Equal(t, "closed", a.moves()[n], "closed first")
}

// A stopped agent feeds no watchdog, so the watchdogs act. When the agent continues, commands that arrived meanwhile
// open nothing, and an open contact is closed at once.
func TestAgentStopped(t *testing.T) {
	t.Parallel()
	a := newAgentTestBed(t)
	a.until("feeding", func() bool { return a.notices.Count("WATCHDOG=1") > 2 })
	c, err := net.Dial("tcp", at(a.port))
	require.NoError(t, err)
	defer c.Close()
	a.open(200 * time.Millisecond)
	a.Signal(syscall.SIGSTOP)
	// The first thread that gets the signal stops the others, and may have to wait for a processor.
	a.until("all its threads are stopped", a.isStopped)
	fed := a.notices.Count("WATCHDOG=1")
	// An opening of 3 s, as a Modbus TCP frame.
	_, err = c.Write(binary.BigEndian.AppendUint16([]byte{0, 1, 0, 0, 0, 6, 1, 6, 0, 1}, 3000))
	require.NoError(t, err)
	later, err := net.Dial("tcp", at(a.port)) // the kernel accepts the connection
	require.NoError(t, err)
	defer later.Close()
	_, err = later.Write(binary.BigEndian.AppendUint16([]byte{0, 1, 0, 0, 0, 6, 1, 6, 0, 1}, 3000))
	require.NoError(t, err)
	<-time.After(700 * time.Millisecond) // the time for which the agent is stopped
	require.LessOrEqual(t, a.notices.Count("WATCHDOG=1"), fed+5, "but for some on their way; it would be 14 more")
	a.Signal(syscall.SIGCONT)
	for _, conn := range []net.Conn{c, later} {
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(5*time.Second)))
		_, err := conn.Read(make([]byte, 16))
		require.Error(t, err)
		require.False(t, errors.Is(err, os.ErrDeadlineExceeded), "the connection continues")
	}
	a.until("closed", func() bool { return a.where() == "closed" })
	require.Equal(t, []string{"closed", "open", "closed"}, a.moves())
	a.until("feeding again", func() bool { return a.notices.Count("WATCHDOG=1") > fed+2 })
	a.until("a master gets in again", func() bool {
		m, err := modbus.NewClient(&modbus.ClientConfiguration{URL: "tcp://" + at(a.port), Timeout: time.Second,
			Logger: quiet()})
		require.NoError(t, err)
		if m.Open() != nil {
			return false
		}
		defer m.Close()
		return m.WriteRegister(1, 20) == nil
	})
	require.Contains(t, a.Output(), "stood still")
	a.Signal(syscall.SIGTERM)
	require.Equal(t, 0, a.code())
}

// The machine's watchdog is fed four times within its time-out, with any letter but the one that stops it.
func TestAgentFeedsTheMachine(t *testing.T) {
	t.Parallel()
	a := newAgentTestBed(t)
	a.until("feeding", func() bool { return len(a.fed()) >= 2 })
	require.NotContains(t, string(a.fed()), "V")
}
