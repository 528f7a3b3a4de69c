package cli

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// At a restart, calls --follow shows a call as broken off only if the next daemon does not continue it. It does so with
// --failed too, where a call that was continued is not among the rows.
func TestFollowOverARestart(t *testing.T) {
	t.Parallel()
	path, began := filepath.Join(t.TempDir(), "journal.db"), time.Now()
	run := func(kind supervision.EventKind, calls ...supervision.CallID) *journal.Journal {
		j := journal.Open(journal.Options{Path: path})
		for _, n := range calls {
			record := recordInto(j, callrecord.CallInfo{Line: "box-office", Call: n, Direction: callrecord.Incoming,
				Began: began.Add(time.Duration(n))})
			kinds := []supervision.EventKind{supervision.CallArrived, supervision.CallAnswered}
			if kind == supervision.CallAdopted {
				kinds = []supervision.EventKind{kind}
			}
			for _, k := range kinds {
				record(callrecord.Entry{Line: "box-office", At: began.Add(time.Duration(n)),
					Event: supervision.Event{Kind: k, Call: n}})
			}
		}
		return j
	}
	require.NoError(t, run(supervision.CallArrived, 1, 2).Close())
	r, err := journal.OpenReader(path)
	require.NoError(t, err)
	defer r.Close()
	rows := func() []journal.Row {
		all, err := r.Calls(t.Context(), journal.Filter{})
		require.NoError(t, err)
		return all
	}
	b, failed := brokenOff{}, brokenOff{}
	shown := func(b brokenOff, rows []journal.Row, after time.Duration) (calls []supervision.CallID) {
		rows, err := b.filter(t.Context(), r, rows, began.Add(after))
		require.NoError(t, err)
		for _, row := range rows {
			calls = append(calls, row.Call)
		}
		return calls
	}
	require.Empty(t, shown(b, rows(), 0))
	require.Empty(t, shown(failed, rows(), 0))

	next := run(supervision.CallAdopted, 1)
	require.Eventually(t, func() bool { return rows()[0].Outcome == callrecord.OutcomeInProgress }, 5*time.Second,
		time.Millisecond)
	require.Equal(t, []supervision.CallID{1}, shown(b, rows()[:1], time.Second))
	require.Empty(t, shown(b, nil, adoptedWithin-1))
	require.Equal(t, []supervision.CallID{2}, shown(b, nil, adoptedWithin))
	require.Empty(t, shown(b, nil, time.Hour), "once")
	require.Equal(t, []supervision.CallID{2}, shown(failed, nil, adoptedWithin))
	require.NoError(t, next.Close())
}
