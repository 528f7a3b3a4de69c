package journal

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A copy that is made while the daemon writes is whole, and has all that was written before.
func TestCopyWhileWriting(t *testing.T) {
	path, dir := newPath(t), t.TempDir()
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "off").with(noteOf("box-office", 1)).into(j)
	written(t, j)
	names := []string{"first", "second", "third"}
	copied := make(chan error, len(names)) // one result of each copy
	go func() {
		for _, name := range names {
			copied <- Copy(ctx, path, filepath.Join(dir, name))
		}
		close(copied)
	}()
	for call, open := uint64(2), true; open; call++ {
		heldCallScript("stage-door", start.Add(time.Duration(call)*time.Second), call, "on").into(j)
		written(t, j)
		select {
		case err, more := <-copied:
			require.NoError(t, err)
			open = more
		default:
		}
	}
	for _, name := range names {
		to := filepath.Join(dir, name)
		require.NoError(t, CheckCopy(ctx, to))
		info, err := os.Stat(to)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode())
		row, entries, err := reader(t, to).Call(ctx, 1)
		require.NoError(t, err)
		assert.NotEmpty(t, entries)
		assert.Equal(t, "5550123", row.Party.Number)
	}
	require.ErrorContains(t, Copy(ctx, path, filepath.Join(dir, "first")), "file exists")
	require.NoError(t, j.Close())
	require.ErrorIs(t, Copy(ctx, filepath.Join(dir, "none"), filepath.Join(dir, "fourth")), ErrNotFound)
}

// Journals of older versions can be copied and read. They are upgraded only when they take another journal's place.
func TestCopyOlderVersions(t *testing.T) {
	for v := 1; v <= len(schema); v++ {
		to := filepath.Join(t.TempDir(), "copy")
		require.NoError(t, Copy(ctx, makeVersion(t, v), to))
		require.NoError(t, CheckCopy(ctx, to))
		before, err := os.ReadFile(to)
		require.NoError(t, err)
		all, _, err := SavedLines(ctx, to, start)
		require.NoError(t, err)
		require.NotEmpty(t, all)
		assert.Equal(t, "box-office", all[0].Line)
		assert.Equal(t, 1, all[0].Stayed)
		after, err := os.ReadFile(to)
		require.NoError(t, err)
		assert.Equal(t, before, after)
		require.NoError(t, CarryOver(ctx, to, []SavedLine{{Line: "box-office", NoOpeningBy: start}}, "v1", start))
		assert.NoFileExists(t, to+walSuffix)
		o, logs := watched(to)
		j := open(o, quick())
		assert.Empty(t, j.Health().Problem)
		assert.Equal(t, start, j.SavedLine("box-office").NoOpeningBy)
		assert.Equal(t, 1, j.SavedLine("box-office").Stayed)
		require.NoError(t, j.Close())
		assert.Zero(t, alarms(logs, "the daemon died during these calls"), "they are ended in the copy")
	}
}

// A user has run ANALYZE in the journal, which adds a table. It can still be saved and restored.
func TestCopyAfterAnalyze(t *testing.T) {
	path, to := makeVersion(t, len(schema)), filepath.Join(t.TempDir(), "copy")
	db, err := sql.Open("sqlite", dsn(path, ""))
	require.NoError(t, err)
	_, err = db.Exec("ANALYZE")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	require.NoError(t, Copy(ctx, path, to))
	require.NoError(t, CheckCopy(ctx, to))
}

// A killed daemon leaves its last states in the write-ahead log.
func TestMerge(t *testing.T) {
	path, dir := newPath(t), t.TempDir()
	j := open(options(t, path), quick())
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 3, CallbackBy: start})
	written(t, j)
	copied := filepath.Join(dir, "copy")
	for _, suffix := range []string{"", walSuffix} {
		text, err := os.ReadFile(path + suffix)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(copied+suffix, text, 0o600))
	}
	require.NoError(t, j.Close())
	r := reader(t, copied)
	_, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.NoError(t, Merge(ctx, copied), "a reader that waits does no harm")
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	require.NoError(t, err)
	_, err = tx.Exec("SELECT count(*) FROM calls")
	require.NoError(t, err)
	require.NoError(t, SaveTrust(copied, "box-office", Trust{At: start}))
	require.ErrorIs(t, Merge(ctx, copied), ErrInUse, "a reader that reads needs the log")
	require.NoError(t, tx.Rollback())
	require.NoError(t, r.Close())
	require.NoError(t, Merge(ctx, copied))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	all, emergencies, err := SavedLines(ctx, copied, start)
	require.NoError(t, err)
	assert.Equal(t, []SavedLine{{Line: "box-office", Stayed: 3, CallbackBy: start, Trust: Trust{At: start}}}, all)
	assert.Empty(t, emergencies)
}

// Each case is a copy that must not become a journal.
func TestCheckCopyRefuses(t *testing.T) {
	whole := newPath(t)
	j := open(options(t, whole), quick())
	heldCallScript("box-office", start, 1, "off").into(j)
	require.NoError(t, j.Close())
	statement := func(s string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			db, err := sql.Open("sqlite", dsn(path, ""))
			require.NoError(t, err)
			_, err = db.Exec(s)
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}
	}
	for name, x := range map[string]struct {
		harm func(t *testing.T, path string)
		want string
	}{
		"a trigger": {statement("CREATE TRIGGER calls_all AFTER INSERT ON calls BEGIN DELETE FROM calls; END"),
			"not a journal of version 5"},
		"a view":          {statement("CREATE VIEW spare AS SELECT 1"), "not a journal of version 5"},
		"a missing table": {statement("DROP TABLE trials"), "not a journal of version 5"},
		"a newer version": {statement("PRAGMA user_version = 4711"), "4711"},
		"no version":      {statement("PRAGMA user_version = 0"), "empty"},
		"half of it": {func(t *testing.T, path string) {
			info, err := os.Stat(path)
			require.NoError(t, err)
			require.NoError(t, os.Truncate(path, info.Size()/2))
		}, "damaged"},
		"a page of a table": {func(t *testing.T, path string) {
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			copy(data[len(data)-4096:], strings.Repeat("x", 4096)) // the page size that SQLite chooses
			require.NoError(t, os.WriteFile(path, data, 0o600))
		}, "damaged"},
		"a name that is not text": {statement("INSERT INTO lines(name) SELECT CAST(name AS BLOB) FROM lines"), "not text"},
		"text": {func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte("The Millrace Playhouse presents"), 0o600))
		}, "damaged"},
		"nothing": {func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 0)) }, "empty"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "copy")
			require.NoError(t, Copy(context.Background(), whole, path))
			x.harm(t, path)
			require.ErrorContains(t, CheckCopy(ctx, path), x.want)
		})
	}
}
