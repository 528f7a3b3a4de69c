package journal

import (
	"context"
	"database/sql"
)

// savedLines reads the saved state of all lines.
func savedLines(ctx context.Context, c querier) ([]SavedLine, error) {
	var all []SavedLine
	err := each(ctx, c, `SELECT name, stayed, basis, callback_by, recent, recent_at, no_opening_by, probe, sense, user_agent, trust_at,
		second_passed, second_failed FROM lines ORDER BY name`,
		func(rows *sql.Rows) error {
			var k SavedLine
			var by, recent, pause, at, passed, failed sql.NullInt64
			err := rows.Scan(&k.Line, &k.Stayed, &k.Basis, &by, &k.Recent, &recent, &pause, &k.Trust.Probe,
				&k.Trust.Sense, &k.Trust.UserAgent, &at, &passed, &failed)
			k.CallbackBy, k.RecentAt, k.NoOpeningBy, k.Trust.At = instant(by), instant(recent), instant(pause),
				instant(at)
			k.Second.Passed, k.Second.Failed = instant(passed), instant(failed)
			all = append(all, k)
			return err
		})
	return all, err
}

// querier is a connection or a pool of connections.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// each calls f for every row of a query.
func each(ctx context.Context, c querier, query string, f func(*sql.Rows) error, args ...any) error {
	rows, err := c.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
