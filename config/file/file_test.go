package file

import (
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// irregulars returns paths that name no regular file, with what each is called.
func irregulars(t *testing.T) map[string]string {
	t.Helper()
	dir := t.TempDir()
	pipe, socket := filepath.Join(dir, "pipe"), filepath.Join(dir, "socket")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	l, err := net.Listen("unix", socket)
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	link := filepath.Join(dir, "link")
	require.NoError(t, os.Symlink(pipe, link))
	return map[string]string{dir: "a directory", pipe: "a pipe", link: "a pipe", socket: "a socket",
		os.DevNull: "a device"}
}

// Nobody writes into the pipe, so a read that waits would never return.
func TestReadRefusesPipesAndDevices(t *testing.T) {
	for path, what := range irregulars(t) {
		_, err := Read(path)
		require.ErrorIs(t, err, ErrIrregular)
		require.ErrorContains(t, err, path+" is "+what)
		require.ErrorIs(t, Check(path), ErrIrregular)
	}
}

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path, link := filepath.Join(dir, "word"), filepath.Join(dir, "link")
	_, err := Read(path)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.NoError(t, Check(path), "the file does not exist yet")
	require.NoError(t, os.WriteFile(path, []byte("curtain"), 0o600))
	require.NoError(t, os.Symlink(path, link))
	for _, p := range []string{path, link} {
		data, err := Read(p)
		require.NoError(t, err)
		require.Equal(t, "curtain", string(data))
		require.NoError(t, Check(p))
	}
	require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("x", Limit)), 0o600))
	_, err = Read(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("x", Limit+1)), 0o600))
	_, err = Read(path)
	require.ErrorContains(t, err, "larger than")
}

func TestReadableAndWritable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "word")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	for mode, want := range map[os.FileMode][2]string{
		0o600: {"", ""}, 0o640: {"its group", ""}, 0o644: {"everybody", ""}, 0o604: {"everybody", ""},
		0o620: {"", "its group"},
		0o602: {"", "everybody"}, 0o666: {"everybody", "everybody"}, 0o711: {"", ""},
	} {
		require.NoError(t, os.Chmod(path, mode))
		require.Equal(t, want, [2]string{Readable(path), Writable(path)}, "%o", mode)
	}
	dir := filepath.Dir(path)
	require.NoError(t, os.Chmod(dir, 0o777))
	require.Equal(t, "everybody", Writable(dir))
	require.NoError(t, os.Chmod(dir, 0o777|os.ModeSticky))
	require.Empty(t, Writable(dir))
	require.NoError(t, os.Chmod(path, 0o644))
	t.Setenv("CREDENTIALS_DIRECTORY", dir+"/")
	require.Empty(t, Readable(path), "a credential of systemd")
	require.Empty(t, Readable(path+"x"), "no file exists there")
}
