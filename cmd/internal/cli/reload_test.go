package cli

import (
	"bytes"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/daemon/daemontest"
)

// `reload` prints what a running daemon has done with the file, and every fault of a file that it does not load. `keep`
// says that the file has edits that are not loaded, and `lines` says so too.
func TestReload(t *testing.T) {
	path := daemontest.File(t, daemontest.Serve(t, &daemontest.Board{}), daemontest.Answering(t, "200 OK"),
		daemontest.Answering(t, "200 OK"))
	running(t, path, recorded(t, path))
	reload := func(want int, old, new string) (out, errs string) {
		t.Helper()
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), old, new, 1)), 0o600))
		code, out, errs := call("", "reload", "--config", path)
		require.Equal(t, want, code, errs)
		return out, errs
	}
	out, _ := reload(ExitOK, "media: direct", "media: direct\n    location: the foyer")
	assert.Equal(t, "changed: box-office\n", out)
	_, errs := reload(ExitFaults, "media: direct", "media: sideways\n    media_lost: sing")
	assert.Contains(t, errs, path+":13:12: ")
	assert.Contains(t, errs, path+":14:17: ")
	assert.Contains(t, errs, "the file is not loaded; a running daemon continues with what it has\n")
	_, out, _ = call("", "lines", "--config", path)
	assert.Contains(t, out, "was edited and is not loaded")
	reload(ExitOK, "media: sideways\n    media_lost: sing\n    location: the foyer",
		"media: direct\n    location: the bar")
	_, errs = reload(ExitFailed, "country: US", "country: US\nlog: {level: debug}")
	assert.Contains(t, errs, ": log: changes only with a restart of the daemon\n")
	assert.Contains(t, errs, "nothing was changed")

	code, out, errs := call("", "keep", "box-office", "--config", path)
	require.Equal(t, ExitOK, code, errs)
	assert.Contains(t, out, "was edited and is not loaded", "somebody's edit")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Contains(t, string(text), "log: {level: debug}", "it is not lost")
	out, _ = reload(ExitOK, "log: {level: debug}\n", "")
	assert.Equal(t, "kept: box-office\n", out)
	code, out, _ = call("", "reload", "--json", "--config", path)
	require.Equal(t, ExitOK, code)
	assert.Contains(t, out, `"kept": [`)
	_, errs = reload(ExitFailed, "control: {socket: ", "control: {socket: /run/nobody")
	assert.Contains(t, errs, "if control.socket has changed, restart the daemon")
	_, errs = reload(ExitFaults, "country", "\tcountry")
	assert.Contains(t, errs, path+":1:")
}

// Each change that waits is printed with what it waits for.
func TestPrintWaiting(t *testing.T) {
	var out bytes.Buffer
	printDaemon(&out, control.Daemon{Edited: "FILE was edited", Waiting: []control.Waiting{
		{Line: "box-office", Change: "changed", Why: "box-office: call 7 is up"},
		{Line: "foyer", Change: "added", Why: "a call is beginning"}, {Line: "workshop", Change: "removed", Why: "because"},
		{Line: "stage-door", Change: "controller", Why: "because"}, {Change: "controller", Why: "because"},
		{Line: "green-room", Change: "contact", Why: "attic: no answer"}}}, time.Now())
	assert.Contains(t, out.String(), "box-office: the change waits: box-office: call 7 is up\n"+
		"foyer: waits to be added: a call is beginning\nworkshop: waits to be removed: because\n"+
		"stage-door: its controller waits to be replaced: because\na controller: its controller waits to be replaced: because\n"+
		"green-room: the contact that it had is not known closed: attic: no answer\n"+
		"until then do not kill the daemon: nothing else closes contacts that the file no longer has (SAFETY 126)\n"+
		"FILE was edited\n")
	out.Reset()
	printWaiting(&out, []control.Waiting{{Line: "foyer", Change: "added", Why: "a call is beginning"}})
	assert.NotContains(t, out.String(), "do not kill")
}
