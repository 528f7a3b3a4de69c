package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Each case changes one file mode and expects one warning. The secret is in the file word, the private key in key.pem.
func TestPermissionWarnings(t *testing.T) {
	dir := t.TempDir()
	path, word, key := filepath.Join(dir, "clearback.yaml"), filepath.Join(dir, "word"), filepath.Join(dir, "key.pem")
	text := strings.NewReplacer("env: PASSWORD", "file: word", "credential: door", "file: "+word, "secrets/password",
		"word",
		"controllers: [", "controllers: [{name: web, driver: http, http: {address: \"https://192.0.2.31\", open: {url: /on}, close: {url: /off}, "+
			"certificate: cert.pem, key: key.pem}}, ").Replace(small)
	for _, p := range []string{path, word, key} {
		require.NoError(t, os.WriteFile(p, []byte("curtain\n"), 0o600))
	}
	d := newDecoder(path, envOf(path))
	c := d.decode([]byte(text))
	require.NotNil(t, c)
	require.NoError(t, os.Chmod(dir, 0o755))
	require.Empty(t, c.PermissionWarnings(path))
	for _, x := range []struct {
		path string
		mode os.FileMode
		want string
	}{
		{path, 0o644, ""},
		{path, 0o664, path + " may be written by its group"},
		{path, 0o646, path + " may be written by everybody"},
		{dir, 0o775, dir + ", the directory of the configuration, may be written by its group"},
		{dir, 0o777, dir + ", the directory of the configuration, may be written by everybody"},
		{word, 0o640, word + " contains a secret and may be read by its group"},
		{word, 0o604, word + " contains a secret and may be read by everybody"},
		{word, 0o602, word + " contains a secret and may be written by everybody"},
		{key, 0o644, key + " contains a secret and may be read by everybody"},
	} {
		before, err := os.Stat(x.path)
		require.NoError(t, err)
		require.NoError(t, os.Chmod(x.path, x.mode))
		if w := c.PermissionWarnings(path); x.want == "" {
			require.Empty(t, w)
		} else {
			require.Len(t, w, 1)
			require.Contains(t, w[0], x.want)
		}
		require.NoError(t, os.Chmod(x.path, before.Mode().Perm()))
	}
	elsewhere := filepath.Join(t.TempDir(), "link.yaml")
	require.NoError(t, os.Symlink(path, elsewhere))
	require.NoError(t, os.Chmod(dir, 0o777))
	c.Journal.File, c.Control.Socket = "", ""
	require.Len(t, c.PermissionWarnings(elsewhere), 1, "the directory that a link leads to")
}
