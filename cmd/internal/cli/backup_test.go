package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
	"clearback/bridge/journal"
)

func TestBackupAndRestore(t *testing.T) {
	b := &daemontest.Board{}
	path := daemontest.File(t, daemontest.Serve(t, b), daemontest.Answering(t, "200 OK"),
		daemontest.Answering(t, "200 OK"))
	dir, archive := filepath.Dir(path), filepath.Join(t.TempDir(), "clearback.backup")
	stop := running(t, path, filepath.Join(dir, "control"))
	code, out, errs := call("", "backup", archive, "--config", path)
	require.Equal(t, ExitOK, code, errs)
	assert.Equal(t, "written to "+archive+": "+path+", "+filepath.Join(dir, "journal.db")+"\n", out)
	assert.Empty(t, errs)
	code, _, errs = call("", "backup", archive, "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "exists already")
	code, _, errs = call("", "restore", archive, "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "the daemon is running and answers at "+filepath.Join(dir, "control"))
	stop()
	code, out, errs = call("", "restore", archive, "--config", path)
	require.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "\n  "+path+"\n")
	assert.Contains(t, out, "what was there before is kept as:\n  "+dir+"/journal.db")
	code, _, errs = call("", "calls", "--config", path)
	assert.Equal(t, ExitOK, code, errs)
	running(t, path, filepath.Join(dir, "control"))() // the daemon starts with what was restored

	// The state cannot be dropped. What was replaced before that is named all the same.
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "control.state", "call-7.json", "more"), 0o700))
	code, out, errs = call("", "restore", archive, "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "directory not empty; remove it and restore again")
	assert.Contains(t, out, "):\n  "+dir+"/journal.db\nwhat was there before is kept as:\n  "+dir+"/journal.db.before-")
}

// As root: the journal belongs to the daemon's user, here 1, so another process of the program handles it.
func TestBackupByRoot(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	path, state := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060"), t.TempDir()
	require.NoError(t, os.Chmod(filepath.Dir(state), 0o755))
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	file := filepath.Join(state, "journal.db")
	require.NoError(t, os.WriteFile(path, append(text, "journal: {file: "+file+"}\n"...), 0o600))
	j := journal.Open(journal.Options{Path: file})
	j.SaveLine(journal.SavedLine{Line: "box-office", Stayed: 2})
	require.NoError(t, j.Close())
	for _, p := range []string{state, file, file + "-lock"} {
		require.NoError(t, os.Chown(p, 1, 1))
	}
	archive := filepath.Join(t.TempDir(), "clearback.backup")
	for _, command := range []string{"backup", "restore"} {
		code, _, errs := call("", command, archive, "--config", path)
		require.Equal(t, ExitOK, code, errs)
	}
	j = journal.Open(journal.Options{Path: file})
	defer j.Close()
	assert.Equal(t, 2, j.SavedLine("box-office").Stayed)
}

// Secrets are saved only if asked for. Where they are missing after the restore, the output says so.
func TestBackupOfSecrets(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = []byte(strings.Replace(string(text), "{env: MILLRACE_SERVICE}", "{file: secrets/service}", 1))
	require.NoError(t, os.WriteFile(path, text, 0o600))
	secret := filepath.Join(filepath.Dir(path), "secrets", "service")
	require.NoError(t, os.Mkdir(filepath.Dir(secret), 0o700))
	require.NoError(t, os.WriteFile(secret, []byte("limelight"), 0o600))
	dir := t.TempDir()
	for _, asked := range []string{"--with-secrets=false", "--with-secrets"} {
		archive, elsewhere := filepath.Join(dir, asked), filepath.Join(t.TempDir(), "clearback.yaml")
		code, out, errs := call("", "backup", archive, asked, "--config", path)
		require.Equal(t, ExitOK, code, errs)
		assert.Contains(t, out, "there is no journal to save")
		code, restored, missing := call("", "restore", archive, "--config", elsewhere)
		if asked == "--with-secrets" {
			assert.Contains(t, errs, "warning: "+archive+" contains passwords or keys in plain text")
			assert.Equal(t, ExitOK, code, missing)
		} else {
			assert.Contains(t, out, "not saved: "+secret+"; keep them elsewhere, or add --with-secrets")
			assert.Equal(t, ExitFaults, code)
			assert.Contains(t, missing, "the daemon cannot start until these faults are corrected")
		}
		assert.Contains(t, restored, elsewhere)
		assert.NotContains(t, out+errs+restored+missing, "limelight")
	}
}

func TestBackupFaults(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	for _, command := range []string{"backup", "restore"} {
		code, _, errs := call("", command, "--config", path)
		assert.Equal(t, ExitFaults, code)
		assert.Contains(t, errs, command+": name the")
	}
	code, _, errs := call("", "restore", path, "--config", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "not an intact backup")
	require.NoError(t, os.WriteFile(path, []byte("country: UK\n"), 0o600))
	code, _, errs = call("", "backup", filepath.Join(t.TempDir(), "new"), "--config", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "did you mean GB?")
}
