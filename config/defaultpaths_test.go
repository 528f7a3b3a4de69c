package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The environment is that of systemd.exec(5): STATE_DIRECTORY and RUNTIME_DIRECTORY, several folders joined by colons.
func TestDefaultPaths(t *testing.T) {
	here, err := os.Getwd()
	require.NoError(t, err)
	long := "/srv/" + strings.Repeat("x", socketPathLimit-len("/srv//control"))
	for _, x := range []struct {
		name, file, state, runtime string
		journal, socket            string
	}{
		{"a person's command", "/etc/clearback/clearback.yaml", "", "",
			"/var/lib/clearback/journal.db", "/run/clearback/control"},
		{"the daemon under the unit", "/etc/clearback/clearback.yaml", "/var/lib/clearback", "/run/clearback",
			"/var/lib/clearback/journal.db", "/run/clearback/control"},
		{"a unit with several folders", "/srv/clearback.yaml", "/var/lib/annex:/var/lib/shared", "/run/annex",
			"/var/lib/annex/journal.db", "/run/annex/control"},
		{"a second file in the folder", "/etc/clearback/annex.yaml", "", "",
			"/var/lib/clearback/annex.journal.db", "/run/clearback/annex.control"},
		{"a folder below", "/etc/millrace/foyer/clearback.yaml", "", "",
			"/var/lib/millrace/foyer/journal.db", "/run/millrace/foyer/control"},
		{"a file in /etc itself", "/etc/clearback.yaml", "", "",
			"/var/lib/clearback/journal.db", "/run/clearback/control"},
		{"elsewhere", "/srv/theatre/clearback.yaml", "", "", "/srv/theatre/journal.db", "/srv/theatre/control"},
		{"elsewhere with another name", "/srv/theatre/practice.yaml", "", "",
			"/srv/theatre/practice.journal.db", "/srv/theatre/practice.control"},
		{"relative", "clearback.yaml", "", "", here + "/journal.db", here + "/control"},
		{"a relative variable is ignored", "/srv/clearback.yaml", "state", "run", "/srv/journal.db", "/srv/control"},
		{"a name that only begins like /etc", "/etcetera/clearback.yaml", "", "",
			"/etcetera/journal.db", "/etcetera/control"},
		{"a path that just fits", long + "/clearback.yaml", "", "", long + "/journal.db", long + "/control"},
		{"a path too long for a socket", long + "y/clearback.yaml", "", "", long + "y/journal.db", ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			getenv := func(name string) (string, bool) {
				v := map[string]string{"STATE_DIRECTORY": x.state, "RUNTIME_DIRECTORY": x.runtime,
					"PASSWORD": "curtain", "CREDENTIALS_DIRECTORY": "/run/credentials/clearback.service"}[name]
				return v, v != ""
			}
			env := Env{Getenv: getenv, ReadFile: func(string) ([]byte, error) { return []byte("curtain"), nil }}
			c, faults := Parse(x.file, []byte(small), env)
			require.Empty(t, faults.String())
			require.Equal(t, [2]string{x.journal, x.socket}, [2]string{c.Journal.File, c.Control.Socket})
			require.Equal(t, x.socket == "", strings.Contains(strings.Join(Warnings(c), "\n"), "there is no control socket"))
			d := newDecoder(x.file, env) // as the commands load it
			d.closing = true
			require.Equal(t, c.Journal, d.decode([]byte(small)).Journal)
		})
	}
}

func TestDescribeFiles(t *testing.T) {
	require.Equal(t, []string{
		"journal: /var/lib/clearback/small.journal.db, for the daemon's user; its group may read it.",
		"control socket: /run/clearback/small.control, for root, the daemon's user and the daemon's own group. Whoever may use it can open a loop by hand.",
	}, DescribeFiles(parsed(t, small)))
	require.Contains(t, DescribeFiles(parsed(t, small+"control: {group: operators}\n"))[1], "and the group operators.")
}

func TestFolderWarnings(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	c := parsed(t, small+"journal: {file: "+dir+"/journal.db}\ncontrol: {socket: "+dir+"/control}\n")
	for mode, want := range map[os.FileMode]string{
		0o755: "", 0o775: "may be written by its group", 0o777: "may be written by everybody",
		0o777 | os.ModeSticky: "everybody may create files in " + dir,
	} {
		require.NoError(t, os.Chmod(dir, mode))
		w := c.PermissionWarnings(path)
		if want == "" {
			require.Empty(t, w)
			continue
		}
		require.Len(t, w, 2, mode)
		require.Contains(t, w[0], want)
		require.Contains(t, w[0], "falsify the record")
		require.Contains(t, w[1], "answer in the daemon's place")
	}
}
