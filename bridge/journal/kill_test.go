package journal

import (
	"database/sql"
	"flag"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/programtest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

var kills = flag.Int("kills", 10, "how often the writing process is killed")

// killedEnv names the journal that a copy of this program, started by a test, writes until it is killed.
const killedEnv = "CLEARBACK_TEST_JOURNAL_KILLED"

// writeUntilKilled writes 2,000 records a second on four lines. After Append has returned, it prints the line and the
// time of the record, in microseconds. No two records of a line have the same time. It returns false if this process is
// not such a copy.
func writeUntilKilled() bool {
	path := os.Getenv(killedEnv)
	if path == "" {
		return false
	}
	appendForever(Open(Options{Path: path, Version: "killed", Logger: zap.NewNop()}), os.Stdout)
	return true
}

func appendForever(j *Journal, to *os.File) {
	const rate = 2000
	lines := [...]string{"box-office", "stage-door", "workshop", "green-room"}
	var recorders [len(lines)]*callrecord.Recorder
	for i := range lines {
		recorders[i] = callrecord.NewRecorder(lines[i])
	}
	first := j.FirstCall()
	tick := time.NewTicker(2 * time.Millisecond)
	began := time.Now()
	var last time.Time
	var text []byte
	for n := 0; ; {
		for due := int(time.Since(began).Seconds() * rate); n < due; n++ {
			at := time.Now().Truncate(time.Microsecond)
			if !at.After(last) {
				at = last.Add(time.Microsecond)
			}
			last = at
			line := lines[n%len(lines)]
			call := first + uint64(n/len(lines)/10*len(lines)+n%len(lines))
			recordEntry(j, recorders[n%len(lines)], step(n/len(lines), line, call, at))
			text = strconv.AppendInt(append(append(text[:0], line...), ' '), at.UnixMicro(), 10)
			if _, err := to.Write(append(text, '\n')); err != nil {
				return // the test no longer reads
			}
		}
		<-tick.C
	}
}

// step returns the n-th of ten entries of a call.
func step(n int, line string, call uint64, at time.Time) callrecord.Entry {
	e := callrecord.Entry{At: at, Line: line}
	c, seq := supervision.CallID(call), supervision.Seq(call)
	switch n % 10 {
	case 0:
		e.Event = supervision.Event{Kind: supervision.CallArrived, Call: c}
	case 1:
		e.Effect = supervision.Effect{Kind: supervision.OfferCall, Call: c}
	case 2:
		e.Event = supervision.Event{Kind: supervision.CallRinging, Call: c}
	case 3:
		e.Event = supervision.Event{Kind: supervision.CallAnswered, Call: c}
	case 4:
		e.Event = supervision.Event{Kind: supervision.FarEndCleared, Call: c, Evidence: supervision.EvidenceBye}
	case 5:
		e.Event = supervision.Event{Kind: supervision.AdapterLegCleared, Call: c, Answer: supervision.AnswerConfirmed}
	case 6:
		e.Effect = supervision.Effect{Kind: supervision.OpenLoop, Call: c, Seq: seq, Interval: 800 * time.Millisecond,
			NotAfter: 1}
	case 7:
		e.Event = supervision.Event{Kind: supervision.LoopOpened, Seq: seq}
	case 8:
		e.Event = supervision.Event{Kind: supervision.LoopClosed, Seq: seq, Took: 801 * time.Millisecond}
	case 9:
		e.Effect = supervision.Effect{Kind: supervision.Report, Report: supervision.ReportInterrupted, Call: c,
			Seq: seq, Hook: supervision.HookOn}
	}
	return e
}

// TestKilledAtAnyMoment kills a writing process at random moments. Each time the file must be undamaged and must hold
// everything that was appended more than 250 ms before (twice that under the race detector). The delay of a busy
// machine is added to this time (see yardstick).
func TestKilledAtAnyMoment(t *testing.T) {
	path := newPathOnDisk(t)
	var appended, lost, excused int
	var oldest, slowest time.Duration
	for round := range *kills {
		late := yardstick(t)
		told, killed := runAndKill(t, path, round)
		slow := late()
		slowest = max(slowest, slow)
		db, err := sql.Open("sqlite", dsn(path, "mode=rwc"))
		require.NoError(t, err)
		var sound string
		require.NoError(t, db.QueryRow("PRAGMA integrity_check").Scan(&sound), "kill %d", round)
		require.Equal(t, "ok", sound, "kill %d", round)
		there := recorded(t, db, told)
		require.NoError(t, db.Close())
		var age time.Duration
		for _, told := range told {
			at, whole := instantOf(told)
			if !whole {
				continue // the last line, truncated
			}
			appended++
			if !there[told] {
				lost++
				age = max(age, killed.Sub(time.UnixMicro(at)))
			}
		}
		oldest = max(oldest, age)
		if age > slowdown*250*time.Millisecond {
			excused++
			require.LessOrEqual(t, age, slowdown*250*time.Millisecond+2*slow, "kill %d", round)
		}
	}
	if excused > 0 {
		t.Logf("this machine was not quiet: up to %v late; %d rounds were measured with that", slowest, excused)
	}
	t.Logf("%d kills, %d records appended, %d not in the file, the oldest of them appended %v before the kill", *kills,
		appended, lost, oldest)
	assert.Positive(t, appended)

	// A call that was in progress at a kill is broken off once a later run begins.
	j := Open(options(t, path))
	require.NoError(t, j.Close())
	rows, err := reader(t, path).Calls(ctx, Filter{})
	require.NoError(t, err)
	broken := 0
	for _, row := range rows {
		require.NotEqual(t, callrecord.OutcomeInProgress, row.Outcome)
		if row.Outcome == callrecord.OutcomeBrokenOff {
			broken++
		}
	}
	assert.Positive(t, broken)
}

// runAndKill returns what the process printed until it was killed, and when it was killed.
func runAndKill(t *testing.T, path string, round int) (told []string, killed time.Time) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, "-test.run=^$")
	cmd.Env = append(os.Environ(), killedEnv+"="+path)
	p := programtest.Start(t, cmd)
	delay := time.Duration(rand.Int64N(int64(450 * time.Millisecond)))
	if round%8 != 7 { // otherwise the process may be killed while it opens the file
		p.Await(t, "", 10*time.Second)
	} else {
		delay /= 4
	}
	<-time.After(delay)
	killed = time.Now()
	p.Kill()
	return strings.FieldsFunc(p.Output(), func(r rune) bool { return r == '\n' }), killed
}

// instantOf parses the time of a line that the writing process printed.
func instantOf(told string) (at int64, whole bool) {
	_, text, _ := strings.Cut(told, " ")
	at, err := strconv.ParseInt(text, 10, 64)
	return at, err == nil && len(text) == len("1793647333000000")
}

// recorded returns the records in the file since the first printed one, in the printed form.
func recorded(t *testing.T, db *sql.DB, told []string) map[string]bool {
	t.Helper()
	all := map[string]bool{}
	if len(told) == 0 {
		return all
	}
	since, _ := instantOf(told[0])
	for _, table := range []string{"events", "effects"} {
		require.NoError(t, each(ctx, db,
			"SELECT l.name || ' ' || e.at FROM "+table+" e JOIN lines l ON l.id = e.line WHERE e.at >= ?",
			func(rows *sql.Rows) error {
				var told string
				err := rows.Scan(&told)
				all[told] = true
				return err
			}, since))
	}
	return all
}

// yardstick writes and syncs a small file every 50 ms in another folder. late stops it and returns its longest delay,
// for which neither program is responsible.
func yardstick(t *testing.T) (late func() time.Duration) {
	f, err := os.Create(filepath.Join(t.TempDir(), "yardstick"))
	require.NoError(t, err)
	quit, ended := make(chan struct{}), make(chan time.Duration)
	go func() {
		var most time.Duration
		block := make([]byte, 20<<10)
		for due := time.Now(); ; due = time.Now().Add(50 * time.Millisecond) {
			select {
			case <-quit:
				_ = f.Close() // not needed any more
				ended <- most
				return
			case <-time.After(time.Until(due)):
			}
			if _, err := f.WriteAt(block, 0); err == nil && f.Sync() == nil {
				most = max(most, time.Since(due))
			}
		}
	}()
	return func() time.Duration { close(quit); return <-ended }
}
