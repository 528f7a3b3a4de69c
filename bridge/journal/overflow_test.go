package journal

import (
	"database/sql"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// TestOverflowDuringAnOutage sends more than can be held while the file is locked. Entries beyond the limit are lost
// and counted. Accounts are not lost.
func TestOverflowDuringAnOutage(t *testing.T) {
	path := newPath(t)
	o, logs := watched(path)
	p := quick()
	p.pending = 1500 // how many entries can be held
	j := open(o, p)
	other, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	other.SetMaxOpenConns(1)
	eventually(t, "the lock", func() bool { // the journal may be using the file at this moment
		_, err = other.Exec("BEGIN EXCLUSIVE")
		return err == nil
	})
	const calls = 200 // with 14 rows each
	for call := uint64(1); call <= calls; call++ {
		heldCallScript("box-office", start.Add(time.Duration(call)*time.Minute), call, "on").into(j)
	}
	const dropped = uint64(calls*14 - 1500) // the final number; they are not dropped all at once
	eventually(t, "alarm", func() bool { return alarms(logs, "locked") > 0 && j.Health().Dropped >= dropped })
	assert.Equal(t, dropped, j.Health().Dropped)
	_, err = other.Exec("ROLLBACK")
	require.NoError(t, err)
	require.NoError(t, other.Close())
	written(t, j)
	require.NoError(t, j.Close())
	assert.Equal(t, 1, alarms(logs, "records of the journal were lost"))
	r := reader(t, path)
	losses, err := r.Losses(ctx, time.Time{})
	require.NoError(t, err)
	require.Len(t, losses, 1)
	assert.Equal(t, int64(dropped), losses[0].Records)
	assert.False(t, losses[0].Ended.Before(losses[0].Began))
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, rows, calls)
	for _, row := range rows {
		require.Equal(t, callrecord.OutcomeCleared, row.Outcome)
	}
}

func TestQueueIsBounded(t *testing.T) {
	var q queue
	q.init(1000)
	for range 1100 {
		q.putEntry(&callrecord.Entry{Line: "box-office"}, nil, nil)
	}
	n, dropped := q.state()
	assert.Equal(t, 1000, n)
	assert.Equal(t, uint64(100), dropped)
	for range queueReserve + 1 {
		q.put(record{line: &SavedLine{}})
	}
	n, dropped = q.state()
	assert.Equal(t, 1000+queueReserve, n, "a line's state is kept when nothing else can be")
	assert.Equal(t, uint64(101), dropped)
	chunks, _ := q.take(nil)
	q.giveBack(chunks)
	q.settled()
	assert.LessOrEqual(t, len(q.spare), spares)
	q.put(record{trial: &Trial{}})
	n, _ = q.state()
	assert.Equal(t, 1, n)
}

func TestFileRemoved(t *testing.T) {
	path := newPath(t)
	o, logs := watched(path)
	j := open(o, quick())
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 3})
	heldCallScript("box-office", start, 1, "on").into(j)
	during := heldCallScript("stage-door", start, 3, "on")
	during.part(0, 5).into(j)
	written(t, j)
	for _, suffix := range []string{"", walSuffix, shmSuffix} {
		require.NoError(t, os.Remove(path+suffix))
	}
	eventually(t, "it is noticed", func() bool { return alarms(logs, "removed or replaced") == 1 })
	heldCallScript("box-office", start.Add(time.Hour), 2, "on").into(j)
	during.part(5, len(during.entries)).into(j)
	written(t, j)
	require.NoError(t, j.Close())
	r := reader(t, path)
	_, entries, err := r.Call(ctx, 2)
	require.NoError(t, err)
	assert.Len(t, entries, 13)
	row, _, err := r.Call(ctx, 3)
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeCleared, row.Outcome, "a call that was under way is written to the new file")
	assert.Equal(t, start, row.Began)
	assert.Equal(t, 3, savedLine(t, path, "box-office").Stayed, "the saved state is written to the new file")
}

func TestLockedWhenOpened(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 3})
	heldCallScript("box-office", start, 7, "on").into(j)
	require.NoError(t, j.Close())
	other, err := sql.Open("sqlite", dsn(path, "mode=rw&_pragma=locking_mode(EXCLUSIVE)"))
	require.NoError(t, err)
	other.SetMaxOpenConns(1)
	_, err = other.Exec("BEGIN EXCLUSIVE")
	require.NoError(t, err)
	began := time.Now()
	j = open(options(t, path), quick())
	assert.Less(t, time.Since(began), firstLoad+time.Second)
	assert.Equal(t, SavedLine{Line: "box-office"}, j.SavedLine("box-office"), "not known yet")
	require.NoError(t, other.Close())
	eventually(t, "it is read later", func() bool {
		return j.SavedLine("box-office").Stayed == 3 &&
			j.FirstCall() == 8
	})
	require.NoError(t, j.Close())
}

// TestAppendCopies checks that the queue has copies, because the recorder reuses its slices for the next entry.
func TestAppendCopies(t *testing.T) {
	var q queue
	q.init(1)
	accounts := make([]callrecord.Account, 1)
	incidents := make([]callrecord.Incident, 1)
	for n := range 3 { // the first goes into a chunk; of the others, which are dropped, the latest states are kept
		accounts[0] = callrecord.Account{Line: "box-office", Call: 1, Openings: n}
		incidents[0] = callrecord.Incident{Line: "box-office", Call: supervision.CallID(n)}
		q.putEntry(&callrecord.Entry{Line: "box-office"}, accounts, incidents)
	}
	accounts[0], incidents[0] = callrecord.Account{}, callrecord.Incident{}
	_, dropped := q.state()
	assert.EqualValues(t, 2, dropped)
	chunks, rest := q.take(nil)
	require.Equal(t, 1, chunks[0].n)
	last := rest.record()
	for n, r := range map[int]*record{0: &chunks[0].records[0], 2: &last} {
		assert.Equal(t, []callrecord.Account{{Line: "box-office", Call: 1, Openings: n}}, r.accounts)
		assert.Equal(t, []callrecord.Incident{{Line: "box-office", Call: supervision.CallID(n)}}, r.incidents)
	}
}

// TestDroppedEntriesLeaveTheLatestStates fills the queue in the middle of two calls. The entries that follow are
// dropped, but the latest states of the calls and of the incident are recorded, with a party that became known late.
// The entries of a call that begins after the overflow are recorded again.
func TestDroppedEntriesLeaveTheLatestStates(t *testing.T) {
	path := newPath(t)
	j, answer := stuck(t, path, quick())
	s := heldCallScript("box-office", start, 1, "off")
	s.after(time.Hour, "released", "report incident-ended reason=interval-short")
	s.part(0, 8).into(j)
	fillQueue(j)
	s.part(8, len(s.entries)).into(j)
	a := s.recorder.AddCallInfo(noteOf("box-office", 1))
	require.NotNil(t, a)
	j.AppendAccount(*a)
	unanswered("stage-door", start, 2).into(j)
	j.queue.mu.Lock()
	dropped := j.queue.dropped
	j.queue.mu.Unlock()
	assert.EqualValues(t, len(s.entries)-8+6, dropped, "only entries are lost")
	assert.Equal(t, queueLimit+3, j.Health().Queued, "and two accounts and an incident wait in addition")

	answer()
	written(t, j)
	later := unanswered("stage-door", start.Add(time.Hour), 3).into(j)
	require.NoError(t, j.Close())
	r := reader(t, path)
	row, entries, err := r.Call(ctx, 1)
	require.NoError(t, err)
	assert.Len(t, entries, 8, "those that were recorded")
	assert.Equal(t, callrecord.OutcomeIncident, row.Outcome)
	assert.Equal(t, s.at, row.IncidentEnded)
	assert.Equal(t, "Wardrobe", row.Party.Name)
	row, entries, err = r.Call(ctx, 2)
	require.NoError(t, err)
	assert.Empty(t, entries)
	assert.Equal(t, callrecord.OutcomeNotNeeded, row.Outcome)
	_, entries, err = r.Call(ctx, 3)
	require.NoError(t, err)
	assert.Equal(t, later.entries, entries)
	ended, err := r.Incidents(ctx, "box-office", false, time.Time{})
	require.NoError(t, err)
	require.Len(t, ended, 1)
	assert.Equal(t, s.at, ended[0].Ended)
	losses, err := r.Losses(ctx, time.Time{})
	require.NoError(t, err)
	require.Len(t, losses, 1)
	assert.EqualValues(t, dropped, losses[0].Records)
	assert.WithinDuration(t, losses[0].Ended, losses[0].Began, time.Minute)
}

// fillQueue appends entries of an idle line, which are not written, until the queue is full.
func fillQueue(j *Journal) {
	for j.Health().Queued < queueLimit {
		j.Append(callrecord.Entry{At: start, Line: "workshop", Effect: supervision.Effect{Kind: supervision.ProbeLine}},
			nil, nil)
	}
}

// TestChangesAreBounded checks that accounts and incidents of dropped entries beyond the limit are lost and counted,
// and that the state of a known account is replaced even at the limit.
func TestChangesAreBounded(t *testing.T) {
	var c changes
	for n := range accountLimit + 2 {
		lost := c.add([]callrecord.Account{{Line: "box-office", Call: supervision.CallID(n + 1)}},
			[]callrecord.Incident{{Line: "box-office", Began: start.Add(time.Duration(n))}})
		require.Equal(t, n >= accountLimit, lost == 2)
	}
	assert.Zero(t, c.add([]callrecord.Account{{Line: "box-office", Call: 1, Emergency: true}}, nil))
	assert.Equal(t, 2*accountLimit, c.size())
	assert.True(t, c.accounts[callrecord.ID{Line: "box-office", Call: 1}].Emergency)
}
