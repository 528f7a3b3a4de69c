package cli

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// pseudoTerminal opens a terminal. What is written to master is typed there, and what it shows is read from master.
func pseudoTerminal(t *testing.T) (master, terminal *os.File) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	require.NoError(t, err)
	t.Cleanup(func() { master.Close() })
	raw, err := master.SyscallConn()
	require.NoError(t, err)
	var number int
	var wrong error
	require.NoError(t, raw.Control(func(fd uintptr) { // not Fd, which would make reads block for ever
		if wrong = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); wrong != nil {
			return
		}
		number, wrong = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
	}))
	require.NoError(t, wrong)
	terminal, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { terminal.Close() })
	return master, terminal
}

// terminal returns a terminal with that many columns, and a function that returns what was written to it.
func terminal(t *testing.T, columns int) (f *os.File, written func() string) {
	t.Helper()
	master, f := pseudoTerminal(t)
	require.NoError(t, unix.IoctlSetWinsize(int(f.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: uint16(columns)}))
	var b bytes.Buffer
	read := make(chan struct{})
	go func() {
		defer close(read)
		// Reads until the terminal has no user, which is an error here.
		_, _ = b.ReadFrom(master)
	}()
	return f, func() string {
		f.Close()
		<-read
		return strings.ReplaceAll(b.String(), "\r\n", "\n")
	}
}

// onTerminal runs a subcommand on a terminal with that many columns.
func onTerminal(t *testing.T, columns int, args ...string) string {
	t.Helper()
	f, written := terminal(t, columns)
	var errs outputBuffer
	code := Main(args, Streams{In: strings.NewReader(""), Out: f, Err: &errs}, make(chan os.Signal))
	require.Equal(t, ExitOK, code, errs.String())
	return written()
}

// widest returns the length of the longest line in characters.
func widest(s string) (n int) {
	for line := range strings.Lines(s) {
		n = max(n, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")))
	}
	return n
}

// recordInto returns a function that records entries of box-office and what they changed, as the daemon does.
func recordInto(j *journal.Journal, parties ...callrecord.CallInfo) func(callrecord.Entry) {
	r := callrecord.NewRecorder("box-office")
	for _, n := range parties {
		r.AddCallInfo(n)
	}
	return func(e callrecord.Entry) {
		accounts, incidents := r.Take(e)
		j.Append(e, accounts, incidents)
	}
}

// evening records two calls: one that the far end cleared, and one to an emergency number.
func evening(t *testing.T) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "journal.db")
	j := journal.Open(journal.Options{Path: path})
	at := time.Date(2026, 3, 14, 19, 30, 0, 0, time.Local)
	add := func(n callrecord.CallInfo, events ...supervision.Event) {
		n.Line = "box-office"
		record := recordInto(j, n)
		for i, e := range events {
			e.Call = n.Call
			record(callrecord.Entry{Line: "box-office", At: at.Add(time.Duration(i) * time.Second), Event: e})
		}
	}
	add(callrecord.CallInfo{Call: 3, Direction: callrecord.Incoming, Party: callrecord.Party{Number: "555-0142"}},
		supervision.Event{Kind: supervision.CallArrived},
		supervision.Event{Kind: supervision.CallAnswered},
		supervision.Event{Kind: supervision.FarEndCleared, Evidence: supervision.EvidenceBye},
		supervision.Event{Kind: supervision.AdapterLegCleared, Answer: supervision.AnswerConfirmed})
	add(callrecord.CallInfo{Call: 4, Direction: callrecord.Outgoing, Party: callrecord.Party{Number: "555-0117"}},
		supervision.Event{Kind: supervision.CallRequested},
		supervision.Event{Kind: supervision.NearEndCleared})
	require.NoError(t, j.Close())
	return path
}

// On a terminal, the table of calls fits the width and lists the columns that it leaves out. The table of --wide, JSON
// and CSV do not depend on the width.
func TestCallsFitTheTerminal(t *testing.T) {
	path := evening(t)
	_, everything, _ := call("", "calls", "--journal", path)
	require.Greater(t, widest(everything), 120)
	require.NotContains(t, everything, "not shown")
	for _, columns := range []int{60, 80, 100, 120} {
		out := onTerminal(t, columns, "calls", "--journal", path)
		assert.LessOrEqual(t, widest(out), columns, out)
		for _, what := range []string{"box-office", "555-0142", "555-0117", "outcome", "evidence", "--wide"} {
			assert.Contains(t, out, what, columns)
		}
	}
	assert.Contains(t, onTerminal(t, 60, "calls", "--journal", path),
		"not shown: evidence, verified, cleared by, open\nasked/actual, direction;")
	assert.NotContains(t, onTerminal(t, 400, "calls", "--journal", path), "not shown")
	for _, flags := range [][]string{{"--wide"}, {"--json"}, {"--csv"}, {"--wide", "--csv"}} {
		args := append([]string{"calls", "--journal", path}, flags...)
		_, plain, _ := call("", args...)
		assert.Equal(t, plain, onTerminal(t, 80, args...), flags)
	}
}

// A column that shows trouble is never left out, and no cell loses a word.
func TestTroubleStaysOnTheTerminal(t *testing.T) {
	d := control.Daemon{Journal: control.Journal{Path: "x"}, Lines: []control.Line{{
		Name: "box-office", Service: control.Service{Registers: true, Registered: true},
		Adapter: control.Adapter{Bound: true, Address: "192.0.2.21:5060"},
		Calls:   []control.Call{{Call: 3, State: "answered", Number: "555-0142"}}, Loop: "closed",
		Contact:  control.Contact{Controller: "cabinet", Kind: "oneshot"},
		Interval: control.Interval{Milliseconds: 800, Configured: 800},
		Verify:   control.Verify{By: "options", Trusted: true},
	}}}
	shown := func(columns int) string {
		f, written := terminal(t, columns)
		printDaemon(&safeWriter{w: f}, d, time.Now())
		return written()
	}
	out := shown(80)
	assert.LessOrEqual(t, widest(out), 80, out)
	assert.Contains(t, out, "not shown: SERVICE TIMES, REGISTERED, LAST HEARD, INTERVAL, VERIFY, CONTACT;\n--wide")
	d.Lines[0].Contact.Problem, d.Lines[0].Verify.Trusted = "close failing", false
	d.Lines[0].Service = control.Service{Registers: true, Problem: "403 Forbidden"}
	out = shown(80)
	assert.LessOrEqual(t, widest(out), 80, out)
	assert.Contains(t, out, "not shown: SERVICE TIMES, REGISTERED, LAST HEARD, INTERVAL; --wide")
	words := strings.Fields(out)
	for _, word := range strings.Fields("NOT trusted yet CLOSE FAILING 403") {
		assert.Contains(t, words, word, out)
	}
}

// Later rows keep the columns of the first rows, whatever their cells contain.
func TestRowsThatFollowStandBelow(t *testing.T) {
	f, written := terminal(t, 40)
	table := table{w: f, spare: []string{"evidence"}}
	require.NoError(t, table.write([][]string{
		{"line", "evidence", "outcome"}, {"box-office", "dialog-event of the service", "cleared"},
	}))
	require.NoError(t, table.write(nil))
	require.NoError(t, table.write([][]string{{"green-room-of-the-playhouse", "bye",
		"an incident that did not clear"}}))
	assert.Equal(t, `line        outcome
box-office  cleared
not shown: evidence; --wide shows every
column
green-room  an incident that did not
-of-the-pl  clear
ayhouse
`, written())
}

// A text broken at any width keeps its characters and the order of its words, and no line is too long.
func TestBreakAt(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1))
	for range 2000 {
		var words []string
		for range random.IntN(6) {
			words = append(words, strings.Repeat("ö", 1+random.IntN(12)))
		}
		text, most := strings.Join(words, " "), 1+random.IntN(20)
		lines := breakAt(text, most)
		for _, line := range lines {
			require.LessOrEqual(t, utf8.RuneCountInString(line), most)
		}
		require.Equal(t, strings.ReplaceAll(text, " ", ""), strings.ReplaceAll(strings.Join(lines, ""), " ", ""))
	}
	assert.Equal(t, []string{"call 3, 2m10s", "ago: cleared"}, breakAt("call 3, 2m10s ago: cleared", 14))
}
