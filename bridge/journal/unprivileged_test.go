package journal

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// unprivileged runs the test again in a copy of this program as an unprivileged user, since root may write anywhere.
func unprivileged(t *testing.T) {
	t.Helper()
	const nobody = 65534
	dir, err := os.MkdirTemp("/tmp", "journal-nobody-")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chown(dir, nobody, nobody))
	self, err := os.Executable()
	require.NoError(t, err)
	program, err := os.ReadFile(self)
	require.NoError(t, err)
	copied := filepath.Join(dir, "test")
	require.NoError(t, os.WriteFile(copied, program, 0o755))
	cmd := exec.Command(copied, "-test.run=^"+t.Name()+"$", "-test.v")
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "TMPDIR="+dir, "HOME="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "as nobody:\n%s", out)
	require.Contains(t, string(out), "--- PASS: "+t.Name())
}
