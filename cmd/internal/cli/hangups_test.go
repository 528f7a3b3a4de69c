package cli

import (
	"os"
	"os/signal"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// A SIGHUP reloads the file and takes no place of the signals that end the daemon, unless it means that a person's
// terminal has gone.
func TestHangups(t *testing.T) {
	_, slave := pseudoTerminal(t)
	t.Setenv("NOTIFY_SOCKET", "")
	e := &env{Streams: Streams{In: slave}}
	require.Nil(t, e.hangups())

	signals := make(chan os.Signal, 2) // as main has them
	signal.Notify(signals, syscall.SIGHUP)
	defer signal.Reset(syscall.SIGHUP)
	for name, set := range map[string]func(){
		"a service manager": func() { t.Setenv("NOTIFY_SOCKET", "@test") },
		"no terminal":       func() { e.In = nil; t.Setenv("NOTIFY_SOCKET", "") },
	} {
		e.In = slave
		set()
		hangups := e.hangups()
		require.NotNil(t, hangups, name)
		require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGHUP))
		require.Equal(t, syscall.SIGHUP, <-hangups, name)
		require.Empty(t, signals, name)
		signal.Notify(signals, syscall.SIGHUP)
	}
}

// The state of the calls is beside the control socket, so a process with another one would not find it.
func TestSameSocket(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	set := func(more string) { require.NoError(t, os.WriteFile(path, []byte(string(text)+more), 0o600)) }
	set("control: {socket: /run/clearback/control}\n")
	require.NoError(t, sameSocket(path, "/run/clearback/control"))
	require.ErrorContains(t, sameSocket(path, "/run/control"), "was /run/control, and is /run/clearback/control now")
	set("control: {socket: none}\n")
	require.ErrorContains(t, sameSocket(path, "/run/control"), "was /run/control, and is none now")
	set("new: {key: true}\n")
	require.NoError(t, sameSocket(path, "/run/control"))
	require.NoError(t, os.Remove(path))
	require.ErrorContains(t, sameSocket(path, "/run/control"), "read the configuration: ")
}
