package journal

import (
	"database/sql"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// After a daemon that died during a call, the next one warns of the death and of the call, once. That call is then the
// line's last one, not an older one that ended well.
func TestBrokenOffCallIsLogged(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	heldCallScript("box-office", start.Add(2*time.Hour), 2, "on").part(0, 4).into(j)
	unanswered("stage-door", start, 3).part(0, 2).into(j)
	written(t, j)
	copied := newPath(t)
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec("VACUUM INTO ?", copied) // the file as a killed daemon leaves it
	require.NoError(t, err)
	require.NoError(t, db.Close())
	require.NoError(t, j.Close())

	for run := range 2 {
		core, logs := observer.New(zapcore.WarnLevel)
		o := options(t, copied)
		o.Logger = zap.New(core)
		require.NoError(t, open(o, quick()).Close())
		if run > 0 {
			assert.Empty(t, logs.All(), "already reported")
			break
		}
		require.Len(t, logs.All(), 2)
		assert.Contains(t, logs.All()[0].Message, "the daemon's last run has no recorded end: it was killed, it "+
			"crashed, or the machine lost its power")
		told := logs.All()[1]
		assert.Contains(t, told.Message, "clearback explain box-office")
		assert.Equal(t, "box-office", told.ContextMap()["line"])
		assert.Equal(t, []any{uint64(2)}, told.ContextMap()["calls"])
	}
	row, _, err := reader(t, copied).Last(ctx, "box-office")
	require.NoError(t, err)
	assert.EqualValues(t, 2, row.Call)
	assert.Equal(t, callrecord.OutcomeBrokenOff, row.Outcome)
}

// A call that the next run takes up again is the same call: its record continues, and it is not broken off.
func TestAdoptedCallContinues(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").part(0, 4).into(j)
	heldCallScript("stage-door", start, 2, "on").part(0, 4).into(j)
	heldCallScript("workshop", start, 3, "on").part(0, 4).into(j)
	require.NoError(t, j.Close())

	j = open(options(t, path), quick())
	require.EqualValues(t, 4, j.FirstCall())
	back := start.Add(time.Minute)
	on("box-office", back).with(callrecord.CallInfo{Call: 1, Direction: callrecord.Incoming, Began: start,
		Answered: start.Add(4 * time.Second)}).
		after(0, "call-adopted call=1").after(time.Second, "adapter-leg-heard call=1").
		after(time.Second, "near-end-cleared call=1", "clear-far-end call=1").into(j)
	on("box-office", back.Add(time.Minute)).after(0, "call-arrived call=4").into(j)
	on("workshop", back).after(0, "call-adopted call=3").into(j)
	eventually(t, "call 3 is up again", func() bool {
		row, _, err := reader(t, path).Call(ctx, 3)
		return err == nil && row.Outcome == callrecord.OutcomeInProgress
	})
	require.NoError(t, j.Close())

	rows, err := reader(t, path).Calls(ctx, Filter{Line: "box-office"})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.Equal(t, callrecord.OutcomeNotNeeded, rows[0].Outcome)
	assert.Equal(t, start, rows[0].Began.UTC())
	assert.Equal(t, time.Minute+2*time.Second-4*time.Second, rows[0].Length(back))
	_, entries, err := reader(t, path).Call(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, supervision.CallArrived, entries[0].Event.Kind)
	assert.Equal(t, supervision.ClearFarEnd, entries[len(entries)-1].Effect.Kind)

	lost, _, err := reader(t, path).Call(ctx, 2)
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeBrokenOff, lost.Outcome, "nobody took it up")
	again, _, err := reader(t, path).Call(ctx, 3)
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeBrokenOff, again.Outcome, "the second run ended during it")
}

// A call that was refused before it reached the line is also the last call, and counts as failed.
func TestRefusedCallIsTheLast(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	on("box-office", start.Add(2*time.Hour)).after(0, "call-refused call=2 evidence=not-here").into(j)
	require.NoError(t, j.Close())
	row, entries, err := reader(t, path).Last(ctx, "box-office")
	require.NoError(t, err)
	assert.EqualValues(t, 2, row.Call)
	assert.Equal(t, callrecord.OutcomeRefused, row.Outcome)
	assert.Len(t, entries, 1)
	failed, err := reader(t, path).Calls(ctx, Filter{Failed: true})
	require.NoError(t, err)
	assert.Len(t, failed, 1)
}
