package cli

import (
	"context"
	"database/sql"
	"encoding/json"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // for a machine without a time zone database

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/journal"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// recorded adds a journal and a control socket to the file. The socket's path is short, because the kernel limits it.
func recorded(t *testing.T, path string) (socket string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "millrace")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	socket = filepath.Join(dir, "control")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = append(text, []byte("journal: {file: journal.db}\ncontrol: {socket: "+socket+"}\n")...)
	require.NoError(t, os.WriteFile(path, text, 0o600))
	return socket
}

// switchedOff returns a configuration file without journal and control socket.
func switchedOff(t *testing.T) (path string) {
	t.Helper()
	path = daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = append(text, []byte("journal: {file: none}\ncontrol: {socket: none}\n")...)
	require.NoError(t, os.WriteFile(path, text, 0o600))
	return path
}

// A daemon whose file names neither journal nor control socket has both, and the commands find them with the same file,
// also by a relative path.
func TestDefaultPathsAreFound(t *testing.T) {
	b := &daemontest.Board{}
	path := daemontest.File(t, daemontest.Serve(t, b), daemontest.Answering(t, "200 OK"),
		daemontest.Answering(t, "200 OK"))
	stop := running(t, path, filepath.Join(filepath.Dir(path), "control"))
	t.Chdir(filepath.Dir(path))
	for _, p := range []string{path, filepath.Base(path)} {
		code, out, errs := call("", "lines", "--config", p)
		assert.Equal(t, ExitOK, code, errs)
		assert.Contains(t, out, "box-office")
		assert.NotContains(t, out, "journal:")
	}
	stop()
	code, _, errs := call("", "calls", "--config", filepath.Base(path))
	assert.Equal(t, ExitOK, code, errs)
	code, out, errs := call("", "check", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "journal: "+filepath.Join(filepath.Dir(path), "journal.db"))
	assert.Contains(t, out, "control socket: "+filepath.Join(filepath.Dir(path), "control"))
}

// running runs the daemon as `run` does until stop is called.
func running(t *testing.T, path, socket string) (stop func()) {
	t.Helper()
	signals, ended := make(chan os.Signal), make(chan int, 1)
	var out, errs outputBuffer
	go func() {
		ended <- Main([]string{"run", "--config", path}, Streams{In: strings.NewReader(""), Out: &out, Err: &errs},
			signals)
	}()
	require.Eventually(t, func() bool {
		c, err := net.Dial("unix", socket)
		if err == nil {
			c.Close()
		}
		return err == nil
	}, 10*time.Second, 5*time.Millisecond, "the control socket answers")
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		signals <- os.Interrupt
		assert.Equal(t, ExitOK, <-ended, errs.String())
	}
	t.Cleanup(stop)
	return stop
}

// pulsed opens the loop by hand, as soon as the daemon is connected to its board.
func pulsed(t *testing.T, path string) (out string) {
	t.Helper()
	require.Eventually(t, func() bool {
		var code int
		code, out, _ = call("", "pulse", "box-office", "--interval", "300ms", "--config", path)
		return code == ExitOK
	}, 10*time.Second, 10*time.Millisecond)
	return out
}

// Every command that asks a running daemon works over its real socket and with its real journal, and fails as it should
// once the daemon has stopped.
func TestControlCommands(t *testing.T) {
	board := &daemontest.Board{}
	path := daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	socket := recorded(t, path)
	stop := running(t, path, socket)

	out := pulsed(t, path)
	assert.Regexp(t, `^box-office: loop open for [3-9]\d\d\.\d ms \(asked 300 ms\); hook: unknown\n$`, out)
	moves, at := board.Moves()
	require.Equal(t, []bool{true, false}, moves)
	assert.GreaterOrEqual(t, at[1].Sub(at[0]), 295*time.Millisecond)

	code, _, errs := call("", "pulse", "box-office", "--interval", "100ms", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs,
		"not opened: The requested interval is outside the policy of the line. Allowed are 250ms to 2.8s.")

	for _, c := range []string{"pulse", "tune", "keep", "window", "calls", "explain"} {
		code, _, errs = call("", c, "trapdoor", "--config", path)
		assert.Equal(t, ExitFaults, code, c)
		assert.Contains(t, errs, `there is no line "trapdoor"; there are box-office`, c)
	}

	code, out, errs = call("", "lines", "--config", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Regexp(t, `(?m)^box-office +registered +registered \d\d:\d\d, last heard \d\d:\d\d +127\.0\.0\.1:\d+ +- +- +- +closed +cabinet, kind none +800 ms +options, NOT trusted yet +-$`,
		out)

	k := control.NewClient(socket)
	began, late := time.Now(), relaytest.Allowance(t)
	require.NoError(t, k.SetInterval(context.Background(), "box-office", 900*time.Millisecond))
	assert.Less(t, time.Since(began), time.Second+late())
	code, out, _ = call("", "lines", "--json", "--config", path)
	assert.Equal(t, ExitOK, code)
	var d control.Daemon
	require.NoError(t, json.Unmarshal([]byte(out), &d))
	assert.Equal(t, control.Interval{Milliseconds: 900, Configured: 900}, d.Lines[0].Interval)
	assert.Equal(t, path, d.Config)
	assert.Contains(t, d.Counts, control.Count{Name: "malformed messages", Rejected: true})
	assert.Error(t, k.SetInterval(context.Background(), "box-office", 1900*time.Millisecond),
		"with the lead it would end beyond 2 s")

	code, out, _ = call("", "keep", "box-office", "--config", path)
	assert.Equal(t, ExitOK, code)
	assert.Contains(t, out, "+      interval: 900ms")
	assert.Contains(t, out, "in use from now on")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Contains(t, string(text), "interval: 900ms")

	stop()
	code, _, errs = call("", "lines", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, socket)
	code, _, errs = call("", "pulse", "box-office", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, socket)

	code, out, errs = call("", "calls", "--since", "1d", "--config", path)
	require.Equal(t, ExitOK, code, errs)
	assert.Regexp(t, `box-office .*by-hand .*300/[3-9]\d\d ms`, out)
	code, out, _ = call("", "calls", "box-office", "--json", "--config", path)
	assert.Equal(t, ExitOK, code)
	assert.True(t, json.Valid([]byte(strings.Split(out, "\n")[0])), out)
	code, out, _ = call("", "calls", "--csv", "--config", path)
	assert.Equal(t, ExitOK, code)
	assert.GreaterOrEqual(t, strings.Count(out, "\n"), 2, "a header and the opening: %s", out)
	for _, what := range []string{"last", "box-office"} {
		code, out, errs = call("", "explain", what, "--config", path)
		assert.Equal(t, ExitOK, code, errs)
		assert.Contains(t, out, "box-office")
	}
	code, _, errs = call("", "explain", "4711", "--config", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "there is no call 4711")
}

func TestCallsFollow(t *testing.T) {
	path := daemontest.File(t,
		daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	socket := recorded(t, path)
	running(t, path, socket)
	signals, ended := make(chan os.Signal), make(chan int, 1)
	var out, errs outputBuffer
	journalThere := func() bool {
		_, err := os.Stat(filepath.Join(filepath.Dir(path), "journal.db"))
		return err == nil
	}
	require.Eventually(t, journalThere, 5*time.Second, 5*time.Millisecond)
	go func() {
		ended <- Main([]string{"calls", "--follow", "--config", path},
			Streams{In: strings.NewReader(""), Out: &out, Err: &errs}, signals)
	}()
	pulsed(t, path)
	assert.Eventually(t, func() bool { return strings.Contains(out.String(), "by-hand") }, 5*time.Second,
		10*time.Millisecond)
	signals <- os.Interrupt
	assert.Equal(t, ExitOK, <-ended, errs.String())
}

func TestNothingToRead(t *testing.T) {
	path, off := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060"), switchedOff(t)
	for command, says := range map[string][2]string{
		"calls":   {"journal.db does not exist", "journal.file: none"},
		"explain": {"journal.db does not exist", "journal.file: none"},
		"lines":   {"control does not exist", "set control.socket"},
	} {
		for i, p := range []string{path, off} {
			args := []string{command, "--config", p}
			if command == "explain" {
				args = append(args, "last")
			}
			code, _, errs := call("", args...)
			assert.Equal(t, ExitFailed, code, command)
			assert.Contains(t, errs, says[i], command)
		}
	}
	code, _, errs := call("", "calls", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "journal.db")

	journal := filepath.Join(filepath.Dir(path), "journal.db")
	db, err := sql.Open("sqlite", journal)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE calls (id INTEGER); PRAGMA user_version = 4711")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	code, _, errs = call("", "calls", "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "newer version")

	code, _, errs = call("", "calls", "--config", filepath.Join(t.TempDir(), "none.yaml"))
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, configVariable)
}

// Output for people uses local time, output for programs UTC.
func TestLocalTime(t *testing.T) {
	const zone = "Australia/Darwin" // 9 hours 30 minutes ahead (IANA time zone database)
	if os.Getenv("TZ") != zone {
		// A second process, because the local time is fixed when a process starts.
		again := exec.Command(os.Args[0], "-test.run=^TestLocalTime$", "-test.count=1")
		again.Env = append(os.Environ(), "TZ="+zone)
		out, err := again.CombinedOutput()
		require.NoError(t, err, "%s", out)
		return
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "journal.db")
	j := journal.Open(journal.Options{Path: file})
	at := time.Date(2026, 3, 1, 20, 15, 0, 0, time.UTC)
	record := recordInto(j)
	for i, kind := range []supervision.EventKind{supervision.CallRequested, supervision.NearEndCleared} {
		record(callrecord.Entry{At: at.Add(time.Duration(i) * time.Second), Line: "box-office",
			Event: supervision.Event{Kind: kind, Call: 3}})
	}
	require.NoError(t, j.Close())
	for args, want := range map[string]string{
		"calls": "\n2026-03-02 05:45:00  box-office ", "calls --json": "2026-03-01T20:15:00Z",
		"calls --csv": "2026-03-01T20:15:00.000Z", "explain 3": " 05:45:01.000 ",
	} {
		code, out, errs := call("", strings.Fields(args+" --journal "+file)...)
		require.Equal(t, ExitOK, code, errs)
		require.Contains(t, out, want, args)
	}
}

// calls --failed also lists an incident that belongs to no call.
func TestIncidentWithoutACall(t *testing.T) {
	file := filepath.Join(t.TempDir(), "journal.db")
	j := journal.Open(journal.Options{Path: file, Logger: zap.NewNop()})
	at := time.Now().Add(-time.Hour)
	record := recordInto(j)
	report := func(at time.Time, kind supervision.ReportKind) {
		record(callrecord.Entry{At: at, Line: "box-office", Effect: supervision.Effect{
			Kind: supervision.Report, Report: kind, Incident: supervision.IncidentOffHookWithoutCall,
		}})
	}
	report(at, supervision.ReportIncident)
	report(at.Add(90*time.Second), supervision.ReportIncidentEnded)
	record(callrecord.Entry{At: at.Add(2 * time.Minute), Line: "box-office", Effect: supervision.Effect{
		Kind: supervision.Report, Report: supervision.ReportIncident, Incident: supervision.IncidentIntervalShort,
		Call: 7,
	}})
	require.NoError(t, j.Close())
	code, out, errs := call("", "calls", "--failed", "--journal", file)
	require.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "box-office: incident off-hook-without-call, from "+at.Local().Format(time.DateTime))
	assert.Contains(t, out, "a probe cannot tell a held line from a lifted")
	assert.NotContains(t, out, "incident interval-short, call 7", "the row of a call tells its own")
	for _, args := range []string{"--since 30m --failed", "--failed --json", "", "--failed foyer"} {
		_, out, _ := call("", append(strings.Fields("calls --journal "+file), strings.Fields(args)...)...)
		assert.NotContains(t, out, "off-hook-without-call", args)
	}
}

// SAFETY.md S16, S92: a contact that is stuck open on an idle line is an incident, and `lines` says that the loop is
// open.
func TestLinesSayThatALoopIsOpen(t *testing.T) {
	board := &daemontest.Board{} // its output sticks, but it confirms every command
	path := daemontest.File(t,
		daemontest.Serve(t, board), daemontest.Answering(t, "200 OK"), daemontest.Answering(t, "200 OK"))
	running(t, path, recorded(t, path))
	lines := func() string {
		_, out, _ := call("", "lines", "--config", path)
		return out
	}
	require.Eventually(t, func() bool {
		return regexp.MustCompile(`(?m)^box-office .* closed +cabinet, kind none +800`).MatchString(lines())
	}, 10*time.Second, 10*time.Millisecond)
	board.Stick(true)
	require.Eventually(t, func() bool {
		out := lines()
		return regexp.MustCompile(`(?m)^box-office .* OPEN +cabinet, kind none, CLOSE FAILING`).MatchString(out) &&
			regexp.MustCompile(`(?m)^box-office: INCIDENT loop-open .*Restore the telephones of line box-office`).MatchString(out)
	}, 10*time.Second, 10*time.Millisecond)
	board.Stick(false)
	require.Eventually(t, func() bool {
		return !strings.Contains(lines(), "INCIDENT") &&
			!strings.Contains(lines(), "OPEN")
	}, 10*time.Second, 10*time.Millisecond)
}
