package journal

import (
	"database/sql"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
		q.putEntry(&callrecord.Entry{Line: "box-office"})
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
	for _, e := range during.entries[:5] {
		j.Append(e)
	}
	written(t, j)
	for _, suffix := range []string{"", walSuffix, shmSuffix} {
		require.NoError(t, os.Remove(path+suffix))
	}
	eventually(t, "it is noticed", func() bool { return alarms(logs, "removed or replaced") == 1 })
	heldCallScript("box-office", start.Add(time.Hour), 2, "on").into(j)
	for _, e := range during.entries[5:] {
		j.Append(e)
	}
	written(t, j)
	require.NoError(t, j.Close())
	r := reader(t, path)
	_, entries, err := r.Call(ctx, 2)
	require.NoError(t, err)
	assert.Len(t, entries, 13)
	row, _, err := r.Call(ctx, 3)
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeCleared, row.Outcome, "a call that was under way is written anew")
	assert.Equal(t, start, row.Began)
	assert.Equal(t, 3, savedLine(t, path, "box-office").Stayed, "what is kept is written anew")
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
