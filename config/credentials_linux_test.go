package config

import (
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// Somebody who is not root may read neither the unit's secrets nor what systemd has handed over. The fault says so, and
// not that the file is missing.
func TestCredentialsOfTheUnitWithoutRoot(t *testing.T) {
	root := t.TempDir()
	u := systemdUnit{name: "clearback.service", handedOver: filepath.Join(root, "run"),
		folders: []string{filepath.Join(root, "etc")}}
	unit, secret := filepath.Join(root, "etc", u.name), filepath.Join(root, "secrets", "door")
	require.NoError(t, os.Mkdir(filepath.Dir(unit), 0o755))
	require.NoError(t, os.Mkdir(filepath.Dir(secret), 0o700))
	require.NoError(t, os.WriteFile(secret, []byte("curtain\n"), 0o600))
	require.NoError(t, os.MkdirAll(filepath.Join(u.handedOver, u.name), 0o700))
	require.NoError(t, os.Chmod(filepath.Dir(root), 0o755)) // the test's own folder
	for name, text := range map[string]string{
		"the unit's folder of secrets": "[Service]\nLoadCredential=secrets:" + filepath.Dir(secret) + "\n",
		"the credential's own file":    "[Service]\nLoadCredential=door:" + secret + "\n",
		"what systemd has handed over": "[Service]\n",
	} {
		require.NoError(t, os.WriteFile(unit, []byte(text), 0o644))
		var err error
		asNobody(t, func() { _, _, err = u.credential("door") })
		require.ErrorIs(t, err, os.ErrPermission, name)
		require.ErrorContains(t, err, "this user may not read those of clearback.service", name)
		require.ErrorContains(t, err, "run the check as root", name)
		_, _, err = u.credential("door")
		require.NotErrorIs(t, err, os.ErrPermission, name)
	}
}

// asNobody runs f on a thread that accesses files as the user nobody.
func asNobody(t *testing.T, f func()) {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("only root can act as another user")
	}
	runtime.LockOSThread() // setfsuid(2) changes the thread
	defer runtime.UnlockOSThread()
	const nobody = 65534
	if _, _, errno := syscall.RawSyscall(syscall.SYS_SETFSUID, nobody, 0, 0); errno != 0 {
		t.Fatal(errno)
	}
	defer syscall.RawSyscall(syscall.SYS_SETFSUID, 0, 0, 0)
	f()
}
