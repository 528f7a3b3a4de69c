package journal

import (
	"database/sql"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestQueriesUseIndices asks SQLite for the query plan of each common query. The plan does not depend on the number of
// records, since no statistics are kept.
func TestQueriesUseIndices(t *testing.T) {
	path := newPath(t)
	fill(t, path, 300, start)
	r := reader(t, path)
	since := start.Add(-48 * time.Hour)
	for name, c := range map[string]struct {
		Filter
		index string
	}{
		"all":           {Filter{}, "calls_began"},
		"since":         {Filter{Since: since}, "calls_began (began>?)"},
		"line":          {Filter{Line: "line-3", Limit: 50}, "calls_line (line=?)"},
		"line, since":   {Filter{Line: "line-3", Since: since}, "calls_line (line=? AND began>?)"},
		"failed":        {Filter{Failed: true}, "calls_failed"},
		"failed, since": {Filter{Failed: true, Since: since}, "calls_failed (began>?)"},
		"failed, line":  {Filter{Failed: true, Line: "line-3"}, "calls_failed_line (line=?)"},
		"after":         {Filter{After: 7}, "calls_changed (changed>?)"},
		"after, all": {Filter{After: 7, Line: "line-3", Since: since, Failed: true, Limit: 5},
			"calls_changed (changed>?)"},
	} {
		query, args := c.query()
		p := plan(t, r.db, query, args...)
		assert.Contains(t, p, " c USING INDEX "+c.index, name)
		if c.After == 0 {
			assert.NotContains(t, p, "TEMP B-TREE", "%s: no sorting", name)
		}
	}
	p := plan(t, r.db, lastQuery(" AND c.clearing = 1"), "line-3", 1)
	assert.Contains(t, p, "c USING INDEX calls_clearing (line=? AND began<?)")
	assert.NotContains(t, p, "TEMP B-TREE")
	assert.Contains(t, plan(t, r.db, callQuery, 7), "c USING INDEX calls_call (call=?)")
	p = plan(t, r.db, entriesQuery, 1, 2, 3, 4)
	assert.Contains(t, p, "events USING PRIMARY KEY (line=? AND id>? AND id<?)")
	assert.Contains(t, p, "effects USING PRIMARY KEY (line=? AND id>? AND id<?)")
	assert.NotContains(t, p, "TEMP B-TREE")
}

func plan(t *testing.T, db *sql.DB, query string, args ...any) string {
	t.Helper()
	var all []string
	require.NoError(t, each(ctx, db, "EXPLAIN QUERY PLAN "+query, func(rows *sql.Rows) error {
		var id, parent, unused int
		var detail string
		err := rows.Scan(&id, &parent, &unused, &detail)
		all = append(all, detail)
		return err
	}, args...))
	return strings.Join(all, "\n")
}
