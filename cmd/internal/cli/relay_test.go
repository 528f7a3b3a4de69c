package cli

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const simulatedRelay = `listen: 127.0.0.1:1
allow_from: [127.0.0.1]
contacts:
  - {name: box-office, simulated: {file: %s}}
`

func relayFile(t *testing.T, text string) (path, moves string) {
	t.Helper()
	moves = filepath.Join(t.TempDir(), "moves")
	path = filepath.Join(filepath.Dir(moves), "relay.yaml")
	if strings.Contains(text, "%s") {
		text = fmt.Sprintf(text, moves)
	}
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path, moves
}

func TestRelayCommandLine(t *testing.T) {
	good, _ := relayFile(t, simulatedRelay)
	bad, _ := relayFile(t, strings.Replace(simulatedRelay, "allow_from", "allow_form", 1))
	for _, x := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{}, ExitFaults, "relay: name the agent's file with --config"},
		{[]string{"--config", good, "--check", "--close"}, ExitFaults, "relay: --check or --close, not both"},
		{[]string{"--config", good, "--close", "--within", "0s"}, ExitFaults, "--within 0s: allowed is more than 0"},
		{[]string{"--config", good + "x"}, ExitFaultyFile, "read the configuration"},
		{[]string{"--config", bad}, ExitFaultyFile, "allow_form is not a known key; did you mean allow_from?"},
		{[]string{"--config", bad, "--check"}, ExitFaults, "allow_form is not a known key; did you mean allow_from?"},
		{[]string{"--config", good, "--check"}, ExitOK, "contact box-office: SIMULATED: no real contact moves"},
		{[]string{"--config", good, "--close"}, ExitOK, "every contact is closed"},
		{[]string{"--config", bad, "--close"}, ExitFaults, "the contacts that could be read from the file are closed"},
	} {
		code, out, errs := call("", append([]string{"relay"}, x.args...)...)
		require.Equal(t, x.code, code, x.args)
		require.Contains(t, out+errs, x.says, x.args)
	}
}

// A contact that cannot be closed has its own exit code.
func TestRelayCloseFails(t *testing.T) {
	// The file's directory does not exist, so no attempt can create the file, not even one that is still running at the
	// end.
	path, _ := relayFile(t, strings.Replace(simulatedRelay, "%s", "%s/none", 1))
	code, _, errs := call("", "relay", "--config", path, "--close", "--within", "1s")
	require.Equal(t, ExitNotClosed, code)
	require.Contains(t, errs, "not known closed: box-office: ")
}

// A close that fails at first is tried again until the time is over.
func TestRelayCloseIsRepeated(t *testing.T) {
	path, moves := relayFile(t, simulatedRelay)
	require.NoError(t, os.Mkdir(moves, 0o700))
	mended := make(chan error, 1) // read at the end
	go func() {
		// By then the first attempt has failed. If it has not, the test still passes.
		<-time.After(300 * time.Millisecond)
		mended <- os.Remove(moves)
	}()
	code, _, errs := call("", "relay", "--config", path, "--close", "--within", "10s")
	require.NoError(t, <-mended)
	require.Equal(t, ExitOK, code, errs)
}

// An agent that cannot listen still closes its contacts.
func TestRelayCannotListen(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	path, moves := relayFile(t, strings.Replace(simulatedRelay, "127.0.0.1:1\n", taken.Addr().String()+"\n", 1))
	code, _, errs := call("", "relay", "--config", path)
	require.Equal(t, ExitFailed, code, errs)
	require.Contains(t, errs, "see listen: in the agent's file")
	b, err := os.ReadFile(moves)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(b), "closed "), "%s", b)
}
