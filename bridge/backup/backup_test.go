package backup

import (
	"context"
	"crypto/sha256"
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

// playhouse is a configuration with one secret in the folder of secrets and one elsewhere. ELSEWHERE is replaced.
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
	save(t, configuration, journal.SavedLine{Line: "box-office", Stayed: 2, Basis: "800ms"})
	return configuration
}

func put(t *testing.T, path, text string, mode fs.FileMode) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte(text), mode))
}

// journalOf returns the default place of the journal of a configuration.
func journalOf(configuration string) string {
	return filepath.Join(filepath.Dir(configuration), "journal.db")
}

// save has a daemon save states in the journal beside a configuration.
func save(t *testing.T, configuration string, all ...journal.SavedLine) {
	t.Helper()
	j := journal.Open(journal.Options{Path: journalOf(configuration)})
	for _, k := range all {
		j.SaveLine(k)
	}
	require.NoError(t, j.Close())
}

// saved returns the state of a line that a daemon finds in the journal beside a configuration.
func saved(t *testing.T, configuration, line string) journal.SavedLine {
	t.Helper()
	j := journal.Open(journal.Options{Path: journalOf(configuration)})
	defer j.Close()
	assert.Empty(t, j.Health().Problem)
	return j.SavedLine(line)
}

// restore restores an archive.
func restore(t *testing.T, archive, configuration string) Restored {
	t.Helper()
	done, err := Restore(t.Context(), Options{Archive: archive, Config: configuration})
	require.NoError(t, err)
	return done
}

// windowBegan requires that a call-back window of the default length has just begun on the box office, and returns what
// is saved of that line.
func windowBegan(t *testing.T, configuration string) journal.SavedLine {
	t.Helper()
	k := saved(t, configuration, "box-office")
	require.WithinDuration(t, time.Now().Add(30*time.Minute), k.CallbackBy, time.Minute)
	return k
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

func modeOf(t *testing.T, path string) fs.FileMode {
	t.Helper()
	info, err := os.Lstat(path)
	require.NoError(t, err)
	return info.Mode()
}

// TestMain lets the test program do a task for itself, and read a journal as another program.
func TestMain(m *testing.M) {
	switch {
	case len(os.Args) > 1 && os.Args[1] == ownCommand:
		pretend(os.Args[2])
		os.Exit(Serve(context.Background(), os.Args[2], os.Stdin, os.Stdout, os.Stderr))
	case len(os.Args) > 1 && os.Args[1] == "read":
		r, err := journal.OpenReader(os.Args[2])
		if err != nil {
			panic(err)
		}
		fmt.Println("reading")
		_, _ = os.Stdin.Read(make([]byte, 1)) // until the test ends it
		_ = r.Close()
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func TestRoundTrip(t *testing.T) {
	c := installed(t)
	dir := filepath.Dir(c)
	archive, m := made(t, c, false)
	assert.Equal(t, fs.FileMode(0o600), modeOf(t, archive))
	assert.Equal(t, journalOf(c), m.Journal)
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
	save(t, c, journal.SavedLine{Line: "box-office", Stayed: 5, Basis: "800ms"})
	state := filepath.Join(runtimestate.Folder(filepath.Join(dir, "control")), "bindings.json")
	put(t, state, "{}", 0o600)
	require.NoError(t, os.Chmod(journalOf(c), 0o600))
	done := restore(t, archive, c)
	assert.NoFileExists(t, state)
	assert.Equal(t, fs.FileMode(0o600), modeOf(t, journalOf(c)), "that of the file that was replaced")
	assert.Equal(t, []string{m.Journal, c}, done.Files)
	assert.Equal(t, "v1", done.Version)
	assert.False(t, done.Unknown)
	assert.WithinDuration(t, time.Now(), done.Made, time.Minute)
	after, err := os.ReadFile(c)
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after))
	assert.Equal(t, 2, saved(t, c, "box-office").Stayed)
	require.Len(t, done.Kept, 2)
	kept, err := os.ReadFile(done.Kept[1])
	require.NoError(t, err)
	assert.Equal(t, changed, string(kept))
	assert.Equal(t, fs.FileMode(0o640), modeOf(t, c), "that of the file that was replaced")
}

// On another machine there is nothing yet. Secrets come back only if they were asked for.
func TestAnotherMachine(t *testing.T) {
	archive, m := made(t, installed(t), true)
	assert.Len(t, m.Secrets, 1)
	assert.Len(t, m.LeftOut, 1, "the one elsewhere")
	c := filepath.Join(t.TempDir(), "clearback.yaml")
	done := restore(t, archive, c)
	assert.Empty(t, done.Kept)
	assert.Len(t, done.Files, 3)
	assert.Equal(t, 2, saved(t, c, "box-office").Stayed)
	secret := filepath.Join(filepath.Dir(c), "secrets/adapter")
	text, err := os.ReadFile(secret)
	require.NoError(t, err)
	assert.Equal(t, "trapdoor\n", string(text))
	for path, mode := range map[string]fs.FileMode{secret: 0o600, filepath.Dir(secret): fs.ModeDir | 0o700, c: 0o644,
		journalOf(c): 0o640} {
		assert.Equal(t, mode, modeOf(t, path), path)
	}
}

// The user keeps the journal elsewhere. On another machine the archive's configuration alone does not make a place for
// it: the user has to name it.
func TestJournalElsewhere(t *testing.T) {
	c, state := installed(t), filepath.Join(t.TempDir(), "journal.db")
	require.NoError(t, os.Rename(journalOf(c), state))
	require.NoError(t, os.Remove(journalOf(c)+"-lock"))
	where := "journal: {file: " + state + "}\n"
	text, err := os.ReadFile(c)
	require.NoError(t, err)
	put(t, c, string(text)+where, 0o640)
	archive, m := made(t, c, false)
	assert.Equal(t, state, m.Journal)
	done := restore(t, archive, c)
	assert.Equal(t, []string{state, c}, done.Files)
	assert.NoFileExists(t, journalOf(c)+"-lock", "no daemon has used the default place")

	require.NoError(t, os.Remove(state))
	other := filepath.Join(t.TempDir(), "clearback.yaml")
	_, err = Restore(t.Context(), Options{Archive: archive, Config: other})
	require.ErrorContains(t, err, "and this machine at "+journalOf(other)+"; to use the new place, first")
	require.NoFileExists(t, state)
	put(t, other, where, 0o640)
	restore(t, archive, other)
	require.FileExists(t, state)
}

// Both commands ignore the folders of the unit that happens to run them, such as one for backups every night.
func TestFoldersOfAnotherUnit(t *testing.T) {
	c := installed(t)
	theirs := t.TempDir()
	for _, variable := range []string{"STATE_DIRECTORY", "RUNTIME_DIRECTORY", "CREDENTIALS_DIRECTORY"} {
		t.Setenv(variable, theirs)
	}
	archive, m := made(t, c, false)
	assert.Equal(t, journalOf(c), m.Journal)
	restore(t, archive, c)
	left, err := os.ReadDir(theirs)
	require.NoError(t, err)
	assert.Empty(t, left)
	assert.Equal(t, 2, saved(t, c, "box-office").Stayed)
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
	harm(t, journalOf(c), "CREATE VIEW spare AS SELECT 1")
	_, err = Make(t.Context(), o)
	require.ErrorContains(t, err, "cannot be saved", "it could not be restored")
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
	require.ErrorContains(t, write(t.Context(), io.Discard, "v1", "none", make([]string, filesLimit+1)), "has room for")
}

// idle is the backend of a control socket of which only the daemon's state is asked for.
type idle struct{ control.Backend }

func (idle) Daemon() control.Daemon { return control.Daemon{} }

// A running daemon is found by its journal or by its control socket, whichever it has.
func TestRestoreRefusesWhileDaemonRuns(t *testing.T) {
	t.Parallel()
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
	for _, ending := range []string{"", walSuffix, "-shm"} { // the daemon has begun a run in it
		delete(before, m.Journal+ending)
		delete(after, m.Journal+ending)
	}
	require.Equal(t, before, after)
}

// The daemon writes while the archive is made. What it had written before is in the archive, and the archive is whole.
func TestMakeWhileJournalIsWritten(t *testing.T) {
	t.Parallel()
	c := installed(t)
	j := journal.Open(journal.Options{Path: journalOf(c)})
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
	restore(t, archive, other)
	assert.GreaterOrEqual(t, saved(t, other, "box-office").Stayed, 2)
}

// Without a journal there is still an archive. A present journal then stays as it is, but only if the daemon goes on
// using it.
func TestWithoutJournal(t *testing.T) {
	c := installed(t)
	path := journalOf(c)
	require.NoError(t, os.Rename(path, path+".away"))
	archive, m := made(t, c, false)
	assert.Empty(t, m.Journal)
	require.NoError(t, os.Rename(path+".away", path))
	done := restore(t, archive, c)
	assert.Equal(t, []string{c}, done.Files)
	assert.Equal(t, 2, saved(t, c, "box-office").Stayed)

	text, err := os.ReadFile(c)
	require.NoError(t, err)
	put(t, c, string(text)+"journal: {file: none}\n", 0o640)
	without, _ := made(t, c, false)
	put(t, c, string(text), 0o640)
	before := tree(t, filepath.Dir(c))
	_, err = Restore(t.Context(), Options{Archive: without, Config: c})
	require.ErrorContains(t, err, "would be forgotten")
	assert.Equal(t, before, tree(t, filepath.Dir(c)))
}

// TestSecretName checks what the name of a file with a secret may be.
func TestSecretName(t *testing.T) {
	for name, valid := range map[string]bool{"": false, "box-office": true, ".hidden": false, "a/b": false, "a\n": false,
		strings.Repeat("a", 100): true, strings.Repeat("a", 101): false} {
		assert.Equal(t, valid, validSecretName(name), "%q", name)
	}
}
