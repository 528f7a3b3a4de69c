package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func TestMain(m *testing.M) {
	if virtualMachine() || writeUntilKilled() {
		return
	}
	goleak.VerifyTestMain(m)
}

var (
	ctx   = context.Background()
	start = time.Date(2026, 3, 14, 19, 30, 0, 0, time.UTC)
)

// quick returns a pace for tests.
func quick() pace {
	p := paceNow()
	p.gather, p.maintain, p.retry, p.lockTolerance, p.busy = 5*time.Millisecond, 20*time.Millisecond,
		10*time.Millisecond, 50*time.Millisecond, 20*time.Millisecond
	p.clock, p.dropEvery = 0, 20*time.Millisecond
	p.drop = time.Second // the disk may be busy during a test
	return p
}

func options(t *testing.T, path string) Options {
	return Options{Path: path, Version: "v0.0.0-test", Logger: quiet(t)}
}

// quiet returns a logger for what helps to understand a failed test.
func quiet(t *testing.T) *zap.Logger {
	return zaptest.NewLogger(t, zaptest.Level(zap.InfoLevel))
}

// newPath returns the path of a new file, in memory if possible. These tests check what is written and in what order,
// not how fast a shared disk is. (A disk was once blocked for more than 20 s while three of these programs and a
// compiler wrote to it.)
func newPath(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "clearback-journal")
	if err != nil {
		dir = t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return filepath.Join(dir, "journal.db")
}

// newPathOnDisk returns the path of a new file in the system's temporary folder.
func newPathOnDisk(t *testing.T) string { return filepath.Join(t.TempDir(), "journal.db") }

// eventually waits for something that a journal does at its own pace. It fails after 20 s, provided that this process
// has also run for 10 s: on a busy machine the elapsed time alone proves nothing. It always fails after three minutes.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	began, used := time.Now(), processorTime(t)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !is() {
		passed := time.Since(began)
		if passed > 20*time.Second && processorTime(t)-used > 10*time.Second || passed > 3*time.Minute {
			t.Fatalf("not within %v, of which this process ran for %v: %s", passed, processorTime(t)-used, what)
		}
		<-tick.C
	}
}

// processorTime returns how much processor time this process has used.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// written waits until the file holds everything that was appended.
func written(t *testing.T, j *Journal) {
	t.Helper()
	eventually(t, "everything is written", func() bool { h := j.Health(); return h.Queued == 0 && h.Problem == "" })
}

func reader(t *testing.T, path string) *Reader {
	t.Helper()
	r, err := OpenReader(path)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, r.Close()) })
	return r
}

// savedLine reads the saved state of a line from the file. If nothing is saved, only Line is set.
func savedLine(t *testing.T, path, line string) SavedLine {
	t.Helper()
	all, err := savedLines(ctx, reader(t, path).db)
	require.NoError(t, err)
	for _, k := range all {
		if k.Line == line {
			return k
		}
	}
	return SavedLine{Line: line}
}

// script is a sequence of events and effects of a line.
type script struct {
	line     string
	at       time.Time
	entries  []callrecord.Entry
	recorder *callrecord.Recorder
}

func on(line string, at time.Time) *script {
	return &script{line: line, at: at, recorder: callrecord.NewRecorder(line)}
}

// with adds the party of a call that has not begun.
func (s *script) with(n callrecord.CallInfo) *script {
	s.recorder.AddCallInfo(n)
	return s
}

// part returns the entries from index from to before index before. The parts of a script share its recorder.
func (s *script) part(from, before int) *script {
	part := *s
	part.entries = s.entries[from:before]
	return &part
}

// after advances the time by d, and adds an event and the effects that it caused, in their text form.
func (s *script) after(d time.Duration, event string, effects ...string) *script {
	s.at = s.at.Add(d)
	if event != "" {
		ev, err := supervision.ParseEvent(event)
		if err != nil {
			panic(err)
		}
		s.entries = append(s.entries, callrecord.Entry{At: s.at, Line: s.line, Event: ev})
	}
	for _, effect := range effects {
		ef, err := supervision.ParseEffect(effect)
		if err != nil {
			panic(err)
		}
		s.entries = append(s.entries, callrecord.Entry{At: s.at, Line: s.line, Effect: ef})
	}
	return s
}

func (s *script) into(j *Journal) *script {
	for _, e := range s.entries {
		recordEntry(j, s.recorder, e)
	}
	return s
}

// recordEntry appends an entry and what it changed, as the daemon does.
func recordEntry(j *Journal, r *callrecord.Recorder, e callrecord.Entry) {
	accounts, incidents := r.Take(e)
	j.Append(e, accounts, incidents)
}

// heldCallScript is a call whose hold is cleared by an interruption. hook is the hook state found afterwards: on, off
// or unknown.
func heldCallScript(line string, at time.Time, call uint64, hook string) *script {
	result := hook
	if hook != "unknown" {
		result += " by=probe"
	}
	s := on(line, at).
		after(0, fmt.Sprintf("call-arrived call=%d", call), fmt.Sprintf("offer-call call=%d", call)).
		after(40*time.Millisecond, fmt.Sprintf("call-ringing call=%d", call)).
		after(4*time.Second, fmt.Sprintf("call-answered call=%d", call)).
		after(30*time.Second, fmt.Sprintf("far-end-cleared call=%d evidence=bye", call),
			fmt.Sprintf("clear-adapter-leg call=%d", call)).
		after(3*time.Millisecond, fmt.Sprintf("adapter-leg-cleared call=%d answer=confirmed", call),
			fmt.Sprintf("open-loop call=%d seq=%d interval=800ms not-after=+1.2s", call, call)).
		after(8*time.Millisecond, fmt.Sprintf("loop-opened seq=%d", call)).
		after(800*time.Millisecond, fmt.Sprintf("loop-closed seq=%d took=801.25ms", call)).
		after(time.Second, "", "probe-line").
		after(5*time.Millisecond, "probe-answered hook="+hook,
			fmt.Sprintf("report interrupted call=%d seq=%d interval=800ms hook=%s", call, call, result))
	if hook == "off" {
		s.after(0, "", fmt.Sprintf("report incident call=%d reason=interval-short", call),
			"report next-interval interval=1.2s")
	}
	return s
}

// unanswered is a call that needs no interruption.
func unanswered(line string, at time.Time, call uint64) *script {
	return on(line, at).
		after(0, fmt.Sprintf("call-arrived call=%d", call), fmt.Sprintf("offer-call call=%d", call)).
		after(40*time.Millisecond, fmt.Sprintf("call-ringing call=%d", call)).
		after(20*time.Second, fmt.Sprintf("far-end-cleared call=%d evidence=bye", call),
			fmt.Sprintf("clear-adapter-leg call=%d", call), fmt.Sprintf("report suppressed call=%d rule=unanswered", call))
}

func noteOf(line string, call uint64) callrecord.CallInfo {
	return callrecord.CallInfo{Line: line, Call: supervision.CallID(call), Direction: callrecord.Incoming,
		Party: callrecord.Party{Number: "5550123", Name: "Wardrobe", CallID: "a84b4c76e66710@pbx.example"}}
}

func TestWriteAndRead(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	assert.Equal(t, uint64(1), j.FirstCall())
	s := heldCallScript("box-office", start, 1, "off").with(noteOf("box-office", 1)).into(j)
	heldCallScript("stage-door", start.Add(time.Second), 2, "on").into(j)
	unanswered("box-office", start.Add(time.Hour), 3).into(j)
	require.NoError(t, j.Close())
	files, err := filepath.Glob(path + "*")
	require.NoError(t, err)
	assert.Equal(t, []string{path, path + lockSuffix}, files, "a closed journal is one file, beside its lock")

	r := reader(t, path)
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 3)
	a := rows[0].Account
	assert.Equal(t, callrecord.Account{
		Line: "box-office", Call: 1, Direction: callrecord.Incoming,
		Party: callrecord.Party{Number: "5550123", Name: "Wardrobe", CallID: "a84b4c76e66710@pbx.example"},
		Began: start, Answered: start.Add(4040 * time.Millisecond), Cleared: start.Add(34040 * time.Millisecond),
		Ended:     s.at,
		ClearedBy: callrecord.ClearedByFarEnd, Evidence: supervision.EvidenceBye, Answer: supervision.AnswerConfirmed,
		Openings: 1, Asked: 800 * time.Millisecond, Measured: 801250 * time.Microsecond,
		Hook: supervision.HookOff, Verified: supervision.VerificationProbe, Outcome: callrecord.OutcomeIncident,
		Incident: supervision.IncidentIntervalShort,
	}, a)
	assert.Equal(t, []uint64{1, 2, 3}, []uint64{uint64(rows[0].Call), uint64(rows[1].Call), uint64(rows[2].Call)})
	assert.Equal(t, callrecord.OutcomeCleared, rows[1].Outcome)
	assert.Equal(t, callrecord.OutcomeNotNeeded, rows[2].Outcome)

	row, entries, err := r.Call(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, rows[0], row)
	assert.Equal(t, s.entries, entries, "every entry, in order, with what came in the last step")

	for name, f := range map[string]struct {
		Filter
		want []uint64
	}{
		"line":   {Filter{Line: "stage-door"}, []uint64{2}},
		"since":  {Filter{Since: start.Add(time.Second)}, []uint64{2, 3}},
		"failed": {Filter{Failed: true}, []uint64{1}},
		"limit":  {Filter{Limit: 2}, []uint64{2, 3}},
		"after":  {Filter{After: max(rows[0].Changed, rows[1].Changed)}, []uint64{3}},
		"nobody": {Filter{Line: "workshop"}, nil},
		"both":   {Filter{Line: "box-office", Since: start.Add(time.Minute), Limit: 5}, []uint64{3}},
	} {
		got, err := r.Calls(ctx, f.Filter)
		require.NoError(t, err, name)
		var calls []uint64
		for _, row := range got {
			calls = append(calls, uint64(row.Call))
		}
		assert.Equal(t, f.want, calls, name)
	}

	last, entries, err := r.Last(ctx, "box-office")
	require.NoError(t, err)
	assert.Equal(t, supervision.CallID(1), last.Call, "the last that had a clearing, not the last")
	assert.Len(t, entries, len(s.entries))
	last, _, err = r.Last(ctx, "")
	require.NoError(t, err)
	assert.Equal(t, supervision.CallID(2), last.Call)
	_, _, err = r.Last(ctx, "workshop")
	assert.ErrorIs(t, err, ErrUnknown)
	_, _, err = r.Call(ctx, 4711)
	assert.ErrorIs(t, err, ErrUnknown)

	open, err := r.Incidents(ctx, "", true, time.Time{})
	require.NoError(t, err)
	assert.Equal(t, []callrecord.Incident{{Line: "box-office", Call: 1, Reason: supervision.IncidentIntervalShort,
		Began: s.at}}, open)
	lines, err := r.Lines(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"box-office", "stage-door"}, lines)

	var asked, measured int64
	require.NoError(t, r.db.QueryRow("SELECT asked, measured FROM effects WHERE text LIKE 'open-loop call=1 %'").Scan(&asked,
		&measured))
	assert.Equal(t, []time.Duration{800 * time.Millisecond, 801250 * time.Microsecond},
		[]time.Duration{time.Duration(asked), time.Duration(measured)})
}

func TestPulseByHandHasItsRequest(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	s := on("workshop", start).
		after(0, "pulse-requested interval=700ms", "open-loop seq=1 interval=700ms not-after=+0.5s").
		after(9*time.Millisecond, "loop-opened seq=1").
		after(700*time.Millisecond, "loop-closed seq=1 took=701ms").
		after(time.Second, "", "report interrupted seq=1 interval=700ms hook=unknown").into(j)
	require.NoError(t, j.Close())
	r := reader(t, path)
	row, entries, err := r.Last(ctx, "workshop")
	require.NoError(t, err)
	assert.Equal(t, callrecord.ByHand, row.Direction)
	assert.Equal(t, s.entries, entries)
}

func TestCallNumbersGoOn(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	unanswered("box-office", start, 41).into(j)
	require.NoError(t, j.Close())
	j = open(options(t, path), quick())
	assert.Equal(t, uint64(42), j.FirstCall())
	require.NoError(t, j.Close())
}

func TestReaderWithoutFile(t *testing.T) {
	path := newPath(t)
	_, err := OpenReader(path)
	assert.ErrorIs(t, err, ErrNotFound)
	assert.ErrorContains(t, err, "start the daemon once")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	_, err = OpenReader(path)
	assert.ErrorIs(t, err, ErrNotFound, "an empty file holds no journal")
	require.NoError(t, os.WriteFile(path, []byte("Dear diary, today nothing happened.\n"), 0o600))
	_, err = OpenReader(path)
	require.Error(t, err)
	assert.False(t, errors.Is(err, ErrNotFound))
	assert.ErrorContains(t, err, "damaged")
}
