package journal

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The second daemon with a journal records nothing and says why. It takes the journal over when the first one ends.
func TestSecondDaemonDoesNotWrite(t *testing.T) {
	path := newPath(t)
	first := open(options(t, path), quick())
	first.SaveLine(SavedLine{Line: "box-office", Stayed: 1})
	second := open(options(t, path), quick())
	assert.Contains(t, second.Health().Problem, "another daemon writes this file")
	assert.Equal(t, SavedLine{Line: "box-office"}, second.SavedLine("box-office"))
	second.SaveLine(SavedLine{Line: "stage-door", Stayed: 2})
	require.NoError(t, first.Close())
	eventually(t, "the second daemon takes over", func() bool { return second.Health().Problem == "" })
	assert.Equal(t, 1, second.SavedLine("box-office").Stayed)
	require.NoError(t, second.Close())
	assert.Equal(t, 2, savedLine(t, path, "stage-door").Stayed)
}

// A daemon that starts before its folder exists takes the lock once it can.
func TestLockIsTakenLater(t *testing.T) {
	path := filepath.Join(newPath(t)+".d", "journal.db")
	j := open(options(t, path), quick())
	require.NotEmpty(t, j.Health().Problem)
	require.NoError(t, os.Mkdir(filepath.Dir(path), 0o755))
	t.Cleanup(func() { os.RemoveAll(filepath.Dir(path)) })
	eventually(t, "the journal is open", func() bool { return j.Health().Problem == "" })
	_, err := Lock(path)
	require.ErrorIs(t, err, ErrInUse)
	info, err := os.Stat(path + lockSuffix)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode())
	require.NoError(t, j.Close())
	free, err := Lock(path)
	require.NoError(t, err)
	free()
}

// A symbolic link in the place of the lock is not followed, and the journal is written.
func TestLockDoesNotFollowLinks(t *testing.T) {
	path := newPath(t)
	require.NoError(t, os.Symlink(filepath.Dir(path), path+lockSuffix))
	_, err := Lock(path)
	require.Error(t, err)
	j := open(options(t, path), quick())
	assert.Empty(t, j.Health().Problem)
	require.NoError(t, j.Close())
}
