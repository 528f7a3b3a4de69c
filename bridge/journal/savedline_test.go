package journal

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func TestSavedLineOutlivesTheProcess(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	assert.Equal(t, SavedLine{Line: "box-office"}, j.SavedLine("box-office"))
	k := SavedLine{Line: "box-office", Stayed: 1, Basis: "800ms 1.2s", CallbackBy: start.Add(30 * time.Minute),
		Recent: 4, RecentAt: start.Add(time.Minute), NoOpeningBy: start.Add(6 * time.Minute),
		Trust: Trust{Probe: true, UserAgent: "Millrace ATA 2", At: start}}
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 7})
	j.SaveLine(k)
	assert.Equal(t, k, j.SavedLine("box-office"), "at once")
	require.NoError(t, j.Close())

	j = open(options(t, path), quick())
	assert.Equal(t, k, j.SavedLine("box-office"))
	require.NoError(t, j.Close())
	assert.Equal(t, k, savedLine(t, path, "box-office"))
	assert.Equal(t, SavedLine{Line: "workshop"}, savedLine(t, path, "workshop"))
}

// The tests of the second server stay as they are until a state has others: in memory, in what waits for the disk, and
// in the file.
func TestSecondServerIsKept(t *testing.T) {
	path := newPath(t)
	tested := SecondServer{Passed: start, Failed: start.Add(-time.Hour)}
	for range 2 {
		j := open(options(t, path), quick())
		j.SaveLine(SavedLine{Line: "box-office", Second: tested})
		j.SaveLine(SavedLine{Line: "box-office", Stayed: 1})
		assert.Equal(t, SavedLine{Line: "box-office", Stayed: 1, Second: tested}, j.SavedLine("box-office"))
		require.NoError(t, j.Close())
		j = open(options(t, path), quick())
		j.SaveLine(SavedLine{Line: "box-office", Stayed: 2})
		require.NoError(t, j.Close())
		assert.Equal(t, SavedLine{Line: "box-office", Stayed: 2, Second: tested}, savedLine(t, path, "box-office"))
		all, err := reader(t, path).SavedLines(ctx)
		require.NoError(t, err)
		assert.Equal(t, []SavedLine{{Line: "box-office", Stayed: 2, Second: tested}}, all)
		tested = SecondServer{Failed: start.Add(time.Hour)}
	}
}

func TestTrustAndStayedHaveTwoWriters(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	old := Trust{Probe: true, UserAgent: "Millrace ATA 1", At: start}
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 1, Basis: "800ms", Trust: old})
	written(t, j)
	seen := Trust{Probe: true, Sense: true, UserAgent: "Millrace ATA 2", At: start.Add(time.Hour)}
	require.NoError(t, SaveTrust(path, "box-office", seen))
	require.NoError(t, SaveTrust(path, "workshop", seen), "a line not yet in the journal")
	eventually(t, "the daemon sees it", func() bool {
		return j.SavedLine("box-office").Trust == seen &&
			j.SavedLine("workshop").Trust == seen
	})
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms", Trust: old})
	assert.Equal(t, SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms", Trust: seen}, j.SavedLine("box-office"),
		"older trust does not count")
	written(t, j)
	require.ErrorContains(t, SaveTrust(path, "box-office", old), "check the clock")
	require.NoError(t, j.Close())
	require.NoError(t, SaveTrust(path, "box-office", Trust{At: start.Add(2 * time.Hour)}), "the daemon is stopped")
	assert.Equal(t, SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms",
		Trust: Trust{At: start.Add(2 * time.Hour)}}, savedLine(t, path, "box-office"))
}

// The group may read the file, also if the service's umask is 0077, as its unit sets it, and also while the file is
// being written.
func TestGroupMayRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "journal.db")
	was := syscall.Umask(0o077)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	written(t, j)
	syscall.Umask(was)
	for _, file := range []string{path, path + walSuffix, path + shmSuffix} {
		info, err := os.Stat(file)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o640), info.Mode(), file)
	}
	require.NoError(t, j.Close())
}

func TestSaveTrustCreatesTheFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "journal.db")
	owner := os.Geteuid()
	if owner == 0 {
		owner = 4711 // the user of a service
		require.NoError(t, os.Chown(dir, owner, owner))
	}
	require.NoError(t, SaveTrust(path, "box-office", Trust{Probe: true, At: start}))
	files, err := filepath.Glob(path + "*")
	require.NoError(t, err)
	assert.Equal(t, []string{path}, files)
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode())
	assert.Equal(t, uint32(owner), info.Sys().(*syscall.Stat_t).Uid)
	j := open(options(t, path), quick())
	assert.True(t, j.SavedLine("box-office").Trust.Probe)
	require.NoError(t, j.Close())

	err = SaveTrust(filepath.Join(dir, "nowhere", "journal.db"), "box-office", Trust{At: start})
	assert.ErrorContains(t, err, "does not exist; create it")
}

// Several processes that create the same file at the same time can all save their state.
func TestSaveTrustWhileTheFileIsCreated(t *testing.T) {
	const lines = 6
	for range 15 { // in most rounds the processes do not collide
		path := newPath(t)
		var all sync.WaitGroup
		for n := range lines {
			all.Go(func() {
				assert.NoError(t, SaveTrust(path, fmt.Sprint("line-", n), Trust{Probe: true, At: start}))
			})
		}
		j := open(options(t, path), quick())
		all.Wait()
		require.NoError(t, j.Close())
		known, err := reader(t, path).Lines(ctx)
		require.NoError(t, err)
		assert.Len(t, known, lines)
	}
}

func TestDetailStoresNoNumbers(t *testing.T) {
	for _, c := range []struct {
		Detail
		want    callrecord.Party
		leaves  []string
		without []string
	}{
		{DetailFull, callrecord.Party{Number: "5550123", Name: "Wardrobe", CallID: "a84b4c76e66710@pbx.example"},
			[]string{"5550123", "Wardrobe", "a84b4c76"}, nil},
		{DetailShort, callrecord.Party{Number: "…123", CallID: "a84b4c76e66710@pbx.example"}, []string{"a84b4c76"},
			[]string{"50123", "Wardrobe"}},
		{DetailNone, callrecord.Party{}, nil, []string{"123", "Wardrobe", "a84b4c76"}},
	} {
		path := newPath(t)
		o := options(t, path)
		o.Detail = c.Detail
		j := open(o, quick())
		heldCallScript("box-office", start, 1, "on").with(noteOf("box-office", 1)).into(j)
		written(t, j)
		var raw []byte
		for _, file := range []string{path, path + walSuffix} {
			b, err := os.ReadFile(file)
			require.NoError(t, err)
			raw = append(raw, b...)
		}
		for _, s := range c.leaves {
			assert.Contains(t, string(raw), s, "detail %d", c.Detail)
		}
		for _, s := range c.without {
			assert.NotContains(t, string(raw), s, "detail %d", c.Detail)
		}
		e := noteOf("stage-door", 2)
		e.Emergency, e.Party.Number = true, "5550199"
		on("stage-door", start).with(e).after(0, "call-requested call=2 emergency").into(j)
		require.NoError(t, j.Close())
		rows, err := reader(t, path).Calls(ctx, Filter{})
		require.NoError(t, err)
		require.Len(t, rows, 2)
		for _, row := range rows {
			if row.Call == 1 {
				assert.Equal(t, c.want, row.Party)
			} else {
				assert.Equal(t, e.Party, row.Party, "an emergency call, in full")
			}
		}
	}
}

func TestLastDigits(t *testing.T) {
	for number, want := range map[string]string{
		"5550123": "…123", "+1-555-0123": "…123", "101": "101", "7": "7", "": "", "wardrobe": "", "line2": "2",
		"0123": "…123",
	} {
		assert.Equal(t, want, lastDigits(number), number)
	}
}

func TestOldRecordsArePruned(t *testing.T) {
	path := newPath(t)
	now := time.Now().Truncate(time.Microsecond).UTC()
	fill(t, path, 730, now)
	o := options(t, path)
	j := open(o, quick())
	// An incident that has been open for half a year and a line state are both kept.
	long := on("green-room", now.Add(-180*24*time.Hour)).after(0, "",
		"report incident reason=off-hook-without-call").into(j)
	j.SaveLine(SavedLine{Line: "green-room", Stayed: 1})
	j.AppendTrial(Trial{Line: "green-room", Session: 1, At: long.at})
	require.NoError(t, j.Close())

	o.MaxAge = 30 * 24 * time.Hour
	j = open(o, quick())
	r := reader(t, path)
	old := func() int {
		var n int
		require.NoError(t, r.db.QueryRow("SELECT (SELECT count(*) FROM calls WHERE began < ?1) + (SELECT count(*) FROM events WHERE at < ?1) + "+
			"(SELECT count(*) FROM effects WHERE at < ?1) + (SELECT count(*) FROM trials WHERE at < ?1) + (SELECT count(*) FROM incidents WHERE ended < ?1)",
			now.Add(-o.MaxAge).UnixMicro()).Scan(&n))
		return n
	}
	eventually(t, "all that is old is dropped", func() bool { return old() == 0 })
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	assert.Equal(t, 60, len(rows), "of 30 days, two a day")
	var left int
	require.NoError(t, r.db.QueryRow("SELECT count(*) FROM events").Scan(&left))
	_, entries, err := r.Call(ctx, 700)
	require.NoError(t, err)
	assert.Len(t, entries, 13, "what is kept is whole")
	open1, err := r.Incidents(ctx, "green-room", true, time.Time{})
	require.NoError(t, err)
	assert.Len(t, open1, 1)
	assert.Equal(t, 1, j.SavedLine("green-room").Stayed)
	require.NoError(t, j.Close())
}

func TestCallNumbersContinueAfterPruning(t *testing.T) {
	path := newPath(t)
	long := time.Now().Add(-365 * 24 * time.Hour)
	j := open(options(t, path), quick())
	heldCallScript("box-office", long, 500, "on").into(j)
	require.NoError(t, j.Close())
	o := options(t, path)
	o.MaxAge = time.Hour
	j = open(o, quick())
	r := reader(t, path)
	eventually(t, "all is dropped", func() bool {
		rows, err := r.Calls(ctx, Filter{})
		require.NoError(t, err)
		return len(rows) == 0
	})
	require.NoError(t, j.Close())
	j = open(o, quick())
	assert.Equal(t, uint64(501), j.FirstCall())
	require.NoError(t, j.Close())
}

func TestClockJumpPrunesNothing(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", time.Now().Add(-6*365*24*time.Hour), 1, "on").into(j)
	require.NoError(t, j.Close())
	o := options(t, path)
	o.MaxAge = time.Hour
	j = open(o, quick())
	heldCallScript("box-office", time.Now().Add(-2*time.Hour), 2, "on").into(j)
	written(t, j)
	require.NoError(t, j.Close())
	rows, err := reader(t, path).Calls(ctx, Filter{})
	require.NoError(t, err)
	assert.Len(t, rows, 2)
}

// Until the network sets its clock, a machine without a battery-backed clock starts in 1970 or at the time of its last
// shutdown. Records made before that are not deleted for their age, nor are any others while the clock may still be
// wrong.
func TestClockSetAfterTheStart(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", time.Now().Add(-2*time.Hour), 1, "on").into(j)
	require.NoError(t, j.Close())
	o := options(t, path)
	o.MaxAge = time.Hour
	left := func() (calls []supervision.CallID) {
		rows, err := reader(t, path).Calls(ctx, Filter{})
		require.NoError(t, err)
		for _, row := range rows {
			calls = append(calls, row.Call)
		}
		return calls
	}

	p := quick()
	p.clock = time.Hour
	j = open(o, p)
	heldCallScript("box-office", time.Unix(60, 0), 2, "on").into(j)
	written(t, j)
	require.NoError(t, j.Close())
	assert.Equal(t, []supervision.CallID{2, 1}, left(), "the clock may be wrong yet")

	j = open(o, quick())
	heldCallScript("box-office", time.Unix(3600, 0), 3, "on").into(j)
	eventually(t, "what is of earlier runs is dropped", func() bool { return len(left()) == 1 })
	heldCallScript("box-office", time.Now(), 4, "on").into(j)
	written(t, j)
	require.NoError(t, j.Close())
	assert.Equal(t, []supervision.CallID{3, 4}, left())
	_, entries, err := reader(t, path).Call(ctx, 3)
	require.NoError(t, err)
	assert.Len(t, entries, 13, "what is kept is whole")
}

func TestSizeIsBounded(t *testing.T) {
	path := newPath(t)
	fill(t, path, 3000, time.Now())
	o := options(t, path)
	o.MaxSize = 600 << 10
	size := func() int64 {
		info, err := os.Stat(path)
		require.NoError(t, err)
		return info.Size()
	}
	require.Greater(t, size(), 2*o.MaxSize)
	j := open(o, quick())
	r := reader(t, path)
	eventually(t, "the file is small", func() bool {
		var pages int64
		require.NoError(t, r.db.QueryRow("PRAGMA page_count").Scan(&pages))
		return pages*4096 <= o.MaxSize
	})
	require.NoError(t, j.Close())
	assert.LessOrEqual(t, size(), o.MaxSize)
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	assert.Greater(t, len(rows), 100)
	assert.Equal(t, supervision.CallID(3000), rows[len(rows)-1].Call, "the oldest went")
	assert.Equal(t, supervision.CallID(3000-len(rows)+1), rows[0].Call)
}

// TestStoredEnumValuesAreStable checks the values of the enumerations, which existing files contain: values never
// change, and new ones are added at the end.
func TestStoredEnumValuesAreStable(t *testing.T) {
	assert.Equal(t, []any{0, 1, 2, 3}, []any{int(callrecord.DirectionUnknown), int(callrecord.Incoming),
		int(callrecord.Outgoing), int(callrecord.ByHand)})
	assert.Equal(t, []any{0, 1, 2, 3}, []any{int(callrecord.ClearedByNobody), int(callrecord.ClearedByFarEnd),
		int(callrecord.ClearedByNearEnd), int(callrecord.ClearedByLostAdapter)})
	assert.Equal(t, []any{0, 1, 2, 3, 4, 5, 6, 7, 8}, []any{
		int(callrecord.OutcomeInProgress), int(callrecord.OutcomeNotNeeded), int(callrecord.OutcomeCleared),
		int(callrecord.OutcomeUnknown), int(callrecord.OutcomeCancelled),
		int(callrecord.OutcomeSuppressed), int(callrecord.OutcomeIncident), int(callrecord.OutcomeBrokenOff),
		int(callrecord.OutcomeHoldStayed),
	})
	assert.Equal(t, []any{0, 1, 2}, []any{int(supervision.VerificationNone), int(supervision.VerificationProbe),
		int(supervision.VerificationSense)})
	assert.Equal(t, []any{0, 1, 2}, []any{int(AnswerUnknown), int(AnswerCleared), int(AnswerStayed)})
	words := ""
	for e := range 9 {
		words += supervision.Evidence(e).String() + " "
	}
	for a := range 3 {
		words += supervision.Answer(a).String() + " "
	}
	for h := range 3 {
		words += supervision.Hook(h).String() + " "
	}
	for s := range 13 {
		words += supervision.Suppression(s).String() + " "
	}
	for i := range 10 {
		words += supervision.Incident(i).String() + " "
	}
	assert.Equal(t, "none bye dialog-event tone media-lost session-expired service-lost shutdown not-allowed "+
		"none confirmed unknown-call "+
		"unknown on off "+
		"none unanswered near-end emergency life-safety other-call late unknown-call loop-busy loop-faulted out-of-bounds no-contact callback-window "+
		"none controller-unreachable contact-stuck interval-short suppressed never-signalled seized missed-not-after bye-unanswered off-hook-without-call ",
		words)
}

func TestIncidentOfAnEarlierRunEnds(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	s := heldCallScript("box-office", start, 1, "off").into(j)
	written(t, j)
	require.NoError(t, j.Close())
	incidents := func() []callrecord.Incident {
		all, err := reader(t, path).Incidents(ctx, "box-office", false, time.Time{})
		require.NoError(t, err)
		return all
	}
	j = open(options(t, path), quick())
	on("box-office", s.at).after(time.Minute, "probe-answered hook=off").into(j)
	written(t, j)
	require.Len(t, incidents(), 1)
	require.Zero(t, incidents()[0].Ended)
	well := on("box-office", s.at).after(2*time.Minute, "probe-answered hook=on").into(j)
	require.NoError(t, j.Close())
	assert.Equal(t, well.at, incidents()[0].Ended)
	row, _, err := reader(t, path).Call(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, well.at, row.IncidentEnded)
	all, err := reader(t, path).Incidents(ctx, "", false, well.at.Add(time.Second))
	require.NoError(t, err)
	assert.Empty(t, all)
}

func TestIdleLinesWriteNothing(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	night := on("box-office", start)
	for range 600 {
		night.after(time.Minute, "", "probe-line").after(8*time.Millisecond, "probe-answered hook=on")
	}
	night.after(time.Minute, "", "probe-line").after(8*time.Millisecond, "probe-answered hook=off").into(j)
	require.NoError(t, j.Close())
	var texts []string
	require.NoError(t, each(ctx, reader(t, path).db, "SELECT text FROM events UNION ALL SELECT text FROM effects",
		func(rows *sql.Rows) error {
			var text string
			err := rows.Scan(&text)
			texts = append(texts, text)
			return err
		}))
	assert.Equal(t, []string{"probe-answered hook=on", "probe-answered hook=off"}, texts)
}

func TestTrialsOfTheLatestSession(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	trial := Trial{Session: 2, Line: "workshop", At: start, Call: 4, Asked: 400 * time.Millisecond,
		Measured: 401 * time.Millisecond,
		Cleared:  AnswerStayed, By: supervision.VerificationProbe, RangUp: true}
	catch := Trial{Session: 2, Line: "workshop", At: start.Add(time.Minute), Call: 5, Catch: true}
	j.AppendTrial(Trial{Session: 1, Line: "workshop", At: start.Add(-time.Hour), Call: 1})
	j.AppendTrial(catch)
	j.AppendTrial(trial)
	catch.Cleared = AnswerCleared
	j.AppendTrial(catch) // the user answers later
	j.AppendTrial(Trial{Session: 9, Line: "box-office", At: start, Call: 9})
	require.NoError(t, j.Close())
	got, err := reader(t, path).Trials(ctx, "workshop")
	require.NoError(t, err)
	assert.Equal(t, []Trial{trial, catch}, got)

	// the clock is not set yet
	early := Trial{Session: 0, Line: "workshop", At: time.Unix(60, 0).UTC(), Call: 10, Catch: true}
	j = open(options(t, path), quick())
	j.AppendTrial(early)
	require.NoError(t, j.Close())
	got, err = reader(t, path).Trials(ctx, "workshop")
	require.NoError(t, err)
	assert.Equal(t, []Trial{early}, got)
}

// A test is repeated after a year.
func TestSecondServerTestAgain(t *testing.T) {
	t.Parallel()
	now := start
	year := 365*24*time.Hour - time.Minute
	for _, is := range []struct {
		name string
		was  SecondServer
		want string
	}{
		{"a year minus a minute", SecondServer{Passed: now.Add(-year)}, ""},
		{"a year", SecondServer{Passed: now.Add(-year - 2*time.Minute)}, "old"},
		{"it only failed", SecondServer{Failed: now.Add(-year)}, "failed"},
		{"it passed later", SecondServer{Passed: now, Failed: now.Add(-year)}, ""},
	} {
		require.Equal(t, is.want, is.was.TestAgain(now), is.name)
	}
}
