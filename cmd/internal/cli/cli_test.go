package cli

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"clearback/bridge/daemon/daemontest"
)

// TestMain lets eight tests run in parallel, because the rehearsals mostly wait. -parallel overrides that. It also lets
// the test program be the process that backup and restore start.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "backup-task" {
		os.Exit(Main(os.Args[1:], Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}, nil))
	}
	// The password of the service in the file that most tests write.
	if err := errors.Join(flag.Set("test.parallel", "8"), os.Setenv("MILLRACE_SERVICE", "lobby-43")); err != nil {
		panic(err)
	}
	goleak.VerifyTestMain(m)
}

// outputBuffer is a buffer that goroutines may write to.
type outputBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (h *outputBuffer) Write(p []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.Write(p)
}

func (h *outputBuffer) String() string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.b.String()
}

// call runs a subcommand as a user would and returns its exit code and output.
func call(in string, args ...string) (code int, out, errs string) {
	var o, e outputBuffer
	code = Main(args, Streams{In: strings.NewReader(in), Out: &o, Err: &e}, make(chan os.Signal))
	return code, o.String(), e.String()
}

func TestUsage(t *testing.T) {
	t.Setenv(configVariable, "/nowhere/usual.yaml")
	for _, c := range []struct {
		args string
		code int
		says string
	}{
		{"", ExitFaults, "clearback check"},
		{"help", ExitOK, "Exit codes"},
		{"hepl", ExitFaults, `no subcommand "hepl"`},
		{"version", ExitOK, "clearback "},
		{"version more", ExitFaults, `"more" is one argument too many`},
		{"run", ExitFaultyFile, "/nowhere/usual.yaml: no such file"},
		{"run --config /nowhere/clearback.yaml", ExitFaultyFile, "/nowhere/clearback.yaml"},
		{"close", ExitFaults, "/nowhere/usual.yaml: no such file"},
		{"check", ExitFaults, "/nowhere/usual.yaml: no such file"},
		{"check --pulse box-office x.yaml", ExitFaults, "--pulse needs --live"},
		{"check --lively", ExitFaults, "flag provided but not defined"},
		{"check -h", ExitOK, "-live"},
		{"rehearse --list", ExitOK, "held-call"},
		{"rehearse --scene curtain", ExitFaults, "curtain"},
	} {
		code, out, errs := call("", strings.Fields(c.args)...)
		assert.Equal(t, c.code, code, c.args)
		assert.Contains(t, out+errs, c.says, c.args)
	}
}

func TestCheckSaysAllFaultsAtOnce(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	code, out, errs := call("", "check", path)
	assert.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "no faults")
	assert.Contains(t, out,
		"line box-office: may call every number; numbers in other countries are refused (dial.international)")
	assert.Contains(t, out, "contact of kind none")
	assert.NotContains(t, out+errs, "lobby-43")

	text, err := os.ReadFile(path)
	require.NoError(t, err)
	bad := strings.NewReplacer("200ms", "200", "media: direct", "media: dirct", "coil:", "coyl:").Replace(string(text))
	require.NoError(t, os.WriteFile(path, []byte(bad), 0o600))
	code, _, errs = call("", "check", path)
	assert.Equal(t, ExitFaults, code)
	assert.Equal(t, 4, strings.Count(errs, path+":"), errs) // the mistyped coil is missing too
	assert.Contains(t, errs, path+":8:50: ")
}
