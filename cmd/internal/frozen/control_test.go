package frozen

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/control"
	"clearback/bridge/rehearsal"
	"clearback/cmd/internal/cli"
	"clearback/supervision/callrecord"
)

// backend answers with every field set, except Daemon, which returns what the test sets.
type backend struct {
	t      *testing.T
	daemon control.Daemon
	calls  transcript
	// refuses is the error of BeginTrials.
	refuses error
}

func (b *backend) Daemon() control.Daemon { return b.daemon }

func (b *backend) Reload() (control.Reload, error) {
	b.calls.printf("reload\n")
	return full[control.Reload](b.t), nil
}

func (b *backend) Restart() (control.Restart, error) {
	b.calls.printf("restart\n")
	return full[control.Restart](b.t), nil
}

func (b *backend) Pulse(_ context.Context, line string, d time.Duration) (control.Pulse, error) {
	b.calls.printf("pulse %s %s\n", line, d)
	return full[control.Pulse](b.t), nil
}

func (b *backend) SetInterval(line string, d time.Duration) error {
	b.calls.printf("interval %s %s\n", line, d)
	return nil
}

func (b *backend) BeginTrials(line string) error {
	b.calls.printf("begin %s\n", line)
	return b.refuses
}

func (b *backend) Ring(_ context.Context, line string) (uint64, error) {
	b.calls.printf("ring %s\n", line)
	return 7, nil
}

func (b *backend) Clear(_ context.Context, line string, d time.Duration, off bool) (control.Trial, error) {
	b.calls.printf("clear %s %s %t\n", line, d, off)
	return full[control.Trial](b.t), nil
}

func (b *backend) SaveTrial(line string, a control.TrialAnswer) error {
	b.calls.printf("keep %s %s\n", line, mustJSON(b.t, a))
	return nil
}

func (b *backend) TestSecondServer(_ context.Context, line string) (control.SecondServerTest, error) {
	b.calls.printf("second %s\n", line)
	return full[control.SecondServerTest](b.t), nil
}

func (b *backend) SecondServerTested(line string, passed bool) error {
	b.calls.printf("second %s %t\n", line, passed)
	return nil
}

func (b *backend) EndTrials(line string) error {
	b.calls.printf("end %s\n", line)
	return nil
}

// served serves a backend at a socket. The socket's path is short, because the kernel limits it.
func served(t *testing.T, b *backend) (socket string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "millrace")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	socket = filepath.Join(dir, "control")
	s, err := control.Listen(control.Options{Path: socket, Backend: b, Logger: zap.NewNop()})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return socket
}

// exchange sends one request and records it with its answer.
func exchange(t *testing.T, tr *transcript, socket, method, path, body string) {
	t.Helper()
	at := &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn,
		error) {
		return new(net.Dialer).DialContext(ctx, "unix", socket)
	}}
	r, err := http.NewRequestWithContext(t.Context(), method, "http://clearback"+path, strings.NewReader(body))
	require.NoError(t, err)
	a, err := at.RoundTrip(r)
	require.NoError(t, err)
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	tr.printf("%s %s %s\n----\n%d", method, path, body, a.StatusCode)
	for _, name := range []string{"Clearback-Api", "Content-Type", "Allow"} {
		if v := a.Header.Get(name); v != "" {
			tr.printf(", %s: %s", name, v)
		}
	}
	// The text of a refusal is for people and may change.
	var e control.Error
	if a.StatusCode >= 400 && json.Unmarshal(text, &e) == nil {
		require.NotEmpty(t, e.Text)
		text = bytes.Replace(text, mustJSON(t, e.Text), []byte(`"..."`), 1)
	}
	tr.printf("\n%s\n", text)
}

func mustJSON(t *testing.T, v any) []byte {
	t.Helper()
	text, err := json.Marshal(v)
	require.NoError(t, err)
	return text
}

// TestControlSocket compares every path of the control socket, with its methods, bodies and answers, and the JSON of
// `lines`.
func TestControlSocket(t *testing.T) {
	b := &backend{t: t}
	socket := served(t, b)
	var tr transcript
	for _, r := range [][3]string{
		{"GET", "/v1/daemon", ""},
		{"POST", "/v1/daemon", ""},
		{"POST", "/v1/reload", ""},
		{"POST", "/v1/reload", `{"file":"another"}`},
		{"GET", "/v1/reload", ""},
		{"GET", "/v1/restart", ""},
		{"POST", "/v1/restart", ""},
		{"POST", "/v1/lines/box-office/pulse", ""},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":700}`},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":700,"loud":true}`},
		{"GET", "/v1/lines/box-office/pulse", ""},
		{"PUT", "/v1/lines/box-office/interval", `{"interval_ms":700}`},
		{"PUT", "/v1/lines/box-office/interval", ``},
		{"POST", "/v1/lines/box-office/interval", `{"interval_ms":700}`},
		{"POST", "/v1/lines/stage%20door%2F2/trials", ""},
		{"GET", "/v1/lines/box-office/trials", ""},
		{"POST", "/v1/lines/box-office/trials/ring", ""},
		{"POST", "/v1/lines/box-office/trials/clear", `{"interval_ms":700,"pulse_dialling_off":true}`},
		{"POST", "/v1/lines/box-office/trials/clear", `{"interval_ms":0}`},
		{"POST", "/v1/lines/box-office/trials/keep", string(mustJSON(t, keptTrial(t)))},
		{"POST", "/v1/lines/box-office/trials/keep", `{"cleared":"perhaps"}`},
		{"DELETE", "/v1/lines/box-office/trials", ""},
		{"POST", "/v1/lines/box-office/second-server", ""},
		{"PUT", "/v1/lines/box-office/second-server", `{"passed":true}`},
		{"PUT", "/v1/lines/box-office/second-server", ""},
		{"GET", "/v1/lines/box-office/second-server", ""},
		{"GET", "/v1", ""},
		{"GET", "/v2/daemon", ""},
	} {
		exchange(t, &tr, socket, r[0], r[1], r[2])
	}
	for _, word := range []string{
		control.ReasonNoLine, control.ReasonBadBody, control.ReasonRefused, control.ReasonStopped, control.ReasonBusy,
		control.ReasonFailed, control.ReasonFaults, control.ReasonRestart,
		control.ReasonNoPath, control.ReasonNoVersion,
	} {
		b.refuses = &control.Error{Code: http.StatusConflict, Reason: word, Text: "why, and what to do"}
		exchange(t, &tr, socket, "POST", "/v1/lines/box-office/trials", "")
	}
	b.refuses = errors.New("without a word of its own")
	exchange(t, &tr, socket, "POST", "/v1/lines/box-office/trials", "")
	tr.printf("what the daemon was asked\n----\n%s\n", b.calls.String())
	b.daemon.Lines = make([]control.Line, 1) // the fields that are never left out
	tr.printf("lines --json\n----\n%s\n", linesJSON(t, socket))
	b.daemon = full[control.Daemon](t) // every field
	tr.printf("lines --json\n----\n%s", linesJSON(t, socket))
	compare(t, "control.txt", tr.String())
}

func keptTrial(t *testing.T) control.TrialAnswer {
	a := full[control.TrialAnswer](t)
	a.Cleared = "stayed"
	return a
}

func linesJSON(t *testing.T, socket string) string {
	t.Helper()
	text, err := os.ReadFile("../../../deploy/clearback.yaml")
	require.NoError(t, err)
	const sample = "/run/clearback/control"
	require.Equal(t, 1, strings.Count(string(text), sample))
	file := filepath.Join(t.TempDir(), "clearback.yaml")
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), sample, socket, 1)), 0o600))
	code, out, errs := run("lines", "--json", "--config", file)
	require.Equal(t, cli.ExitOK, code, errs)
	return out
}

// run runs a command as a user would.
func run(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = cli.Main(args, cli.Streams{In: strings.NewReader(""), Out: &o, Err: &e}, make(chan os.Signal))
	return code, o.String(), e.String()
}

// TestRehearseJSON compares the form of the output of `rehearse --json`.
func TestRehearseJSON(t *testing.T) {
	text, err := json.MarshalIndent(full[rehearsal.Report](t), "", "  ")
	require.NoError(t, err)
	compare(t, "rehearse.json", string(text)+"\n")
}

// TestCallJSON compares the form of a line of `calls --json`, with every field and with the least number of fields, and
// the header of `calls --csv`.
func TestCallJSON(t *testing.T) {
	all, err := json.MarshalIndent(full[callrecord.JSON](t), "", "  ")
	require.NoError(t, err)
	compare(t, "calls.txt", string(all)+"\n\n"+string(mustJSON(t, callrecord.JSON{}))+"\n\n"+
		strings.Join(callrecord.CSVHeader(), ",")+"\n")
}
