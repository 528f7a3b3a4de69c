package backup

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/bridge/runtimestate"
)

// playhouse is a configuration with one secret beside it and one elsewhere. ELSEWHERE is replaced.
const playhouse = `country: GB
sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}
lines:
  - name: box-office
    adapter: {user: box-office, password: {file: secrets/adapter}}
    service: {registrar: "sip:pbx.millrace.example", user: "5550101", password: {file: ELSEWHERE}}
    contact: {driver: none}
`

// installed makes a folder with a configuration, its secrets and a journal that has learnt something.
func installed(t *testing.T) (configuration string) {
	t.Helper()
	dir, elsewhere := t.TempDir(), filepath.Join(t.TempDir(), "service")
	put(t, elsewhere, "limelight\n", 0o600)
	put(t, filepath.Join(dir, "secrets/adapter"), "trapdoor\n", 0o600)
	configuration = filepath.Join(dir, "clearback.yaml")
	put(t, configuration, strings.Replace(playhouse, "ELSEWHERE", elsewhere, 1), 0o640)
	j := journal.Open(journal.Options{Path: filepath.Join(dir, "journal.db")})
	j.SaveLine(journal.SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms"})
	require.NoError(t, j.Close())
	return configuration
}

func put(t *testing.T, path, text string, mode fs.FileMode) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte(text), mode))
}

// stayed returns how many holds stayed, as the journal beside a configuration has it.
func stayed(t *testing.T, configuration string) int {
	t.Helper()
	j := journal.Open(journal.Options{Path: filepath.Join(filepath.Dir(configuration), "journal.db")})
	defer j.Close()
	return j.SavedLine("box-office").Stayed
}

// tree returns the paths below dir with mode and a sum of the contents, without locks.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || strings.HasSuffix(path, "-lock") {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		all[path] = info.Mode().String()
		if d.Type().IsRegular() {
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			all[path] += fmt.Sprintf(" %x", sha256.Sum256(text))
		}
		return nil
	}))
	return all
}

func made(t *testing.T, configuration string, secrets bool) (archive string, m Made) {
	t.Helper()
	archive = filepath.Join(t.TempDir(), "clearback.backup")
	m, err := Make(t.Context(), Options{Archive: archive, Config: configuration, Version: "v1", Secrets: secrets})
	require.NoError(t, err)
	return archive, m
}

func TestRoundTrip(t *testing.T) {
	c := installed(t)
	dir := filepath.Dir(c)
	archive, m := made(t, c, false)
	info, err := os.Stat(archive)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o600), info.Mode())
	assert.Equal(t, filepath.Join(dir, "journal.db"), m.Journal)
	assert.Empty(t, m.Secrets)
	assert.Len(t, m.LeftOut, 2)
	text, err := os.ReadFile(archive)
	require.NoError(t, err)
	for _, secret := range []string{"limelight", "trapdoor"} {
		assert.NotContains(t, string(text), secret)
	}
	left, err := os.ReadDir(filepath.Dir(archive))
	require.NoError(t, err)
	assert.Len(t, left, 1, "no file but the archive")

	// The file and what the line has learnt are changed, then come back. What was there stays beside them.
	before, err := os.ReadFile(c)
	require.NoError(t, err)
	changed := string(before) + "    location: foyer\n"
	put(t, c, changed, 0o640)
	j := journal.Open(journal.Options{Path: m.Journal})
	j.SaveLine(journal.SavedLine{Line: "box-office", Stayed: 5, Basis: "800ms"})
	require.NoError(t, j.Close())
	live := filepath.Join(runtimestate.Folder(filepath.Join(dir, "control")), "bindings.json")
	put(t, live, "{}", 0o600)
	done, err := Restore(t.Context(), Options{Archive: archive, Config: c})
	require.NoError(t, err)
	assert.NoFileExists(t, live)
	assert.Equal(t, []string{m.Journal, c}, done.Files)
	assert.Equal(t, "v1", done.Version)
	assert.WithinDuration(t, time.Now(), done.Made, time.Minute)
	after, err := os.ReadFile(c)
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after))
	assert.Equal(t, 2, stayed(t, c))
	require.Len(t, done.Kept, 2)
	kept, err := os.ReadFile(done.Kept[1])
	require.NoError(t, err)
	assert.Equal(t, changed, string(kept))
	info, err = os.Stat(c)
	require.NoError(t, err)
	assert.Equal(t, fs.FileMode(0o640), info.Mode(), "that of the file that was replaced")
}

// On another machine there is nothing yet. Secrets below the folder come back only if they were asked for.
func TestAnotherMachine(t *testing.T) {
	archive, m := made(t, installed(t), true)
	assert.Len(t, m.Secrets, 1)
	assert.Len(t, m.LeftOut, 1, "the one elsewhere")
	c := filepath.Join(t.TempDir(), "clearback.yaml")
	done, err := Restore(t.Context(), Options{Archive: archive, Config: c})
	require.NoError(t, err)
	assert.Empty(t, done.Kept)
	assert.Len(t, done.Files, 3)
	assert.Equal(t, 2, stayed(t, c))
	secret := filepath.Join(filepath.Dir(c), "secrets/adapter")
	text, err := os.ReadFile(secret)
	require.NoError(t, err)
	assert.Equal(t, "trapdoor\n", string(text))
	for path, mode := range map[string]fs.FileMode{secret: 0o600, c: 0o644,
		filepath.Join(filepath.Dir(c), "journal.db"): 0o640} {
		info, err := os.Stat(path)
		require.NoError(t, err)
		assert.Equal(t, mode, info.Mode(), path)
	}
}

// The configuration is a symbolic link into a folder under version control. Its target is replaced.
func TestRestoreThroughLink(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, false)
	link := filepath.Join(t.TempDir(), "clearback.yaml")
	require.NoError(t, os.Symlink(c, link))
	done, err := Restore(t.Context(), Options{Archive: archive, Config: link})
	require.NoError(t, err)
	assert.Contains(t, done.Files, c)
	info, err := os.Lstat(link)
	require.NoError(t, err)
	assert.Equal(t, fs.ModeSymlink, info.Mode().Type())
}

func TestMakeRefuses(t *testing.T) {
	c := installed(t)
	archive := filepath.Join(t.TempDir(), "clearback.backup")
	put(t, archive, "precious", 0o644)
	_, err := Make(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorContains(t, err, "exists already")
	text, err := os.ReadFile(archive)
	require.NoError(t, err)
	require.Equal(t, "precious", string(text))
	require.NoError(t, os.Remove(archive))
	require.NoError(t, os.Symlink(filepath.Join(t.TempDir(), "nowhere"), archive))
	_, err = Make(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorContains(t, err, "exists already", "a link that leads nowhere")

	o := Options{Archive: filepath.Join(t.TempDir(), "clearback.backup"), Config: c}
	put(t, c, "country: UK\n", 0o640)
	_, err = Make(t.Context(), o)
	require.ErrorIs(t, err, ErrFaults)
	require.ErrorContains(t, err, "did you mean GB?")
	o.Config = filepath.Join(filepath.Dir(c), "none.yaml")
	_, err = Make(t.Context(), o)
	require.ErrorIs(t, err, fs.ErrNotExist)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	o.Config = installed(t)
	_, err = Make(ctx, o)
	require.ErrorIs(t, err, context.Canceled)
	require.NoFileExists(t, o.Archive)
}

// errFull is what a full disk returns.
var errFull = errors.New("no space left on device")

// full returns a wrapper whose writers together take room bytes, and then fail.
func full(room int) func(io.Writer) io.Writer {
	return func(w io.Writer) io.Writer {
		return writerFunc(func(p []byte) (int, error) {
			if len(p) > room {
				n, _ := w.Write(p[:room])
				room = 0
				return n, errFull
			}
			room -= len(p)
			return w.Write(p)
		})
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// Wherever the disk becomes full, there is either a whole archive or none, and nothing else is left.
func TestDiskFullWhileMaking(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, true)
	info, err := os.Stat(archive)
	require.NoError(t, err)
	dir := t.TempDir()
	o := Options{Archive: filepath.Join(dir, "clearback.backup"), Config: c, Version: "v1", Secrets: true}
	for room := 0; room < int(info.Size()); room += 1 + int(info.Size())/12 {
		_, err := makeWith(t.Context(), o, full(room))
		require.ErrorIs(t, err, errFull)
		left, err := os.ReadDir(dir)
		require.NoError(t, err)
		require.Empty(t, left)
	}
	_, err = makeWith(t.Context(), o, full(int(info.Size())))
	require.NoError(t, err)
}

// Wherever the disk becomes full, nothing has changed. With enough room, the same archive is restored.
func TestDiskFullWhileRestoring(t *testing.T) {
	c := installed(t)
	archive, _ := made(t, c, true)
	put(t, c, strings.Replace(playhouse, "ELSEWHERE", "secrets/adapter", 1), 0o640)
	info, err := os.Stat(archive)
	require.NoError(t, err)
	before := tree(t, filepath.Dir(c))
	for room := 0; room < 2*int(info.Size())-20_000; room += 1 + int(info.Size())/6 { // it is written twice
		_, err := restoreWith(t.Context(), Options{Archive: archive, Config: c}, full(room))
		require.ErrorIs(t, err, errFull)
		require.Equal(t, before, tree(t, filepath.Dir(c)))
	}
	_, err = restoreWith(t.Context(), Options{Archive: archive, Config: c}, full(2*int(info.Size())))
	require.NoError(t, err)
}

// idle is the backend of a control socket of which only the daemon's state is asked for.
type idle struct{ control.Backend }

func (idle) Daemon() control.Daemon { return control.Daemon{} }

// A running daemon is found by its journal or by its control socket, whichever it has.
func TestRestoreRefusesWhileDaemonRuns(t *testing.T) {
	c := installed(t)
	archive, m := made(t, c, false)
	o := Options{Archive: archive, Config: c}
	before := tree(t, filepath.Dir(c))

	j := journal.Open(journal.Options{Path: m.Journal})
	_, err := Restore(t.Context(), o)
	require.ErrorIs(t, err, ErrRunning)
	require.ErrorContains(t, err, "systemctl stop clearback")
	require.NoError(t, j.Close())

	s, err := control.Listen(control.Options{Path: filepath.Join(filepath.Dir(c), "control"), Backend: idle{}})
	require.NoError(t, err)
	_, err = Restore(t.Context(), o)
	require.ErrorIs(t, err, ErrRunning)
	require.NoError(t, s.Close())
	after := tree(t, filepath.Dir(c))
	for _, ending := range []string{"", "-wal", "-shm"} { // the daemon has begun a run in it
		delete(before, m.Journal+ending)
		delete(after, m.Journal+ending)
	}
	require.Equal(t, before, after)

	// The daemon that runs uses another journal than the archive's file names.
	present := filepath.Join(t.TempDir(), "journal.db")
	put(t, c, strings.Replace(playhouse, "ELSEWHERE", "service", 1)+"journal: {file: "+present+"}\n", 0o640)
	j = journal.Open(journal.Options{Path: present})
	_, err = Restore(t.Context(), o)
	require.ErrorIs(t, err, ErrRunning)
	require.NoError(t, j.Close())
	_, err = Restore(t.Context(), o)
	require.NoError(t, err)
}

// The daemon writes while the archive is made. What it had written before is in the archive, and the archive is whole.
func TestMakeWhileJournalIsWritten(t *testing.T) {
	c := installed(t)
	j := journal.Open(journal.Options{Path: filepath.Join(filepath.Dir(c), "journal.db")})
	archive, ended := filepath.Join(t.TempDir(), "clearback.backup"), make(chan error, 1) // the result of Make
	go func() {
		_, err := Make(t.Context(), Options{Archive: archive, Config: c})
		ended <- err
	}()
	for n, making := 3, true; making; n++ {
		j.SaveLine(journal.SavedLine{Line: "box-office", Stayed: n, Basis: "800ms"})
		require.Eventually(t, func() bool { return j.Health().Queued == 0 }, 10*time.Second, time.Millisecond)
		select {
		case err := <-ended:
			require.NoError(t, err)
			making = false
		default:
		}
	}
	require.NoError(t, j.Close())
	other := filepath.Join(t.TempDir(), "clearback.yaml")
	_, err := Restore(t.Context(), Options{Archive: archive, Config: other})
	require.NoError(t, err)
	assert.GreaterOrEqual(t, stayed(t, other), 2)
}

// Without a journal there is still an archive. A present journal then stays as it is.
func TestWithoutJournal(t *testing.T) {
	c := installed(t)
	path := filepath.Join(filepath.Dir(c), "journal.db")
	require.NoError(t, os.Rename(path, path+".away"))
	archive, m := made(t, c, false)
	assert.Empty(t, m.Journal)
	require.NoError(t, os.Rename(path+".away", path))
	done, err := Restore(t.Context(), Options{Archive: archive, Config: c})
	require.NoError(t, err)
	assert.Equal(t, []string{c}, done.Files)
	assert.Equal(t, 2, stayed(t, c))
}

// If a file cannot be put in place, those that were put in place before it are taken back.
func TestCommitIsUndone(t *testing.T) {
	dir, from := t.TempDir(), filepath.Join(t.TempDir(), "new")
	put(t, from, "new", 0o600)
	put(t, filepath.Join(dir, "journal.db"), "old journal", 0o640)
	put(t, filepath.Join(dir, "journal.db-wal"), "old log", 0o640)
	put(t, filepath.Join(dir, "clearback.yaml"), "old file", 0o640)
	put(t, filepath.Join(dir, "clearback.yaml.before-now/full"), "", 0o640) // takes the name of the kept file
	before := tree(t, dir)
	p := placer{through: func(w io.Writer) io.Writer { return w }, stamp: "now"}
	for _, f := range []placement{{from: from, base: dir, name: "journal.db", beside: []string{"-wal", "-shm"}},
		{from: from, base: dir, name: "secrets", mode: 0o600}, {from: from, base: dir, name: "clearback.yaml"}} {
		require.NoError(t, p.prepare(t.Context(), f))
	}
	require.Error(t, p.commit())
	require.NoError(t, p.close())
	require.Equal(t, before, tree(t, dir))
	require.Empty(t, p.files)
}
