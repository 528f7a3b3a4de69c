package cli

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// SAFETY.md S129. A daemon does not leave its calls to a program of a version that could not continue them. Such a
// program does not know the flag --restart.
func TestNextProgramIsOld(t *testing.T) {
	t.Parallel()
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	c := daemontest.Load(t, path)
	program := filepath.Join(t.TempDir(), "clearback")
	_, _, unknown := call("", "check", "--restart-of-the-future")
	for says, want := range map[string]string{
		"echo '" + strings.ReplaceAll(unknown, "-of-the-future", "") + "' >&2; exit 2": "of a version that cannot continue calls",
		"echo 'a fault' >&2; exit 2": "exit status 2: a fault",
		"echo 'the file is good'":    "",
	} {
		require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"+says+"\n"), 0o700))
		err := mayStart(t.Context(), program, path, c.Control.Socket)
		if want == "" {
			require.NoError(t, err)
		} else {
			require.ErrorContains(t, err, want)
		}
	}
}

// The daemon runs `check --restart` itself, which then does not ask the daemon. A running daemon without the path
// /v1/restart ends its calls.
func TestCheckRestartWithoutAnAnswer(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	socket := recorded(t, path)
	code, _, errs := call("", "check", "--restart", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "does not exist; is the daemon running")
	code, _, errs = call("", "check", "--restart", "--live", path)
	assert.Equal(t, ExitFaults, code)
	assert.Contains(t, errs, "--restart excludes --live")

	l, err := net.Listen("unix", socket)
	require.NoError(t, err)
	old := http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Clearback-Api", "1")
		w.WriteHeader(http.StatusNotFound)
		_, _ = w.Write([]byte(`{"error":"no-such-path","text":"there is no such path"}`))
	})}
	served := make(chan error, 1) // one result, received below
	go func() { served <- old.Serve(l) }()
	code, _, errs = call("", "check", "--restart", path)
	assert.Equal(t, ExitFailed, code)
	assert.Contains(t, errs, "a restart now would end the calls: the running daemon is of a version that cannot hand them over")
	require.NoError(t, old.Close())
	require.ErrorIs(t, <-served, http.ErrServerClosed)

	t.Setenv(askedByDaemon, "1")
	code, out, errs := call("", "check", "--restart", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "no faults")
}
