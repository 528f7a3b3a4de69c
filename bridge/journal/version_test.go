package journal

import (
	"database/sql"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// makeVersion creates a file of that version.
func makeVersion(t *testing.T, version int) (path string) {
	t.Helper()
	path = newPath(t)
	db, err := sql.Open("sqlite", dsn(path, "mode=rwc"))
	require.NoError(t, err)
	for v := range version {
		text, err := os.ReadFile(fmt.Sprintf("testdata/version-%d.sql", v+1))
		require.NoError(t, err)
		_, err = db.Exec(string(text))
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
	return path
}

// dump returns the contents of all tables of version 1, without the columns that later versions added.
func dump(t *testing.T, path string) map[string][][]any {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	defer db.Close()
	all := map[string][][]any{}
	for table, columns := range map[string]int{
		"counters": 2, "runs": 4, "lines": 9, "calls": 31, "events": 4, "effects": 6, "incidents": 9, "trials": 11,
	} {
		require.NoError(t, each(ctx, db, "SELECT * FROM "+table+" ORDER BY 1, 2", func(rows *sql.Rows) error {
			names, err := rows.Columns()
			if err != nil {
				return err
			}
			row, to := make([]any, len(names)), make([]any, len(names))
			for i := range row {
				to[i] = &row[i]
			}
			err = rows.Scan(to...)
			all[table] = append(all[table], row[:min(columns, len(row))])
			return err
		}), table)
	}
	return all
}

func TestMigrationFromVersion1(t *testing.T) {
	path := makeVersion(t, 1)
	before := dump(t, path)
	for table, rows := range before {
		require.NotEmpty(t, rows, table)
	}
	_, err := OpenReader(path)
	assert.ErrorIs(t, err, ErrOlder)
	assert.ErrorContains(t, err, "start the daemon once")

	// First without a daemon, which would add a run and break off calls in progress.
	require.NoError(t, SaveTrust(path, "box-office", Trust{Probe: true, UserAgent: "Millrace ATA 3", At: start}))
	after := dump(t, path)
	before["lines"][0][7], before["lines"][0][8] = "Millrace ATA 3", start.UnixMicro()
	assert.Equal(t, before, after, "everything is kept")

	j := open(options(t, path), quick())
	assert.Equal(t, uint64(49), j.FirstCall())
	assert.Equal(t, SavedLine{Line: "box-office", Stayed: 1, Basis: "800ms 1.2s",
		CallbackBy: time.UnixMicro(1773519000000000).UTC(),
		Trust:      Trust{Probe: true, UserAgent: "Millrace ATA 3", At: start}}, j.SavedLine("box-office"))
	heldCallScript("box-office", time.UnixMicro(1773600000000000).UTC(), 49, "on").into(j)
	require.NoError(t, j.Close())

	r := reader(t, path)
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 10)
	assert.Equal(t, int64(10), rows[9].ID)
	assert.Greater(t, rows[9].Changed, rows[8].Changed)
	assert.Equal(t, callrecord.OutcomeBrokenOff, rows[8].Outcome)
	var failed []supervision.CallID
	for _, row := range rows {
		if row.Failed() {
			failed = append(failed, row.Call)
		}
	}
	assert.Equal(t, []supervision.CallID{42, 44, 47, 48}, failed, "as the accounts say")
	marked, err := r.Calls(ctx, Filter{Failed: true})
	require.NoError(t, err)
	var same []supervision.CallID
	for _, row := range marked {
		same = append(same, row.Call)
	}
	assert.Equal(t, failed, same, "as the file says")
	_, entries, err := r.Call(ctx, 41)
	require.NoError(t, err)
	assert.Len(t, entries, 4)
	_, entries, err = r.Call(ctx, 49)
	require.NoError(t, err)
	assert.Len(t, entries, 13)
	var sound string
	require.NoError(t, r.db.QueryRow("PRAGMA integrity_check").Scan(&sound))
	assert.Equal(t, "ok", sound)
}

func TestNewerVersionIsNotTouched(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	require.NoError(t, j.Close())
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	require.NoError(t, err)
	_, err = db.Exec("PRAGMA user_version = 4711")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	before, err := os.ReadFile(path)
	require.NoError(t, err)

	_, err = OpenReader(path)
	assert.ErrorIs(t, err, ErrNewer)
	assert.ErrorContains(t, err, "version 4711")
	assert.ErrorIs(t, SaveTrust(path, "box-office", Trust{At: start}), ErrNewer)
	o, logs := watched(path)
	j = open(o, quick())
	heldCallScript("box-office", start.Add(time.Hour), 2, "on").into(j)
	eventually(t, "alarm", func() bool {
		j.SaveLine(SavedLine{Line: "box-office", Stayed: 1})
		return alarms(logs, "newer version") >= 2
	})
	assert.ErrorIs(t, j.Close(), ErrNewer)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, before, after)
}

func TestEveryVersionHasItsStatements(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	require.NoError(t, j.Close())
	schemaOf := func(path string) (all []string) {
		db, err := sql.Open("sqlite", dsn(path, "mode=ro"))
		require.NoError(t, err)
		defer db.Close()
		require.NoError(t, each(ctx, db, "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name",
			func(rows *sql.Rows) error {
				var text string
				err := rows.Scan(&text)
				all = append(all, text)
				return err
			}))
		return all
	}
	// The last file has the current version, so the current statements are compared with those in testdata too.
	for v := 1; v <= len(schema); v++ {
		old := makeVersion(t, v)
		before := dump(t, old)
		require.NoError(t, SaveTrust(old, "workshop", Trust{At: start}))
		assert.Equal(t, schemaOf(path), schemaOf(old), "an old file that came up to date is like a new one")
		after := dump(t, old)
		after["lines"] = after["lines"][:len(before["lines"])] // without the workshop
		assert.Equal(t, before, after, "everything is kept")
	}
}
