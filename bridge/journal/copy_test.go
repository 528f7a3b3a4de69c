package journal

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
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
		row, entries, err := reader(t, to).Call(ctx, 1)
		require.NoError(t, err)
		assert.NotEmpty(t, entries)
		assert.Equal(t, "5550123", row.Party.Number)
	}
	require.ErrorContains(t, Copy(ctx, path, filepath.Join(dir, "first")), "already exists")
	require.NoError(t, j.Close())
	require.ErrorIs(t, Copy(ctx, filepath.Join(dir, "none"), filepath.Join(dir, "fourth")), ErrNotFound)
}

// Journals of older versions can be copied. A daemon upgrades them.
func TestCopyOlderVersions(t *testing.T) {
	for v := 1; v <= len(schema); v++ {
		to := filepath.Join(t.TempDir(), "copy")
		require.NoError(t, Copy(ctx, makeVersion(t, v), to))
		require.NoError(t, CheckCopy(ctx, to))
		j := open(options(t, to), quick())
		assert.Empty(t, j.Health().Problem)
		require.NoError(t, j.Close())
	}
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
			"not a journal of version 3"},
		"a view":          {statement("CREATE VIEW spare AS SELECT 1"), "not a journal of version 3"},
		"a missing table": {statement("DROP TABLE trials"), "not a journal of version 3"},
		"a newer version": {statement("PRAGMA user_version = 4711"), "4711"},
		"no version":      {statement("PRAGMA user_version = 0"), "empty"},
		"half of it": {func(t *testing.T, path string) {
			info, err := os.Stat(path)
			require.NoError(t, err)
			require.NoError(t, os.Truncate(path, info.Size()/2))
		}, "damaged"},
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
