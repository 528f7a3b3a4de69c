package journal

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func TestReadWhileItIsWritten(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	written(t, j)
	r := reader(t, path)
	rows, err := r.db.Query("SELECT * FROM events") // a reader that is in the middle of reading
	require.NoError(t, err)
	require.True(t, rows.Next())
	s := heldCallScript("box-office", start.Add(time.Hour), 2, "on")
	s.part(0, 4).into(j)
	written(t, j) // it does not wait for the reader
	require.NoError(t, rows.Close())

	got, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, got, 2)
	assert.Equal(t, callrecord.OutcomeInProgress, got[1].Outcome, "it is under way")
	_, entries, err := r.Call(ctx, 2)
	require.NoError(t, err)
	assert.Len(t, entries, 4)
	seen := got[1].Changed
	s.part(4, len(s.entries)).into(j)
	eventually(t, "what changed since comes", func() bool {
		news, err := r.Calls(ctx, Filter{After: seen})
		require.NoError(t, err)
		return len(news) == 1 && news[0].ID == got[1].ID && news[0].Outcome == callrecord.OutcomeCleared &&
			news[0].Changed > seen
	})
	require.NoError(t, j.Close())
}

func TestUnfinishedCallIsBrokenOff(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").part(0, 5).into(j)
	require.NoError(t, j.Close())
	row, entries, err := reader(t, path).Call(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, callrecord.OutcomeBrokenOff, row.Outcome)
	assert.Len(t, entries, 5)
	failed, err := reader(t, path).Calls(ctx, Filter{Failed: true})
	require.NoError(t, err)
	assert.Len(t, failed, 1)
}

// TestReadWithoutPermission checks that missing permission is reported as such, and not as the remains of a killed
// daemon.
func TestReadWithoutPermission(t *testing.T) {
	if os.Geteuid() == 0 {
		unprivileged(t)
		return
	}
	o, _ := watched(filepath.Join(t.TempDir(), "journal.db"))
	j := open(o, quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	written(t, j)
	require.NoError(t, j.Close())
	require.NoError(t, os.Chmod(o.Path, 0o200))
	_, err := OpenReader(o.Path)
	require.ErrorContains(t, err, "may not be read by this user")
}

// TestReadWhatAKilledDaemonLeft reads the file and its write-ahead log, in a folder that the reader may write to and in
// one that it may not.
func TestReadWhatAKilledDaemonLeft(t *testing.T) {
	if os.Geteuid() == 0 {
		unprivileged(t)
		return
	}
	dir := t.TempDir()
	path := dir + "/journal.db"
	count := func() int {
		r, err := OpenReader(path)
		if errors.Is(err, ErrNotFound) {
			return 0
		}
		require.NoError(t, err)
		defer r.Close()
		rows, err := r.Calls(ctx, Filter{})
		require.NoError(t, err)
		return len(rows)
	}
	n := 0
	for range 20 { // the process may be killed before it wrote anything
		runAndKill(t, path, 0)
		if n = count(); n > 0 {
			break
		}
	}
	require.Positive(t, n)
	require.FileExists(t, path+walSuffix)
	for _, file := range []string{path, path + walSuffix, path + shmSuffix} {
		require.NoError(t, os.Chmod(file, 0o444))
	}
	require.NoError(t, os.Chmod(dir, 0o555))
	assert.Equal(t, n, count(), "for example a member of the group, who may only read")

	require.NoError(t, os.Chmod(dir, 0o755))
	require.NoError(t, os.Remove(path+shmSuffix))
	require.NoError(t, os.Chmod(dir, 0o555))
	_, err := OpenReader(path)
	require.ErrorContains(t, err, "read it as the user of the service, or copy")

	// After a proper shutdown SQLite has nothing to recover.
	require.NoError(t, os.Chmod(dir, 0o755))
	require.NoError(t, os.Chmod(path, 0o644))
	require.NoError(t, os.Chmod(path+walSuffix, 0o644))
	require.NoError(t, open(options(t, path), quick()).Close())
	require.NoError(t, os.Chmod(path, 0o444))
	require.NoError(t, os.Chmod(dir, 0o555))
	assert.Equal(t, n, count())
	require.NoError(t, os.Chmod(path, 0))
	_, err = OpenReader(path)
	assert.ErrorContains(t, err, "read it as the user of the service")
	require.NoError(t, os.Chmod(dir, 0o755))
}

// Calls recorded while the clock was years ahead do not hide the real last call for years.
func TestLastCallIgnoresFutureDates(t *testing.T) {
	path := newPath(t)
	j := open(options(t, path), quick())
	heldCallScript("box-office", time.Now().AddDate(4, 0, 0), 1, "on").into(j)
	written(t, j)
	r := reader(t, path)
	for _, line := range []string{"", "box-office"} {
		row, _, err := r.Last(ctx, line)
		require.NoError(t, err)
		assert.EqualValues(t, 1, row.Call, "there is no other")
	}
	unanswered("box-office", time.Now(), 2).into(j)
	require.NoError(t, j.Close())
	for _, line := range []string{"", "box-office"} {
		row, entries, err := r.Last(ctx, line)
		require.NoError(t, err)
		assert.EqualValues(t, 2, row.Call)
		assert.NotEmpty(t, entries)
	}
}

func TestDuplicateCallNumber(t *testing.T) {
	path := newPath(t)
	for n := range 2 { // as if the second daemon could not read what the first wrote
		j := open(options(t, path), quick())
		heldCallScript("box-office", start.Add(time.Duration(n)*time.Hour), 1, "on").into(j)
		require.NoError(t, j.Close())
	}
	r := reader(t, path)
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	row, entries, err := r.Call(ctx, 1)
	require.NoError(t, err)
	assert.Equal(t, start.Add(time.Hour), row.Began)
	assert.Len(t, entries, 13)
	assert.Equal(t, supervision.CallID(1), entries[0].Event.Call)
}

func TestUnusualPaths(t *testing.T) {
	t.Chdir(t.TempDir())
	require.NoError(t, os.Mkdir("state of #1 50% & more?", 0o755))
	for _, path := range []string{"journal.db", "./state of #1 50% & more?/über.db", t.TempDir() + "/a b#c?d%41.db"} {
		j := open(options(t, path), quick())
		heldCallScript("box-office", start, 1, "on").into(j)
		require.NoError(t, j.Close())
		assert.FileExists(t, path)
		rows, err := reader(t, path).Calls(ctx, Filter{})
		require.NoError(t, err)
		assert.Len(t, rows, 1)
	}
}
