//go:build linux

package interop

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	watch "clearback/bridge/daemon"
	"clearback/config"
)

// SAFETY.md S136. The built daemon is watched while it is restarted, killed, started again, frozen and stopped. The
// looks are 30 s apart on the clock that they are told.
func TestWatch(t *testing.T) {
	t.Parallel()
	var bell, down string
	r := newTestBed(t, setup{record: true, before: func(r *testBed) {
		bell, down = filepath.Join(r.dir, "bell"), filepath.Join(r.dir, "down")
		text, err := os.ReadFile(r.config())
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(r.config(), fmt.Appendf(text, `alarms:
  site: Millrace Playhouse
  folder: %s
  ways:
    - {name: bell, program: {path: /bin/sh, arguments: [-c, 'echo $CLEARBACK_KIND >> %s']}}
    - {name: horn, program: {path: /bin/sh, arguments: [-c, 'test -e %[3]s && exit 75; echo $CLEARBACK_KIND >> %[2]s.horn']}}
`, filepath.Join(r.dir, "alarms"), bell, down), 0o600))
	}})
	c, faults, err := config.LoadForCheck(r.config())
	require.NoError(t, err)
	require.Empty(t, faults)
	now := time.Now()
	look := func() watch.Watched {
		t.Helper()
		now = now.Add(30 * time.Second)
		seen, err := watch.Watch(t.Context(), c, now, zap.NewNop())
		require.NoError(t, err)
		return seen
	}
	told := func(path string) string {
		text, err := os.ReadFile(path)
		if !os.IsNotExist(err) {
			require.NoError(t, err)
		}
		return strings.Join(strings.Fields(string(text)), " ")
	}
	left := func() {
		t.Helper()
		eventually(t, 10*time.Second, "the alarms' state is there", func() bool {
			_, err := os.Stat(filepath.Join(r.dir, "alarms.state"))
			return err == nil
		})
	}
	left()
	require.Empty(t, look().Problem)
	for range 4 { // restarts
		r.d.Signal(syscall.SIGUSR2)
		require.Zero(t, r.ended(20*time.Second))
		require.NotEmpty(t, look().Problem)
		r.startUnder(r.manager)
		require.Empty(t, look().Problem)
	}
	require.Empty(t, told(bell), "a restart is not told")

	require.NoError(t, os.WriteFile(down, nil, 0o600))
	r.d.Signal(syscall.SIGKILL)
	require.Equal(t, -1, r.ended(5*time.Second))
	for range 3 {
		require.NotEmpty(t, look().Problem)
	}
	require.Equal(t, "begun", told(bell))
	for range 20 {
		look()
	}
	require.Equal(t, "begun", told(bell), "it is told once")
	require.Empty(t, told(bell+".horn"))
	require.NoError(t, os.Remove(down))
	r.startUnder(r.manager)
	for range 25 {
		look()
	}
	require.Equal(t, "begun ended", told(bell))
	require.Equal(t, "begun ended", told(bell+".horn"), "what waited for the way is sent, in its order")

	r.d.Signal(syscall.SIGSTOP)
	eventually(t, 5*time.Second, "every thread is stopped", func() bool { // proc(5): state T
		threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", r.d.Cmd.Process.Pid))
		require.NoError(t, err)
		return !slices.ContainsFunc(threads, func(path string) bool {
			text, err := os.ReadFile(path)
			return err == nil && !strings.Contains(string(text), ") T ")
		})
	})
	for range 3 {
		require.Contains(t, look().Problem, "deadline")
	}
	r.d.Signal(syscall.SIGCONT)
	for range 4 {
		require.Empty(t, look().Problem)
	}
	require.Equal(t, "begun ended begun ended", told(bell))

	r.d.Signal(syscall.SIGTERM)
	require.Zero(t, r.ended(20*time.Second))
	for range 20 {
		require.NotEmpty(t, look().Problem)
	}
	require.Equal(t, "begun ended begun ended", told(bell), "it was stopped on purpose")
}
