package cli

import (
	"os"
	"os/signal"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
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
