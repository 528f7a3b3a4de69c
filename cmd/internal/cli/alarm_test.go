package cli

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// The test goes through the ways of the file and needs no daemon. One that refuses makes the command fail, and the
// others are tried all the same.
func TestAlarmTest(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	run := func(args ...string) (int, string) {
		var out bytes.Buffer
		code := Main(append(args, "--config", path), Streams{In: strings.NewReader(""), Out: &out, Err: &out}, nil)
		return code, out.String()
	}
	code, said := run("alarm", "--test")
	require.Equal(t, ExitFaults, code)
	require.Contains(t, said, "has no way")
	require.NoError(t, os.WriteFile(path, append(text, `alarms:
  ways:
    - {name: bell, program: {path: /bin/sh, arguments: [-c, "exit 3"]}}
    - {name: horn, program: {path: /bin/sh, arguments: [-c, "grep -q test && test $CLEARBACK_KIND = test"]}}
`...), 0o600))
	code, said = run("alarm", "--test")
	require.Equal(t, ExitFailed, code)
	require.Contains(t, said, "bell: not accepted: ")
	require.Contains(t, said, "horn: accepted: ")
	code, said = run("alarm", "--test", "horn")
	require.Equal(t, ExitOK, code)
	require.NotContains(t, said, "bell")
	code, said = run("alarm", "--test", "drum")
	require.Equal(t, ExitFaults, code)
	require.Contains(t, said, `no way called "drum"`)
	code, _ = run("alarm")
	require.Equal(t, ExitFaults, code)
}
