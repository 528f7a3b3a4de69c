package runtimestate

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

type piece struct{ At time.Time }

func open(t *testing.T, dir string) *Store {
	t.Helper()
	return Open(dir, "call-", zap.NewNop())
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
	require.NoError(t, s.Put("adapter-box-office", first, nil))
	require.NoError(t, s.Put("adapter-box-office", later, nil))
	require.NoError(t, s.Put("adapter-workshop", first, nil))
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
	require.Len(t, all, 1, "no unfinished file is left")
	info, err = all[0].Info()
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

// A removal leaves the processor to the opening that the end of a call leads to, and is made later, or at the end.
func TestRemovalWaits(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	synctest.Test(t, func(t *testing.T) {
		s := open(t, dir)
		there := func() bool {
			synctest.Wait()
			_, err := os.Stat(s.path("call-1"))
			return err == nil
		}
		require.NoError(t, s.Put("call-1", piece{}, nil))
		require.True(t, there(), "what is put is written at once")
		require.NoError(t, s.Remove("call-1"))
		time.Sleep(removeAfter - 1)
		require.True(t, there())
		time.Sleep(time.Nanosecond)
		require.False(t, there())
		require.NoError(t, s.Put("call-1", piece{}, nil))
		require.True(t, there())
		require.NoError(t, s.Remove("call-1"))
		closeStore(t, s)
		require.False(t, there())
	})
}

func TestDamagedAndForeignFiles(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	require.NoError(t, os.Mkdir(dir, 0o700))
	write := func(name string, text []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), text, 0o600))
	}
	write("empty.json", nil)
	write("half.json", []byte(`{"At":"20`))
	write("large.json", append([]byte(`{}`), make([]byte, maxSize-1)...))
	write("other.txt", []byte(`{}`))
	write("good.json", append([]byte(`{}`), bytes.Repeat([]byte(" "), maxSize-2)...))
	require.NoError(t, os.Symlink("good.json", filepath.Join(dir, "link.json")))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.json"), 0o700))
	core, logs := observer.New(zap.ErrorLevel)
	s := Open(dir, "call-", zap.New(core))
	defer closeStore(t, s)
	require.Equal(t, 1, logs.Len())
	assert.Contains(t, fmt.Sprint(logs.All()[0].ContextMap()["error"]), "large.json is longer than")
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
	for _, name := range []string{"../escape", "a/b", "", ".hidden", strings.Repeat("a", 129)} {
		assert.ErrorContains(t, s.Put(name, piece{}, nil), "invalid name", name)
		assert.ErrorContains(t, s.Remove(name), "invalid name", name)
	}
	assert.Error(t, s.Put("channel", make(chan int), nil), "no JSON")
}

// A folder that somebody else could have written is not used: a planted file could name another adapter's address.
func TestFolderThatOthersMayUse(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(dir string) error{
		"writable for all":     func(dir string) error { return os.Chmod(dir, 0o702) },
		"readable for a group": func(dir string) error { return os.Chmod(dir, 0o740) },
		"a link": func(dir string) error {
			return errors.Join(os.Rename(dir, dir+"-other"), os.Symlink(dir+"-other", dir))
		},
		"a file": func(dir string) error {
			return errors.Join(os.RemoveAll(dir),
				os.WriteFile(dir, nil, 0o600))
		},
		"without parent": func(dir string) error { return os.RemoveAll(filepath.Dir(dir)) },
	} {
		dir := filepath.Join(t.TempDir(), "run", "state")
		require.NoError(t, os.MkdirAll(dir, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, "adapter-box-office.json"), []byte(`{}`), 0o600))
		require.NoError(t, spoil(dir), name)
		core, logs := observer.New(zap.ErrorLevel)
		s := Open(dir, "call-", zap.New(core))
		assert.Equal(t, 1, logs.Len(), name)
		var got piece
		ok, err := s.Get("adapter-box-office", &got)
		assert.False(t, ok, name)
		assert.NoError(t, err, name)
		require.NoError(t, s.Put("adapter-workshop", piece{}, nil))
		assert.ErrorContains(t, s.Close(10*time.Second), "could not be written: 1", name)
		assert.NoFileExists(t, filepath.Join(dir, "adapter-workshop.json"), name)
	}
}

// Two daemons never use the same folder. Once the first has ended, the next one can.
func TestFolderInUse(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	first := open(t, dir)
	require.NoError(t, first.Put("call-1", piece{}, nil))
	core, logs := observer.New(zap.ErrorLevel)
	second := Open(dir, "call-", zap.New(core))
	assert.Equal(t, 1, logs.Len())
	assert.Contains(t, fmt.Sprint(logs.All()[0].ContextMap()["error"]), "used by another daemon")
	failed := make(chan error, 1)
	require.NoError(t, second.Put("call-2", piece{}, func(err error) { failed <- err }))
	assert.ErrorIs(t, <-failed, ErrInUse)
	assert.Error(t, second.Close(10*time.Second))
	closeStore(t, first)
	third := open(t, dir)
	defer closeStore(t, third)
	assert.Equal(t, []string{"call-1"}, third.Names("call-"), "nothing of the second")
	assert.Empty(t, third.Names("adapter-"))
}

// Whoever puts a piece learns when it, or a later one of its name, is on the disk.
func TestPutReportsTheDisk(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	s := open(t, dir)
	defer closeStore(t, s)
	for n := range 20 {
		var done [3]chan error
		for i := range done {
			done[i] = make(chan error, 2) // a second report would stay in it
			name := []string{"call-1", "call-1", "call-2"}[i]
			require.NoError(t, s.Put(name, 3*n+i, func(err error) {
				text, readErr := os.ReadFile(filepath.Join(dir, name+".json"))
				var got int
				if _, scanErr := fmt.Sscan(string(text), &got); scanErr != nil || got < 3*n+i {
					readErr = errors.Join(readErr, fmt.Errorf("%q is on the disk, not %d", text, 3*n+i))
				}
				done[i] <- errors.Join(err, readErr)
			}))
		}
		for i := range done {
			require.NoError(t, <-done[i])
			assert.Empty(t, done[i])
		}
	}
}

// What a report puts while the store is being closed is written too.
func TestPutByAReportAtTheEnd(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	s := newStore(dir, "call-", zap.NewNop())
	require.NoError(t, s.Put("call-1", 1, func(error) { assert.NoError(t, s.Put("start", 2, nil)) }))
	<-s.wake // so that the last write is the only one
	close(s.quit)
	go func() { defer close(s.ended); s.run() }()
	<-s.ended
	require.FileExists(t, s.path("start"))
}

func TestFilesAreBounded(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	require.NoError(t, os.Mkdir(dir, 0o700))
	for n := range maxFiles + 1 {
		require.NoError(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("call-%d.json", n)), []byte("{}"), 0o600))
	}
	s := newStore(dir, "call-", zap.NewNop())
	assert.ErrorContains(t, s.read(), "more than") // Open would wait a second only
	assert.Len(t, s.Names("call-"), maxFiles)
	require.NoError(t, s.lock.Close())
}

// While the folder cannot be written, that is logged once. What was put stays pending, its latest state counts, and it
// is written as soon as the folder can be written again.
func TestFolderThatCannotBeWritten(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "run", "state")
		require.NoError(t, os.Mkdir(filepath.Dir(dir), 0o700))
		core, logs := observer.New(zap.ErrorLevel)
		s := Open(dir, "call-", zap.New(core))
		require.NoError(t, os.RemoveAll(filepath.Dir(dir)))
		first, later := piece{time.Unix(1e9, 0).UTC()}, piece{time.Unix(2e9, 0).UTC()}
		require.NoError(t, s.Put("adapter-box-office", first, nil))
		<-time.After(10 * retry)
		require.Equal(t, 1, logs.Len())
		<-time.After(remind)
		require.Equal(t, 2, logs.Len())
		require.NoError(t, s.Put("adapter-box-office", later, nil))
		require.NoError(t, os.Mkdir(filepath.Dir(dir), 0o700))
		<-time.After(2 * retry)
		text, err := os.ReadFile(filepath.Join(dir, "adapter-box-office.json"))
		require.NoError(t, err)
		assert.JSONEq(t, `{"At": "2033-05-18T03:33:20Z"}`, string(text))
		require.NoError(t, os.RemoveAll(filepath.Dir(dir)))
		require.NoError(t, s.Put("adapter-box-office", first, nil))
		synctest.Wait()
		require.Equal(t, 3, logs.Len(), "a new failure")
		closeErr := s.Close(10 * time.Second)
		assert.ErrorContains(t, closeErr, "could not be written: 1")
	})
}

// Calls that are read too late are removed, except those that were put meanwhile: nobody takes them up, and the next
// start would take them for calls of this process. Other pieces stay.
func TestLateRead(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	s := open(t, dir)
	for _, name := range []string{"call-1", "call-2", "call-3", "adapter-workshop"} {
		require.NoError(t, s.Put(name, "before", nil))
	}
	closeStore(t, s)
	s = newStore(dir, "call-", zap.NewNop())
	s.giveUp()
	require.NoError(t, s.Put("call-2", "new", nil))
	require.NoError(t, s.Remove("call-3"))
	require.NoError(t, s.read())
	require.Empty(t, s.Names(""), "nobody gets what was read too late")
	go func() { defer close(s.ended); s.run() }()
	closeStore(t, s)
	s = open(t, dir)
	defer closeStore(t, s)
	require.ElementsMatch(t, []string{"call-2", "adapter-workshop"}, s.Names(""))
	var got string
	_, err := s.Get("call-2", &got)
	require.NoError(t, err)
	require.Equal(t, "new", got)
}

// A store that is opened empty keeps only what is put, and pieces that are not stale.
func TestOpenEmpty(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	s := open(t, dir)
	require.True(t, s.WasRead())
	for _, name := range []string{"call-1", "call-2", "adapter-workshop"} {
		require.NoError(t, s.Put(name, "before", nil))
	}
	closeStore(t, s)
	s = OpenEmpty(dir, "call-", zap.NewNop())
	require.NoError(t, s.Put("call-2", "new", nil))
	require.Empty(t, s.Names(""))
	require.False(t, s.WasRead())
	closeStore(t, s)
	s = open(t, dir)
	defer closeStore(t, s)
	require.ElementsMatch(t, []string{"call-2", "adapter-workshop"}, s.Names(""))
}

// What a kill or a power cut leaves half written is removed: on a disk, it would stay there for ever.
func TestUnfinishedFiles(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	require.NoError(t, os.Mkdir(dir, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "call-7"+tempSuffix), []byte("{"), 0o600))
	closeStore(t, open(t, dir))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Empty(t, left)
}

// Copies are made only if there is a journal in another folder. Two daemons with one journal have different folders.
func TestCopyFolder(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ socket, journal, want string }{
		{"/run/clearback/control", "/var/lib/clearback/journal.db", "/var/lib/clearback/run-clearback-control.state"},
		{"/run/foyer/control", "/var/lib/clearback/journal.db", "/var/lib/clearback/run-foyer-control.state"},
		{"/run/clearback/control", "", ""}, {"", "/var/lib/clearback/journal.db", ""},
		{"/srv/control", "/srv/journal.db", ""},
	} {
		assert.Equal(t, c.want, CopyFolder(c.socket, c.journal))
	}
}

// Pieces returns, and Drop removes, what a store has written and nothing else. They follow no link.
func TestDrop(t *testing.T) {
	parent := t.TempDir()
	dir, elsewhere := Folder(filepath.Join(parent, "control")), filepath.Join(t.TempDir(), "precious.json")
	require.NoError(t, Drop(dir), "there is none")
	require.NoError(t, Drop(filepath.Join(parent, "none", "control.state")))
	s := open(t, dir)
	require.NoError(t, s.Put("box-office", 1, nil))
	require.ErrorIs(t, Drop(dir), ErrInUse)
	require.NoError(t, s.Close(time.Minute))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "notes"), nil, 0o600))
	require.NoError(t, os.WriteFile(elsewhere, nil, 0o600))
	require.NoError(t, os.Symlink(elsewhere, filepath.Join(dir, "link.json")))
	all, err := Pieces(dir)
	require.NoError(t, err)
	require.Equal(t, map[string][]byte{"box-office": []byte("1")}, all)
	require.NoError(t, Drop(dir))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, os.Symlink(filepath.Dir(elsewhere), dir))
	require.NoError(t, Drop(dir))
	require.FileExists(t, elsewhere)
}

// TestOpenWhenReadable checks that it waits until another store has closed the folder, reads what that left, removes
// what a kill left half written, and gives up when its context ends.
func TestOpenWhenReadable(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	synctest.Test(t, func(t *testing.T) {
		first := Open(dir, "", zap.NewNop())
		require.NoError(t, first.Put("a", 1, nil))
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		var failures []error
		_, err := OpenWhenReadable(ctx, dir, zap.NewNop(), func(err error) { failures = append(failures, err) })
		cancel()
		require.GreaterOrEqual(t, len(failures), 60-1, "one a second")
		require.ErrorIs(t, failures[0], ErrInUse)
		require.ErrorIs(t, err, ErrInUse)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.NoError(t, os.WriteFile(filepath.Join(dir, "b"+tempSuffix), []byte("{"), 0o600))
		begin := time.Now()
		time.AfterFunc(time.Hour, func() { _ = first.Close(time.Second) })
		s, err := OpenWhenReadable(t.Context(), dir, zap.NewNop(), func(error) {})
		require.NoError(t, err)
		require.InDelta(t, time.Hour, time.Since(begin), float64(retry))
		require.Equal(t, []string{"a"}, s.Names(""))
		require.NoFileExists(t, filepath.Join(dir, "b"+tempSuffix))
		require.NoError(t, s.Put("a", 2, nil))
		require.NoError(t, s.Close(time.Second))
	})
}

// TestCloseOnASlowDisk checks that a store which could not be closed in time releases the folder as soon as the disk
// responds, so that the next store can open it. A pipe in the place of the file to be written stands for the disk.
func TestCloseOnASlowDisk(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "state")
	s := open(t, dir)
	pipe := filepath.Join(dir, "a"+tempSuffix)
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	require.NoError(t, s.Put("a", 1, nil)) // opening the pipe waits for a reader
	require.ErrorContains(t, s.Close(time.Millisecond), "has not responded")
	require.ErrorIs(t, Drop(dir), ErrInUse)
	f, err := os.Open(pipe)
	require.NoError(t, err)
	defer f.Close()
	<-s.ended
	require.NoError(t, Drop(dir), "it is not in use any more")
}
