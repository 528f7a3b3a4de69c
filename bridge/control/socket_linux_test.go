package control

import (
	"io/fs"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// withUmask sets the umask of the process. No other part of this test may run at the same time.
func withUmask(t *testing.T, mask int) {
	old := syscall.Umask(mask)
	t.Cleanup(func() { syscall.Umask(old) })
}

func stat(t *testing.T, path string) (fs.FileMode, int) {
	t.Helper()
	info, err := os.Lstat(path)
	require.NoError(t, err)
	return info.Mode(), int(info.Sys().(*syscall.Stat_t).Gid)
}

// The socket has its permissions (unix(7)) whatever the umask is. Until its group is set, only the owner may use it.
func TestSocketPermissions(t *testing.T) {
	gid := os.Getgid()
	if os.Getuid() == 0 {
		gid = 1 // root may give the file to any group
	}
	g, err := user.LookupGroupId(strconv.Itoa(gid))
	require.NoError(t, err)
	for _, mask := range []int{0, 0o777, 0o022} {
		withUmask(t, mask)
		dir := filepath.Join(t.TempDir(), "d")
		require.NoError(t, os.Mkdir(dir, 0))
		require.NoError(t, os.Chmod(dir, 0o755))
		path := filepath.Join(dir, "control")

		c := net.ListenConfig{Control: ownerOnly}
		l, err := c.Listen(t.Context(), "unix", path)
		require.NoError(t, err)
		mode, _ := stat(t, path)
		assert.Zero(t, mode.Perm()&^0o600, "from its creation on")
		require.NoError(t, l.Close())

		for _, group := range []string{g.Name, strconv.Itoa(gid)} {
			s, err := Listen(Options{Path: path, Group: group, Backend: &fakeBackend{}})
			require.NoError(t, err)
			mode, got := stat(t, path)
			assert.Equal(t, fs.FileMode(0o660)|fs.ModeSocket, mode)
			assert.Equal(t, gid, got)
			require.NoError(t, s.Close())
		}
	}
}

func TestExistingPath(t *testing.T) {
	dir := t.TempDir()
	path, elsewhere := filepath.Join(dir, "control"), filepath.Join(dir, "elsewhere")
	listen := func() error {
		s, err := Listen(Options{Path: path, Backend: &fakeBackend{}})
		if err == nil {
			assert.NoError(t, s.Close())
		}
		return err
	}
	// the socket of a dead daemon: the process is gone and the file is still there
	l, err := net.Listen("unix", path)
	require.NoError(t, err)
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	require.NoError(t, l.Close())
	require.FileExists(t, path)
	require.NoError(t, listen())

	// the socket of a running daemon
	l, err = net.Listen("unix", path)
	require.NoError(t, err)
	err = listen()
	assert.ErrorIs(t, err, ErrSocketInUse)
	assert.ErrorContains(t, err, "another daemon answers at "+path)
	require.NoError(t, l.Close())

	require.NoError(t, os.WriteFile(elsewhere, []byte("precious"), 0o600))
	require.NoError(t, os.Symlink(elsewhere, path))
	err = listen()
	assert.ErrorIs(t, err, ErrSocketInUse)
	assert.ErrorContains(t, err, "symbolic link")
	require.NoError(t, os.Rename(elsewhere, path))
	err = listen()
	assert.ErrorIs(t, err, ErrSocketInUse)
	assert.ErrorContains(t, err, "is not a socket")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "precious", string(text))
	require.NoError(t, os.Remove(path))

	require.NoError(t, os.Chmod(dir, 0o777))
	err = listen()
	assert.ErrorIs(t, err, ErrSocketInUse)
	assert.ErrorContains(t, err, "chmod o-w "+dir)
	require.NoError(t, os.Chmod(dir, 0o777|fs.ModeSticky))
	assert.NoError(t, listen(), "as /tmp is")

	_, err = Listen(Options{Path: filepath.Join(dir, "none", "control"), Backend: &fakeBackend{}})
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = Listen(Options{Path: path, Group: "no-such-group", Backend: &fakeBackend{}})
	assert.ErrorContains(t, err, "control.group")
}

// Of two daemons that start at the same time with a dead daemon's socket, one gets the path, and the other leaves it
// alone.
func TestConcurrentStart(t *testing.T) {
	for range 20 {
		path := filepath.Join(t.TempDir(), "control")
		l, err := net.Listen("unix", path)
		require.NoError(t, err)
		l.(*net.UnixListener).SetUnlinkOnClose(false)
		require.NoError(t, l.Close())
		type one struct {
			s   *Server
			err error
		}
		both := make(chan one)
		for range 2 {
			go func() {
				s, err := Listen(Options{Path: path, Backend: &fakeBackend{}})
				both <- one{s, err}
			}()
		}
		a, b := <-both, <-both
		if a.err != nil {
			a, b = b, a
		}
		require.NoError(t, a.err)
		require.ErrorIs(t, b.err, ErrSocketInUse)
		require.FileExists(t, path)
		require.NoError(t, a.s.Close())
	}
}

// A server that was replaced does not remove its successor's socket.
func TestOldServerDoesNotRemoveNewSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control")
	first, err := Listen(Options{Path: path, Backend: &fakeBackend{}})
	require.NoError(t, err)
	require.NoError(t, os.Remove(path)) // a user removes the file
	second, err := Listen(Options{Path: path, Backend: &fakeBackend{}})
	require.NoError(t, err)
	require.NoError(t, first.Close())
	require.FileExists(t, path)
	require.NoError(t, second.Close())
}

func TestStaleSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control")
	c, ctx := client(t, path)
	err := c.SetInterval(ctx, "box-office", 1)
	assert.ErrorIs(t, err, ErrNotRunning)
	assert.ErrorContains(t, err, path+" does not exist; is the daemon running")

	l, err := net.Listen("unix", path)
	require.NoError(t, err)
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	require.NoError(t, l.Close())
	err = c.SetInterval(ctx, "box-office", 1)
	assert.ErrorIs(t, err, ErrNotRunning)
	assert.ErrorContains(t, err, "left behind")
}

// The kernel refuses a connection by another user, and the error names the group.
func TestPermission(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "d")
	require.NoError(t, os.Mkdir(dir, 0o755))
	path := filepath.Join(dir, "control")
	s, err := Listen(Options{Path: path, Backend: &fakeBackend{}})
	require.NoError(t, err)
	defer s.Close()
	_, gid := stat(t, path)
	g, err := user.LookupGroupId(strconv.Itoa(gid))
	require.NoError(t, err)

	c := NewClient(path)
	defer c.Close()
	require.NoError(t, os.Chmod(path, 0))
	err = c.unanswered(dialAsNobody(path))
	assert.ErrorIs(t, err, ErrPermission)
	assert.ErrorContains(t, err, "usermod -aG "+g.Name)
}

// dialAsNobody returns the error of connecting as an unprivileged user. As root it uses a thread with another file
// system user ID (setfsuid(2)).
func dialAsNobody(path string) error {
	if os.Getuid() == 0 {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		syscall.RawSyscall(syscall.SYS_SETFSUID, 65534, 0, 0)
		defer syscall.RawSyscall(syscall.SYS_SETFSUID, 0, 0, 0)
	}
	conn, err := net.Dial("unix", path)
	if err == nil {
		conn.Close()
	}
	return err
}
