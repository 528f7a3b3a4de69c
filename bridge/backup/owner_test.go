package backup

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/journal"
	"clearback/bridge/runtimestate"
)

func asRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
}

// ownerIs checks who owns a file, by user and group alike.
func ownerIs(t *testing.T, id int, mode fs.FileMode, path string) {
	t.Helper()
	info, err := os.Lstat(path)
	require.NoError(t, err)
	o := info.Sys().(*syscall.Stat_t)
	assert.Equal(t, [2]int{id, id}, [2]int{int(o.Uid), int(o.Gid)}, path)
	assert.Equal(t, mode, info.Mode().Perm(), path)
}

// served makes a folder with a configuration that root owns, and its journal and control socket in a folder of user 1,
// who runs the daemon.
func served(t *testing.T) (configuration, state string) {
	t.Helper()
	c, state := installed(t), t.TempDir()
	require.NoError(t, os.Chmod(filepath.Dir(state), 0o755))
	require.NoError(t, os.Rename(journalOf(c), filepath.Join(state, "journal.db")))
	put(t, c, small+"journal: {file: "+filepath.Join(state, "journal.db")+"}\ncontrol: {socket: "+
		filepath.Join(state, "control")+"}\n", 0o644)
	put(t, filepath.Join(filepath.Dir(c), "secrets/service"), "limelight\n", 0o600)
	runtime := runtimestate.Folder(filepath.Join(state, "control"))
	put(t, filepath.Join(runtime, "bindings.json"), "{}", 0o600)
	require.NoError(t, os.Chmod(runtime, 0o700))
	require.NoError(t, filepath.WalkDir(state, func(path string, _ fs.DirEntry, err error) error {
		require.NoError(t, err)
		return os.Lchown(path, 1, 1)
	}))
	return c, state
}

// As root: what is in the folders of the daemon's user is read and written with that user's rights, so the daemon can
// use it.
func TestDaemonsUser(t *testing.T) {
	asRoot(t)
	c, state := served(t)
	path := filepath.Join(state, "journal.db")
	archive, m := made(t, c, true)
	ownerIs(t, 0, 0o600, archive)
	require.Equal(t, path, m.Journal)
	j := journal.Open(journal.Options{Path: path})
	j.SaveLine(journal.SavedLine{Line: "box-office", Stayed: 7, CallbackBy: now.Add(1e12)})
	_, err := Restore(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorIs(t, err, ErrRunning)
	require.NoError(t, j.Close())
	require.NoError(t, os.RemoveAll(filepath.Join(filepath.Dir(c), "secrets")))
	done := restore(t, archive, c)
	assert.Equal(t, []string{path, filepath.Join(filepath.Dir(c), "secrets/adapter"),
		filepath.Join(filepath.Dir(c), "secrets/service"), c}, done.Files)
	assert.Equal(t, done.Files[1:3], done.NewSecrets)
	ownerIs(t, 1, 0o640, path)
	ownerIs(t, 0, 0o640, c)
	ownerIs(t, 0, 0o600, done.NewSecrets[0])
	ownerIs(t, 0, 0o700, filepath.Dir(done.NewSecrets[0]))
	assert.NoFileExists(t, filepath.Join(runtimestate.Folder(filepath.Join(state, "control")), "bindings.json"))
	left, err := os.ReadDir(state)
	require.NoError(t, err)
	var names []string
	for _, e := range left {
		names = append(names, e.Name())
	}
	assert.ElementsMatch(t, []string{"journal.db", "journal.db-lock", filepath.Base(done.Kept[0]), "control.state"}, names)
	j = journal.Open(journal.Options{Path: path})
	assert.Equal(t, 2, j.SavedLine("box-office").Stayed)
	assert.Equal(t, now.Add(1e12), j.SavedLine("box-office").CallbackBy)
	require.NoError(t, j.Close())
	for _, x := range [][]byte{nil, []byte("The Millrace Playhouse presents")} { // errors keep their identity
		require.NoError(t, os.RemoveAll(path))
		if x != nil {
			put(t, path, string(x), 0o644)
		}
		_, err = Make(t.Context(), Options{Archive: filepath.Join(t.TempDir(), "a"), Config: c})
		assert.Equal(t, x == nil, err == nil, "%v", err)
	}
	assert.ErrorContains(t, err, "is damaged")
}

// As root: the daemon's user plants links to files that only root may read or write.
func TestDaemonsUserPlantsLinks(t *testing.T) {
	asRoot(t)
	for name, plant := range map[string]struct {
		at            string
		made, restore bool // the commands work all the same
	}{
		"the journal":     {"journal.db", false, false},
		"the lock":        {"journal.db-lock", true, false},
		"the waiting one": {".journal.db.restore", true, true},
		"the log":         {"journal.db-wal", false, false},
		"its index":       {"journal.db-shm", false, false},
		"the state":       {"control.state", true, true},
	} {
		t.Run(name, func(t *testing.T) {
			c, state := served(t)
			archive, _ := made(t, c, false)
			root := t.TempDir() // of root, with a journal that the user would like to have
			other, _ := installedIn(t, root)
			require.NoError(t, os.Chmod(other, 0o600))
			require.NoError(t, os.Chmod(root, 0o700))
			link := filepath.Join(state, plant.at)
			require.NoError(t, os.RemoveAll(link))
			require.NoError(t, os.Symlink(other, link))
			require.NoError(t, os.Lchown(link, 1, 1))
			before := tree(t, root)
			_, err := Make(t.Context(), Options{Archive: filepath.Join(t.TempDir(), "a"), Config: c})
			assert.Equal(t, plant.made, err == nil, "%v", err)
			_, err = Restore(t.Context(), Options{Archive: archive, Config: c})
			assert.Equal(t, plant.restore, err == nil, "%v", err)
			assert.Equal(t, before, tree(t, root))
			if plant.restore {
				ownerIs(t, 1, 0o640, filepath.Join(state, "journal.db"))
			}
		})
	}
}

func installedIn(t *testing.T, dir string) (path string, k journal.SavedLine) {
	t.Helper()
	path = filepath.Join(dir, "precious.db")
	j := journal.Open(journal.Options{Path: path})
	j.SaveLine(learnt)
	require.NoError(t, j.Close())
	return path, learnt
}

// As root: a link to a file of root in the folder of secrets is not saved, and the folder never goes to the daemon's
// user, who could plant one.
func TestSecretsOfAnotherUser(t *testing.T) {
	asRoot(t)
	c, _ := served(t)
	secrets := filepath.Join(filepath.Dir(c), "secrets")
	shadow := filepath.Join(t.TempDir(), "shadow")
	put(t, shadow, "root:hash", 0o600)
	archive, _ := made(t, c, true)
	require.NoError(t, os.RemoveAll(secrets))
	restore(t, archive, c)
	ownerIs(t, 0, 0o700, secrets)
	require.NoError(t, os.Remove(filepath.Join(secrets, "service")))
	require.NoError(t, os.Symlink(shadow, filepath.Join(secrets, "service")))
	o := Options{Archive: filepath.Join(t.TempDir(), "a"), Config: c, Secrets: true}
	_, err := Make(t.Context(), o)
	require.ErrorContains(t, err, "is not a regular file")
	require.NoError(t, os.Lchown(secrets, 1, 1))
	_, err = Make(t.Context(), o)
	require.ErrorContains(t, err, "run this as that user")
	require.NoFileExists(t, o.Archive)
	before := tree(t, filepath.Dir(c))
	_, err = Restore(t.Context(), Options{Archive: archive, Config: c})
	require.ErrorContains(t, err, "run this as that user")
	require.Equal(t, before, tree(t, filepath.Dir(c)))
}

// As root: whoever owns the folder of the configuration or of the archive, or a link on the way there, could lead root
// anywhere, so root leaves it to that user.
func TestFolderOfAnotherUser(t *testing.T) {
	asRoot(t)
	c, _ := served(t)
	archive, _ := made(t, c, false)
	theirs, ours := t.TempDir(), t.TempDir()
	require.NoError(t, os.Chown(theirs, 1, 1))
	link := filepath.Join(ours, "link")
	require.NoError(t, os.Symlink(ours, link))
	o := Options{Archive: filepath.Join(link, "a"), Config: c}
	_, err := Make(t.Context(), o)
	require.NoError(t, err, "a link of root")
	require.NoError(t, os.Lchown(link, 1, 1))
	below := filepath.Join(theirs, "below") // root's, but its name is theirs
	require.NoError(t, os.Mkdir(below, 0o755))
	open := filepath.Join(ours, "open")
	require.NoError(t, os.Mkdir(open, 0o755))
	require.NoError(t, os.Chmod(open, 0o775))
	for _, dir := range []string{theirs, below, link, open} {
		o.Archive = filepath.Join(dir, "b")
		_, err = Make(t.Context(), o)
		require.Error(t, err, dir)
		text, err := os.ReadFile(c)
		require.NoError(t, err)
		put(t, filepath.Join(dir, "clearback.yaml"), string(text), 0o644)
		before := tree(t, dir+"/.")
		_, err = Restore(t.Context(), Options{Archive: archive, Config: filepath.Join(dir, "clearback.yaml")})
		require.Error(t, err, dir)
		require.True(t, strings.Contains(err.Error(), "run this as that user") || dir == open, "%v", err)
		require.Equal(t, before, tree(t, dir+"/."))
	}
}
