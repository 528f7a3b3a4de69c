package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// A pipe, a device or a directory in place of a file is an error at once, for every file that the user can name. Nobody
// writes into the pipe, so a command that reads it would never return.
func TestIrregularFiles(t *testing.T) {
	dir := t.TempDir()
	pipe := filepath.Join(dir, "pipe")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	good := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(good)
	require.NoError(t, err)
	with := func(name, old, new string) string {
		require.Contains(t, string(text), old)
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), old, new, 1)), 0o600))
		return path
	}
	for _, what := range []string{pipe, dir, "/dev/null"} {
		secret := with("secret.yaml", "{env: MILLRACE_SERVICE}", "{file: "+what+"}")
		relay, _ := relayFile(t, simulatedRelay)
		tls := fmt.Sprintf("{address: \"mqtts://192.0.2.1:8883\", prefix: millrace, ca: %s}", what)
		require.NoError(t, os.WriteFile(relay, []byte("mqtt: "+tls+"\ncontacts: [{name: box-office, simulated: {}}]\n"),
			0o600))
		for _, args := range [][]string{
			{"check", what}, {"run", "--config", what}, {"close", "--config", what}, {"lines", "--config", what},
			{"window", "--config", what},
			{"calls", "--config", what}, {"calls", "--journal", what}, {"explain", "last", "--journal", what},
			{"pulse", "box-office", "--config", what},
			{"keep", "box-office", "--config", what}, {"tune", "box-office", "--config", what},
			{"relay", "--config", what}, {"relay", "--config", what, "--check"}, {"relay", "--config", what, "--close"},
			{"check", secret}, {"run", "--config", secret}, {"relay", "--config", relay},
		} {
			code, out, errs := call("", args...)
			require.NotEqual(t, ExitOK, code, args)
			require.Contains(t, out+errs, what+" is a", args)
		}
	}
}

// A simulated contact whose file is a pipe without a reader does not block either.
func TestRelayIntoAPipe(t *testing.T) {
	path, moves := relayFile(t, simulatedRelay)
	require.NoError(t, syscall.Mkfifo(moves, 0o600))
	code, _, errs := call("", "relay", "--config", path, "--close", "--within", "500ms") // some attempts, 250 ms apart
	require.Equal(t, ExitNotClosed, code)
	require.Contains(t, errs, moves+" is a pipe")
}

// check, and the log of run, warn about files that others may read or write. That is not a fault.
func TestPermissionWarnings(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	require.NoError(t, os.Chmod(path, 0o666))
	code, out, errs := call("", "check", path)
	require.Equal(t, ExitOK, code, errs)
	require.Contains(t, out, "warning: "+path+" may be written by everybody")
	var o, e outputBuffer
	signals := make(chan os.Signal, 2) // the first ends it, the second at once
	signals <- os.Interrupt
	signals <- os.Interrupt
	Main([]string{"run", "--config", path}, Streams{In: strings.NewReader(""), Out: &o, Err: &e}, signals)
	require.Contains(t, e.String(), "file: "+path+" may be written by everybody")
	relay, _ := relayFile(t, simulatedRelay)
	require.NoError(t, os.Chmod(relay, 0o666))
	code, out, errs = call("", "relay", "--check", "--config", relay)
	require.Equal(t, ExitOK, code, errs)
	require.Contains(t, out, "warning: "+relay+" may be written by everybody")
	signals <- os.Interrupt
	code = Main([]string{"relay", "--config", relay}, Streams{In: strings.NewReader(""), Out: &o, Err: &e}, signals)
	require.Contains(t, e.String(), relay+" may be written by everybody", code)
}

// check warns of an address that this machine does not have. It is no fault: the network may not be up yet.
func TestCheckWarnsOfMissingAddress(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	const warning = "warning: this machine does not have the address 192.0.2.10 (sip.adapter_side.listen)"
	code, out, errs := call("", "check", path)
	require.Equal(t, ExitOK, code, errs)
	require.NotContains(t, out, "this machine does not have")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	own := daemontest.Load(t, path).SIP.AdapterSide.Listen.String()
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), own, "192.0.2.10:5060", 1)), 0o600))
	code, out, errs = call("", "check", path)
	require.Equal(t, ExitOK, code, errs)
	require.Contains(t, out, warning)
}
