package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func TestTotals(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	from, to := start, start.Add(7*24*time.Hour)
	call := supervision.CallID(0)
	add := func(line string, began time.Time, lasted time.Duration, change func(*callrecord.Account)) {
		call++
		a := callrecord.Account{Line: line, Call: call, Direction: callrecord.Incoming, Began: began,
			Answered: began, Cleared: began.Add(lasted), Ended: began.Add(lasted),
			ClearedBy: callrecord.ClearedByFarEnd, Openings: 1, Asked: 800 * time.Millisecond,
			Outcome: callrecord.OutcomeCleared}
		if change != nil {
			change(&a)
		}
		j.AppendAccount(a)
	}
	add("box-office", from.Add(-time.Hour), time.Minute, nil)
	add("box-office", from.Add(-time.Hour), time.Hour, nil) // its outcome became known at the beginning
	add("box-office", from.Add(time.Hour), time.Minute, func(a *callrecord.Account) {
		a.Asked, a.Outcome = time.Second, callrecord.OutcomeUnknown
	})
	add("box-office", from.Add(2*time.Hour), time.Minute, func(a *callrecord.Account) {
		a.Trial, a.Asked, a.Outcome = true, 400*time.Millisecond, callrecord.OutcomeHoldStayed
	})
	add("box-office", from.Add(3*time.Hour), time.Minute, func(a *callrecord.Account) {
		a.Emergency, a.Openings, a.Asked, a.Outcome = true, 0, 0, callrecord.OutcomeSuppressed
	})
	add("box-office", from.Add(4*time.Hour), time.Minute, func(a *callrecord.Account) { a.Call = 0 }) // an operator's pulse
	add("box-office", to.Add(-time.Hour), time.Hour, nil)                                             // known at the end
	add("workshop", from.Add(time.Hour), 0, func(a *callrecord.Account) {
		a.Answered, a.Cleared, a.Openings, a.Asked = time.Time{}, time.Time{}, 0, 0
		a.Outcome = callrecord.OutcomeNotNeeded
	})
	add("workshop", from.Add(2*time.Hour), 0, func(a *callrecord.Account) {
		a.Ended, a.Cleared, a.Openings, a.Outcome = time.Time{}, time.Time{}, 0, callrecord.OutcomeInProgress
	})
	incident := func(line string, began time.Time, why supervision.Incident) {
		j.Append(callrecord.Entry{At: began, Line: line, Event: supervision.Event{Kind: supervision.TimePassed}}, nil,
			[]callrecord.Incident{{Line: line, Reason: why, Began: began}})
	}
	incident("box-office", from.Add(-time.Second), supervision.IncidentIntervalShort)
	incident("box-office", from, supervision.IncidentIntervalShort)
	incident("box-office", from.Add(time.Hour), supervision.IncidentIntervalShort)
	incident("box-office", from.Add(time.Hour), supervision.IncidentAdapterRefused)
	incident("stage-door", to.Add(-time.Microsecond), supervision.IncidentUnreachable)
	incident("stage-door", to, supervision.IncidentUnreachable)
	written(t, j)

	r := reader(t, path)
	got, err := r.Totals(ctx, from, to)
	require.NoError(t, err)
	assert.Equal(t, []Totals{
		{Line: "box-office", Calls: 3, Emergency: 1, Cleared: 1, Unverified: 1, Trials: 1,
			Incidents: map[supervision.Incident]int{supervision.IncidentIntervalShort: 2,
				supervision.IncidentAdapterRefused: 1},
			Before: 800 * time.Millisecond, After: 800 * time.Millisecond},
		{Line: "stage-door", Incidents: map[supervision.Incident]int{supervision.IncidentUnreachable: 1}},
		{Line: "workshop", Calls: 1},
	}, got)
	got, err = r.Totals(ctx, from, from.Add(90*time.Minute))
	require.NoError(t, err)
	assert.Equal(t, time.Second, got[0].After)

	p := plan(t, r.db, totalsQuery, 1, 2, 3)
	assert.Contains(t, p, "c USING INDEX calls_began (began>? AND began<?)")
	assert.Contains(t, plan(t, r.db, incidentTotalsQuery, 1, 2), "i USING INDEX incidents_began (began>? AND began<?)")
	p = plan(t, r.db, lastOpeningQuery, "box-office", 1)
	assert.Contains(t, p, "calls USING INDEX calls_clearing (line=? AND began<?)")
	assert.NotContains(t, p, "TEMP B-TREE")
	require.NoError(t, j.Close())
}
