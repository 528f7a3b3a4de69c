package backup

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/journal"
)

// looked is what a process that does a task finds of this one.
type looked struct {
	Files                      []string
	Groups                     []int
	UID, GID, Process, Session int
	Env                        []string
}

// pretend is what a process does that is not ours any more: the daemon's user, who owns it, has taken it over. The name
// at the end of the task's path says what.
func pretend(text string) {
	var t task
	_ = json.Unmarshal([]byte(text), &t)
	switch filepath.Base(t.Path) {
	case "look":
		found := looked{UID: os.Getuid(), GID: os.Getgid(), Process: os.Getpid(), Env: os.Environ()}
		found.Groups, _ = os.Getgroups()
		found.Session, _ = unix.Getsid(0)
		open, _ := os.ReadDir("/proc/self/fd")
		for _, e := range open {
			to, _ := os.Readlink(filepath.Join("/proc/self/fd", e.Name()))
			found.Files = append(found.Files, to)
		}
		_ = json.NewEncoder(os.Stdout).Encode(found)
		fmt.Fprintln(os.Stderr, "{}")
		os.Exit(0)
	case "forge":
		fmt.Fprint(os.Stderr, `{"Error":"\u001b[2Jno\njournal","Kind":"no journal","Kept":["\u001b[2J\n"]}`)
		os.Exit(1)
	case "mute":
		os.Exit(3)
	case "flood":
		for {
			_, _ = os.Stdout.Write(make([]byte, 1<<16))
		}
	case "linger":
		heir := exec.Command("/bin/sleep", "60")
		heir.Stdout = os.Stdout
		_ = heir.Start()
		fmt.Println(heir.Process.Pid)
		_ = heir.Wait()
	}
}

// As root: the process of the daemon's user has that user's rights, pipes and the name of a folder, and nothing else of
// root: no file that root's shell had open, no group, no terminal and no environment.
func TestProcessOfDaemonsUser(t *testing.T) {
	asRoot(t)
	secret := filepath.Join(t.TempDir(), "shadow")
	put(t, secret, "root:hash", 0o600)
	inherited, err := syscall.Open(secret, syscall.O_RDWR, 0) // as from a shell: not closed on exec
	require.NoError(t, err)
	defer syscall.Close(inherited)
	in, err := os.Open(secret)
	require.NoError(t, err)
	defer in.Close()
	out, err := os.Create(filepath.Join(t.TempDir(), "out"))
	require.NoError(t, err)
	defer out.Close()
	t.Setenv("MILLRACE_SERVICE", "limelight")
	groups, err := os.Getgroups()
	require.NoError(t, err)
	require.NoError(t, syscall.Setgroups([]int{0, 4}))
	defer func() { require.NoError(t, syscall.Setgroups(groups)) }()
	_, err = task{Do: doCopy, Path: "/look"}.runAs(t.Context(), 1, in, out)
	require.NoError(t, err)
	text, err := os.ReadFile(out.Name())
	require.NoError(t, err)
	var found looked
	require.NoError(t, json.Unmarshal(text, &found))
	for _, name := range found.Files {
		assert.NotContains(t, []string{secret, out.Name()}, name)
	}
	assert.Equal(t, []int{1, 1}, []int{found.UID, found.GID})
	assert.Empty(t, found.Groups)
	assert.Equal(t, found.Process, found.Session)
	assert.Equal(t, []string{"TMPDIR=" + os.TempDir()}, found.Env)

	_, err = task{Path: "/look"}.runAs(t.Context(), 4711, nil, io.Discard)
	require.ErrorContains(t, err, "has no account")
}

// As root: whatever that process says, it is text for a terminal, and no more than there is room for. It cannot keep
// the command from ending.
func TestForgedResults(t *testing.T) {
	asRoot(t)
	done, err := task{Path: "/forge"}.runAs(t.Context(), 1, nil, io.Discard)
	require.ErrorIs(t, err, journal.ErrNotFound)
	for _, text := range append(done.Kept, err.Error()) {
		assert.NotContains(t, text, "\x1b")
		assert.NotContains(t, text, "\n")
	}
	_, err = task{Path: "/mute"}.runAs(t.Context(), 1, nil, io.Discard)
	require.EqualError(t, err, `as daemon: exit status 3 (output: "")`)
	_, err = task{Path: "/flood"}.runAs(t.Context(), 1, nil, &limitedWriter{io.Discard, 1 << 20})
	require.EqualError(t, err, `as daemon: signal: broken pipe (output: "")`)

	delay := waitDelay
	waitDelay = time.Millisecond
	defer func() { waitDelay = delay }()
	ctx, cancel := context.WithCancel(t.Context())
	heir := 0 // the process that has inherited the pipe
	_, err = task{Path: "/linger"}.runAs(ctx, 1, nil, onWrite(func(p []byte) {
		heir, _ = strconv.Atoi(strings.TrimSpace(string(p)))
		cancel()
	}))
	require.ErrorIs(t, err, context.Canceled)
	require.NoError(t, syscall.Kill(heir, syscall.SIGKILL))
}

type onWrite func([]byte)

func (f onWrite) Write(p []byte) (int, error) {
	f(p)
	return len(p), nil
}

// A folder for temporary files that somebody else controls would lead root anywhere.
func TestTemporaryFolderOfAnotherUser(t *testing.T) {
	asRoot(t)
	c := installed(t)
	archive, _ := made(t, c, false)
	theirs, other := t.TempDir(), filepath.Join(t.TempDir(), "a")
	require.NoError(t, os.Chown(theirs, 1, 1))
	t.Setenv("TMPDIR", theirs)
	_, err := Make(t.Context(), Options{Archive: other, Config: c})
	require.ErrorContains(t, err, "TMPDIR: ")
	_, err = Restore(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorContains(t, err, "TMPDIR: ")
}

// The journal arrives whole or not at all.
func TestShortInput(t *testing.T) {
	whole := aJournal(t, "").text
	path := filepath.Join(t.TempDir(), "journal.db")
	r := replacement{Size: int64(len(whole)) + 1, Version: "v1"}
	_, err := r.replaceJournal(t.Context(), path, strings.NewReader(whole), hooks{})
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	require.NoFileExists(t, path)
	r.Size--
	_, err = r.replaceJournal(t.Context(), path, strings.NewReader(whole), hooks{})
	require.NoError(t, err)
}

// A second restore does not touch what the first one is working on.
func TestTwoRestores(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	o, n := Options{Archive: archive, Config: c}, 0
	_, err := restoreWith(t.Context(), o, hooks{step: func() error {
		n++
		_, err := Restore(t.Context(), o)
		require.ErrorContains(t, err, "another restore is under way")
		return nil
	}})
	require.NoError(t, err)
	require.NotZero(t, n)
}

// The unit loads whatever is in the folder of secrets, so old secrets are kept beside it.
func TestOldSecretsAreKeptElsewhere(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, true)
	secrets := filepath.Join(filepath.Dir(c), "secrets")
	put(t, filepath.Join(secrets, "adapter"), "greasepaint\n", 0o644)
	done := restore(t, archive, c)
	left, err := os.ReadDir(secrets)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Len(t, done.Kept, 3)
	kept, err := os.ReadFile(done.Kept[1])
	require.NoError(t, err)
	assert.Equal(t, "greasepaint\n", string(kept))
	assert.Equal(t, fs.ModeDir|0o700, modeOf(t, filepath.Dir(done.Kept[1])))
}
