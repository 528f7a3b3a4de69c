package journal

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"time"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Totals are what the journal has about one line for a period. A call belongs to the period in which its outcome became
// known; a call that was broken off belongs to the period in which it began. An operator's pulse does not count as a
// call.
type Totals struct {
	Line       string
	Calls      int // without trials
	Emergency  int // of these: calls for help
	Cleared    int // of these: the loop was opened, and the line was seen on hook
	Unverified int // of these: the loop was opened, and nothing reported whether the hold cleared
	Trials     int
	Incidents  map[supervision.Incident]int // that began in the period; nil: none
	// Before is the length of the last opening for a clearing before the period began, and After that of the last one
	// before it ended. Trials do not count. 0: there was none.
	Before, After time.Duration
}

// longestCall bounds how long before the period a call that belongs to it may have begun. Our own number.
const longestCall = 7 * 24 * time.Hour

// The query uses the index of began, because one week has few of the calls. The plus sign keeps SQLite from sorting by
// line first.
var totalsQuery = fmt.Sprintf(`SELECT l.name, sum(NOT c.trial), sum(NOT c.trial AND c.emergency),
	sum(NOT c.trial AND c.outcome = %d), sum(NOT c.trial AND c.outcome = %d), sum(c.trial)
	FROM calls c JOIN lines l ON l.id = c.line
	WHERE c.began >= ?1 AND c.began < ?3 AND coalesce(c.ended, c.began) >= ?2 AND coalesce(c.ended, c.began) < ?3
	AND c.call <> 0 AND c.outcome <> %d GROUP BY +c.line`,
	callrecord.OutcomeCleared, callrecord.OutcomeUnknown, callrecord.OutcomeInProgress)

const (
	incidentTotalsQuery = `SELECT l.name, i.reason, count(*) FROM incidents i JOIN lines l ON l.id = i.line
		WHERE i.began >= ? AND i.began < ? GROUP BY +i.line, i.reason`
	lastOpeningQuery = `SELECT asked FROM calls WHERE line = (SELECT id FROM lines WHERE name = ?) AND began < ?
		AND clearing = 1 AND call <> 0 AND trial = 0 AND openings > 0 ORDER BY began DESC LIMIT 1`
)

// Totals returns the totals of the lines with a call or an incident in the period, by name. The period includes from,
// and not to.
func (r *Reader) Totals(ctx context.Context, from, to time.Time) ([]Totals, error) {
	all := map[string]*Totals{}
	line := func(name string) *Totals {
		if all[name] == nil {
			all[name] = &Totals{Line: name}
		}
		return all[name]
	}
	err := each(ctx, r.db, totalsQuery, func(rows *sql.Rows) error {
		var t Totals
		err := rows.Scan(&t.Line, &t.Calls, &t.Emergency, &t.Cleared, &t.Unverified, &t.Trials)
		*line(t.Line) = t
		return err
	}, from.Add(-longestCall).UnixMicro(), from.UnixMicro(), to.UnixMicro())
	if err != nil {
		return nil, readError(r.path, err)
	}
	err = each(ctx, r.db, incidentTotalsQuery, func(rows *sql.Rows) error {
		var name string
		var reason supervision.Incident
		var count int
		err := rows.Scan(&name, &reason, &count)
		t := line(name)
		if t.Incidents == nil {
			t.Incidents = map[supervision.Incident]int{}
		}
		t.Incidents[reason] = count
		return err
	}, from.UnixMicro(), to.UnixMicro())
	if err != nil {
		return nil, readError(r.path, err)
	}
	for _, t := range all {
		for at, length := range map[time.Time]*time.Duration{from: &t.Before, to: &t.After} {
			err := each(ctx, r.db, lastOpeningQuery, func(rows *sql.Rows) error { return rows.Scan(length) }, t.Line,
				at.UnixMicro())
			if err != nil {
				return nil, readError(r.path, err)
			}
		}
	}
	var sorted []Totals
	for _, name := range slices.Sorted(maps.Keys(all)) {
		sorted = append(sorted, *all[name])
	}
	return sorted, nil
}
