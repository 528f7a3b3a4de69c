package livestate

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

type piece struct{ At time.Time }

func open(t *testing.T, dir string) *Store {
	t.Helper()
	return Open(dir, zap.NewNop())
}

func closeStore(t *testing.T, s *Store) {
	t.Helper()
	require.NoError(t, s.Close(10*time.Second))
}

func TestStateOutlivesTheStore(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "live")
	first, later := piece{time.Unix(1e9, 0).UTC()}, piece{time.Unix(2e9, 0).UTC()}
	s := open(t, dir)
	require.NoError(t, s.Put("adapter-box-office", first))
	require.NoError(t, s.Put("adapter-box-office", later))
	require.NoError(t, s.Put("adapter-workshop", first))
	closeStore(t, s)
	s = open(t, dir)
	var got piece
	ok, err := s.Get("adapter-box-office", &got)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, later, got, "the latest counts")
	require.NoError(t, s.Remove("adapter-box-office"))
	require.NoError(t, s.Remove("adapter-green-room"), "there is none")
	closeStore(t, s)
	s = open(t, dir)
	defer closeStore(t, s)
	ok, err = s.Get("adapter-box-office", &got)
	assert.False(t, ok)
	require.NoError(t, err)
	ok, err = s.Get("adapter-workshop", &got)
	assert.True(t, ok)
	require.NoError(t, err)
	info, err := os.Stat(dir)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), info.Mode().Perm(), "only the owner may read it")
	all, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, all, 1, "no unfinished file is left")
}

func TestDamagedAndForeignFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name string, text []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), text, 0o600))
	}
	write("empty.json", nil) // as a power cut may leave one
	write("half.json", []byte(`{"At":"20`))
	write("large.json", make([]byte, maxSize+1))
	write("other.txt", []byte(`{}`))
	write("good.json", []byte(`{}`))
	require.NoError(t, os.Symlink("good.json", filepath.Join(dir, "link.json")))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.json"), 0o700))
	s := open(t, dir)
	defer closeStore(t, s)
	var got piece
	for _, damaged := range []string{"empty", "half"} {
		ok, err := s.Get(damaged, &got)
		assert.False(t, ok, damaged)
		assert.ErrorContains(t, err, damaged+".json")
	}
	for _, absent := range []string{"large", "other", "link", "folder", "missing", "../half", ""} {
		ok, err := s.Get(absent, &got)
		assert.False(t, ok, absent)
		assert.NoError(t, err, absent)
	}
	ok, err := s.Get("good", &got)
	assert.True(t, ok)
	assert.NoError(t, err)
	for _, name := range []string{"../escape", "a/b", "", ".hidden"} {
		assert.Error(t, s.Put(name, piece{}), name)
		assert.Error(t, s.Remove(name), name)
	}
	assert.Error(t, s.Put("channel", make(chan int)), "no JSON")
}

// A store whose folder is a file, or whose parent is missing, begins empty and says so.
func TestFolderThatCannotBe(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "live")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	for _, dir := range []string{file, filepath.Join(t.TempDir(), "missing", "live")} {
		core, logs := observer.New(zap.ErrorLevel)
		s := Open(dir, zap.New(core))
		assert.Equal(t, 1, logs.Len())
		require.NoError(t, s.Put("adapter-box-office", piece{}))
		assert.Error(t, s.Close(10*time.Second))
	}
}

// A disk that refuses is logged once, what was put stays pending, and it is written when the disk accepts it again.
func TestDiskThatRefuses(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "live")
	core, logs := observer.New(zap.ErrorLevel)
	s := Open(dir, zap.New(core))
	require.NoError(t, os.Remove(dir))
	require.NoError(t, s.Put("adapter-box-office", piece{}))
	require.Eventually(t, func() bool { return logs.Len() == 1 }, 10*time.Second, time.Millisecond)
	require.NoError(t, s.Put("adapter-workshop", piece{}))
	require.NoError(t, os.Mkdir(dir, 0o700))
	closeStore(t, s)
	assert.Equal(t, 1, logs.Len())
	all, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, all, 2)

	s = open(t, dir)
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, s.Put("adapter-box-office", piece{}))
	assert.ErrorContains(t, s.Close(10*time.Second), "could not be written: 1")
}

// Drop removes what a store has written and nothing else, and follows no link to another place.
func TestDrop(t *testing.T) {
	parent := t.TempDir()
	dir, elsewhere := Folder(filepath.Join(parent, "control")), filepath.Join(t.TempDir(), "precious.json")
	require.NoError(t, Drop(dir), "there is none")
	require.NoError(t, Drop(filepath.Join(parent, "none", "control.live")))
	s := Open(dir, zap.NewNop())
	require.NoError(t, s.Put("box-office", 1))
	require.NoError(t, s.Close(time.Minute))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "notes"), nil, 0o600))
	require.NoError(t, Drop(dir))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, os.WriteFile(elsewhere, nil, 0o600))
	require.NoError(t, os.Symlink(filepath.Dir(elsewhere), dir))
	require.Error(t, Drop(dir))
	require.FileExists(t, elsewhere)
}
