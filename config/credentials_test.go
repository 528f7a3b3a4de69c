package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Precedence, drop-ins and the empty setting are those of systemd.unit(5) and systemd.exec(5).
func TestCredentialsOfTheUnit(t *testing.T) {
	root := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), mode))
		return path
	}
	u := systemdUnit{name: "clearback.service", handedOver: filepath.Join(root, "run"),
		folders: []string{filepath.Join(root, "etc"), filepath.Join(root, "usr")}}
	path := write("clearback.yaml", strings.Replace(small, "file: secrets/password", "env: PASSWORD", 1), 0o600)
	t.Setenv("PASSWORD", "curtain")
	t.Setenv("CREDENTIALS_DIRECTORY", "") // restores it after the test
	require.NoError(t, os.Unsetenv("CREDENTIALS_DIRECTORY"))
	check := func() (*Config, string) {
		c, faults, err := loadForCheck(path, u)
		require.NoError(t, err)
		for _, secret := range []string{"curtain", "limelight", "trapdoor", "greasepaint"} {
			require.NotContains(t, faults.String(), secret)
		}
		return c, faults.String()
	}
	door := func() string {
		c, faults := check()
		require.Empty(t, faults)
		return c.Lines[0].Service.Password.Reveal()
	}

	_, faults := check()
	require.Contains(t, faults, "clearback.service neither runs nor names a file for this one; add LoadCredential=door:PATH")
	require.Contains(t, faults, "systemd-run --pipe --wait -p LoadCredentialEncrypted=door:PATH clearback check")

	source, other := write("secrets/door", "limelight\n", 0o600), write("secrets/other", "trapdoor\n", 0o600)
	write("usr/clearback.service", "[Unit]\nLoadCredential=door:"+other+"\n[Service]\n# LoadCredential=door:"+other+
		"\nLoadCredential=stage:/dev/null \\\n\nLoadCredential = door:"+source+"\n", 0o644)
	require.Equal(t, "limelight", door())
	c, _ := check()
	require.NoError(t, os.Chmod(source, 0o644))
	require.Contains(t, strings.Join(c.PermissionWarnings(path), "\n"), source+" contains a secret and may be read by everybody")

	write("usr/clearback.service.d/90-door.conf", "[Service]\nLoadCredential=door:"+other+"\n", 0o644)
	require.Equal(t, "trapdoor", door(), "a drop-in")
	write("etc/clearback.service.d/90-door.conf", "[Service]\n", 0o644)
	require.Equal(t, "limelight", door(), "a drop-in of that name in an earlier folder replaces it")
	write("etc/clearback.service.d/95-none.conf", "[Service]\nLoadCredential=\n", 0o644)
	_, faults = check()
	require.Contains(t, faults, "neither runs nor names a file")
	write("run/clearback.service/door", "greasepaint\n", 0o644)
	require.Equal(t, "greasepaint", door(), "the running unit was given it")
	c, _ = check()
	require.NotContains(t, strings.Join(c.PermissionWarnings(path), "\n"), "run/clearback.service")

	write("etc/clearback.service", "[Service]\n", 0o644)
	write("etc/clearback.service.d/96-door.conf", "[Service]\nLoadCredential=door:"+root+"/missing\n", 0o644)
	_, faults = check()
	require.Contains(t, faults, "clearback.service loads this credential from a file that cannot be read: open "+root+"/missing")
	write("etc/clearback.service.d/97-door.conf", "[Service]\nLoadCredential=door:"+root+"\n", 0o644)
	_, faults = check()
	require.Contains(t, faults, root+" is a directory")

	// A folder has the credentials that no setting names, and no other way in has.
	write("etc/clearback.service.d/97-door.conf", "[Service]\nLoadCredential=\nLoadCredential=secrets:"+
		filepath.Dir(source)+"\n", 0o644)
	require.Equal(t, "greasepaint", door(), "the running unit was given it in another way")
	require.NoError(t, os.Remove(filepath.Join(root, "run/clearback.service/door")))
	require.Equal(t, "limelight", door())
	require.NoError(t, os.Rename(source, source+"-bolt"))
	_, faults = check()
	require.Contains(t, faults, "loads this credential from a file that cannot be read: open "+source)
	require.NoError(t, os.Rename(source+"-bolt", source))
	write("etc/clearback.service.d/98-door.conf", "[Service]\nLoadCredential=door:"+other+"\n", 0o644)
	require.Equal(t, "trapdoor", door())
	write("run/clearback.service/door", "greasepaint\n", 0o644)

	// Load, which `run` uses, reads nothing of the unit.
	_, all, err := Load(path)
	require.NoError(t, err)
	require.Contains(t, all.String(), "CREDENTIALS_DIRECTORY is not set; start under systemd")
	// Under the unit, only what systemd handed over counts.
	t.Setenv("CREDENTIALS_DIRECTORY", filepath.Join(root, "run/clearback.service"))
	require.Equal(t, "greasepaint", door())
}

// What is saved or restored depends neither on secrets, which may be on another machine, nor on the environment of the
// command. A file with faults is read as far as possible.
func TestParseForBackup(t *testing.T) {
	for _, variable := range unitFolders {
		t.Setenv(variable, t.TempDir())
	}
	dir := t.TempDir()
	c, faults := ParseForBackup(filepath.Join(dir, "clearback.yaml"), []byte(small))
	require.Empty(t, faults.String())
	require.Equal(t, []string{filepath.Join(dir, "secrets/password")}, c.SecretFiles())
	require.Equal(t, filepath.Join(dir, "journal.db"), c.Journal.File)
	require.Equal(t, filepath.Join(dir, "control"), c.Control.Socket)
	c, faults = ParseForBackup("/etc/clearback/clearback.yaml", []byte("journal: {file: /data/journal.db}"))
	require.NotEmpty(t, faults)
	require.Equal(t, "/data/journal.db", c.Journal.File)
	require.Equal(t, "/run/clearback/control", c.Control.Socket)
}
