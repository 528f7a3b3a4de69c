package journal

import (
	"bytes"
	"database/sql"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/supervision/callrecord"
)

// watched returns options with a logger whose entries can be read.
func watched(path string) (Options, *observer.ObservedLogs) {
	core, logs := observer.New(zapcore.InfoLevel)
	return Options{Path: path, Version: "v0.0.0-test", Logger: zap.New(core), Remind: 30 * time.Millisecond}, logs
}

// alarms counts the log entries at level error that contain part.
func alarms(logs *observer.ObservedLogs, part string) int {
	n := 0
	for _, e := range logs.FilterLevelExact(zapcore.ErrorLevel).All() {
		if problem, _ := e.ContextMap()["problem"].(string); strings.Contains(e.Message+" "+problem, part) {
			n++
		}
	}
	return n
}

// duringTrouble makes a disk fail and waits for the alarm and its repetition while recording continues. It then repairs
// the disk and checks that the file has all accounts.
func duringTrouble(t *testing.T, path, problem string, fail, mend func()) {
	t.Helper()
	o, logs := watched(path)
	j := open(o, quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	written(t, j)
	fail()
	heldCallScript("box-office", start.Add(time.Hour), 2, "on").into(j)
	eventually(t, "alarm: "+problem, func() bool {
		unanswered("stage-door", start.Add(2*time.Hour), 3).into(j)
		return alarms(logs, problem) >= 2
	})
	h := j.Health()
	assert.Contains(t, h.Problem, problem)
	assert.False(t, h.Since.IsZero())
	assert.Positive(t, h.Queued, "what came is held")
	assert.Zero(t, h.Dropped)
	mend()
	written(t, j)
	assert.Equal(t, 1, logs.FilterMessage("the journal is written again").Len())
	require.NoError(t, j.Close())
	r := reader(t, path)
	rows, err := r.Calls(ctx, Filter{})
	require.NoError(t, err)
	require.Len(t, rows, 3)
	for _, row := range rows[:2] {
		assert.Equal(t, callrecord.OutcomeCleared, row.Outcome)
		_, entries, err := r.Call(ctx, uint64(row.Call))
		require.NoError(t, err)
		assert.Len(t, entries, len(heldCallScript("", start, 1, "on").entries), "no entry is there twice or missing")
	}
}

func TestLockedFile(t *testing.T) {
	path := newPath(t)
	var other *sql.DB
	duringTrouble(t, path, "locked", func() {
		var err error
		other, err = sql.Open("sqlite", dsn(path, "mode=rw"))
		require.NoError(t, err)
		other.SetMaxOpenConns(1)
		_, err = other.Exec("BEGIN EXCLUSIVE")
		require.NoError(t, err)
	}, func() {
		_, err := other.Exec("ROLLBACK")
		require.NoError(t, err)
		require.NoError(t, other.Close())
	})
}

// stuck opens a journal whose writer waits for its disk until answer is called.
func stuck(t *testing.T, path string, p pace) (j *Journal, answer func()) {
	t.Helper()
	waits, answers := make(chan struct{}), make(chan struct{})
	o := options(t, path)
	o.Logger = o.Logger.WithOptions(zap.Hooks(func(e zapcore.Entry) error { // the log stands in for the disk
		if strings.Contains(e.Message, "removed or replaced") {
			close(waits)
			<-answers
		}
		return nil
	}))
	j = open(o, p)
	require.NoError(t, os.Remove(path))
	<-waits
	return j, func() { close(answers) }
}

// A disk that does not respond keeps neither the daemon from ending nor its line from working.
func TestDiskThatDoesNotAnswer(t *testing.T) {
	p := quick()
	p.diskTimeout = 50 * time.Millisecond
	j, answer := stuck(t, newPath(t), p)
	s := heldCallScript("box-office", start, 1, "on").into(j)
	j.SaveLine(SavedLine{Line: "box-office", Stayed: 1})
	assert.Equal(t, 1, j.SavedLine("box-office").Stayed)
	assert.Equal(t, len(s.entries)+1, j.Health().Queued)
	assert.ErrorContains(t, j.Close(), "has not responded for 50ms")
	answer()
	<-j.w.ended
}

var mounts = flag.Bool("mount", false, "mount file systems in memory, which takes root")

// mount mounts an in-memory file system.
func mount(t *testing.T, size string) string {
	t.Helper()
	if !*mounts {
		t.Skip("mounts a file system; -mount runs it, as root")
	}
	dir := t.TempDir()
	require.NoError(t, syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size))
	t.Cleanup(func() { assert.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	return dir
}

func TestFullDisk(t *testing.T) {
	dir := mount(t, "1m")
	ballast := filepath.Join(dir, "ballast")
	duringTrouble(t, filepath.Join(dir, "journal.db"), "the disk is full", func() {
		f, err := os.Create(ballast)
		require.NoError(t, err)
		_, err = f.Write(make([]byte, 2<<20))
		require.ErrorIs(t, err, syscall.ENOSPC)
		require.NoError(t, f.Close())
	}, func() { require.NoError(t, os.Remove(ballast)) })
}

func TestReadOnlyDisk(t *testing.T) {
	dir := mount(t, "4m")
	path := filepath.Join(dir, "journal.db")
	j := open(options(t, path), quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	require.NoError(t, j.Close())
	require.NoError(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))

	rows, err := reader(t, path).Calls(ctx, Filter{})
	require.NoError(t, err, "a closed journal can be read where nothing can be written")
	assert.Len(t, rows, 1)

	o, logs := watched(path)
	j = open(o, quick())
	heldCallScript("box-office", start.Add(time.Hour), 2, "on").into(j)
	eventually(t, "alarm", func() bool { return alarms(logs, "make the file system writable") >= 2 })
	require.NoError(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""))
	written(t, j)
	require.NoError(t, j.Close())
	rows, err = reader(t, path).Calls(ctx, Filter{})
	require.NoError(t, err)
	assert.Len(t, rows, 2)
}

func TestMissingFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	o, logs := watched(filepath.Join(dir, "journal.db"))
	j := open(o, quick())
	assert.Equal(t, uint64(1), j.FirstCall())
	heldCallScript("box-office", start, 1, "on").into(j)
	eventually(t, "alarm", func() bool { return alarms(logs, "the folder "+dir+" does not exist") >= 2 })
	require.NoError(t, os.Mkdir(dir, 0o755))
	written(t, j)
	require.NoError(t, j.Close())
	rows, err := reader(t, o.Path).Calls(ctx, Filter{})
	require.NoError(t, err)
	assert.Len(t, rows, 1)
}

func TestUnwritableFolder(t *testing.T) {
	if os.Geteuid() == 0 {
		unprivileged(t)
		return
	}
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o555))
	o, logs := watched(filepath.Join(dir, "journal.db"))
	j := open(o, quick())
	heldCallScript("box-office", start, 1, "on").into(j)
	eventually(t, "alarm", func() bool { return alarms(logs, "give the folder to the user of the service") >= 2 })
	require.NoError(t, os.Chmod(dir, 0o755))
	written(t, j)
	require.NoError(t, j.Close())
}

// damage overwrites part of a file.
func damage(t *testing.T, path string, from, length int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteAt(bytes.Repeat([]byte("moth "), int(length)/5), from)
	require.NoError(t, err)
	require.NoError(t, f.Close())
}

func TestDamagedFile(t *testing.T) {
	for name, where := range map[string]func(size int64) (from, length int64){
		"header":  func(int64) (int64, int64) { return 0, 200 },
		"middle":  func(size int64) (int64, int64) { return 4096, size - 4096 },
		"schema":  func(int64) (int64, int64) { return 100, 3000 },
		"one bit": nil,
	} {
		t.Run(name, func(t *testing.T) {
			path := newPath(t)
			j := open(options(t, path), quick())
			for call := range uint64(50) {
				heldCallScript("box-office", start.Add(time.Duration(call)*time.Minute), call+1, "on").into(j)
			}
			require.NoError(t, j.Close())
			info, err := os.Stat(path)
			require.NoError(t, err)
			if where != nil {
				from, length := where(info.Size())
				damage(t, path, from, length)
			} else {
				require.NoError(t, os.Truncate(path, info.Size()/2)) // the other kind of damage
			}
			before, err := os.ReadFile(path)
			require.NoError(t, err)

			o, logs := watched(path)
			j = open(o, quick())
			heldCallScript("box-office", start.Add(24*time.Hour), 1001, "on").into(j)
			written(t, j)
			require.NoError(t, j.Close())
			assert.Equal(t, 1, alarms(logs, "it was set aside"))
			aside, err := filepath.Glob(path + ".damaged-*Z")
			require.NoError(t, err)
			require.Len(t, aside, 1)
			after, err := os.ReadFile(aside[0])
			require.NoError(t, err)
			assert.True(t, bytes.Equal(before[8192:], after[8192:]), "what was set aside is as it was")
			row, entries, err := reader(t, path).Call(ctx, 1001)
			require.NoError(t, err)
			assert.Equal(t, callrecord.OutcomeCleared, row.Outcome)
			assert.NotEmpty(t, entries)
		})
	}
}
