package control

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/programtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// testTimeout limits every wait.
const testTimeout = 5 * time.Second

// fakeBackend is a Backend that records its calls and returns what the test sets.
type fakeBackend struct {
	mu    sync.Mutex
	asked []string
	err   error // returned by all methods, except by Pulse and Ring if pulse or ring is set

	daemon Daemon
	pulse  func(context.Context) (Pulse, error)
	ring   func(context.Context) (uint64, error)
}

func (h *fakeBackend) note(parts ...string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.asked = append(h.asked, strings.Join(parts, " "))
}

// fail sets the error.
func (h *fakeBackend) fail(err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.err = err
}

func (h *fakeBackend) result() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.err
}

func (h *fakeBackend) list() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]string(nil), h.asked...)
}

func (h *fakeBackend) Daemon() Daemon { return h.daemon }

func (h *fakeBackend) Pulse(ctx context.Context, line string, d time.Duration) (Pulse, error) {
	h.note("pulse", line, d.String())
	if h.pulse != nil {
		return h.pulse(ctx)
	}
	return Pulse{Asked: d.Milliseconds(), Measured: 700_123, Hook: "on"}, h.result()
}

func (h *fakeBackend) SetInterval(line string, d time.Duration) error {
	h.note("interval", line, d.String())
	return h.result()
}

func (h *fakeBackend) BeginTrials(line string) error { h.note("begin", line); return h.result() }

func (h *fakeBackend) Ring(ctx context.Context, line string) (uint64, error) {
	h.note("ring", line)
	if h.ring != nil {
		return h.ring(ctx)
	}
	return 7, h.result()
}

func (h *fakeBackend) Clear(_ context.Context, line string, d time.Duration, off bool) (Trial, error) {
	h.note("clear", line, d.String(), map[bool]string{true: "off", false: "on"}[off])
	return Trial{Call: 7, Asked: d.Milliseconds(), Hook: "off", By: "probe"}, h.result()
}

func (h *fakeBackend) SaveTrial(line string, a TrialAnswer) error {
	h.note("keep", line, a.Cleared)
	return h.result()
}

func (h *fakeBackend) EndTrials(line string) error { h.note("end", line); return h.result() }

func serve(t *testing.T, h *fakeBackend) (path string, logs *observer.ObservedLogs) {
	t.Helper()
	core, logs := observer.New(zap.DebugLevel)
	path = filepath.Join(t.TempDir(), "control")
	s, err := Listen(Options{Path: path, Backend: h, Logger: zap.New(core)})
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, s.Close())
		assert.NoFileExists(t, path)
		assert.NoError(t, s.Close(), "once more")
	})
	return path, logs
}

func client(t *testing.T, path string) (*Client, context.Context) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	c := NewClient(path)
	t.Cleanup(func() { cancel(); c.Close() })
	return c, ctx
}

func TestEverythingRoundTrips(t *testing.T) {
	at := time.Date(2026, 3, 1, 20, 15, 0, 0, time.UTC)
	h := &fakeBackend{daemon: Daemon{API: Version, Version: "v1.2.3", Started: at,
		Config: "/etc/clearback/clearback.yaml",
		Lines: []Line{{Name: "box-office", Calls: []Call{{Call: 3, State: "answered", Number: "555-0123"}},
			Loop:     "open",
			Incident: &Incident{Reason: "interval-short", Since: at, Advice: "do"}}}}}
	path, _ := serve(t, h)
	c, ctx := client(t, path)

	d, err := c.Daemon(ctx)
	require.NoError(t, err)
	assert.Equal(t, h.daemon, d)
	p, err := c.Pulse(ctx, "box-office", 700*time.Millisecond)
	require.NoError(t, err)
	assert.Equal(t, Pulse{Asked: 700, Measured: 700_123, Hook: "on"}, p)
	_, err = c.Pulse(ctx, "box-office", 0)
	require.NoError(t, err)
	require.NoError(t, c.SetInterval(ctx, "box-office", 650*time.Millisecond))
	require.NoError(t, c.BeginTrials(ctx, "stage door/2 é"))
	call, err := c.Ring(ctx, "stage-door")
	require.NoError(t, err)
	assert.EqualValues(t, 7, call)
	tr, err := c.Clear(ctx, "stage-door", 0, true)
	require.NoError(t, err)
	assert.Equal(t, Trial{Call: 7, Hook: "off", By: "probe"}, tr)
	require.NoError(t, c.SaveTrial(ctx, "stage-door", TrialAnswer{Trial: tr, Session: 5, Cleared: "stayed",
		RangUp: true}))
	require.NoError(t, c.EndTrials(ctx, "stage-door"))
	assert.Equal(t, []string{"pulse box-office 700ms", "pulse box-office 0s", "interval box-office 650ms",
		"begin stage door/2 é",
		"ring stage-door", "clear stage-door 0s off", "keep stage-door stayed", "end stage-door"}, h.list())
}

func TestErrorRoundTrip(t *testing.T) {
	h := &fakeBackend{err: &Error{Code: 404, Reason: ReasonNoLine,
		Text: "there is no line foyer; there are box-office and stage-door"}}
	path, logs := serve(t, h)
	c, ctx := client(t, path)
	err := c.EndTrials(ctx, "foyer")
	var e *Error
	require.ErrorAs(t, err, &e)
	assert.Equal(t, h.err, e)
	assert.Zero(t, logs.Len(), "the client got the error")

	h.fail(errors.New("the far end of the trial: no port is free"))
	require.ErrorAs(t, c.EndTrials(ctx, "foyer"), &e)
	assert.Equal(t, &Error{Code: 500, Reason: ReasonFailed, Text: h.err.Error()}, e)
	assert.Equal(t, 1, logs.Len())
}

// over sends one request to the socket unchanged.
func over(t *testing.T, path, method, target, body string) (*http.Response, []byte) {
	t.Helper()
	tr := &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn,
		error) {
		return new(net.Dialer).DialContext(ctx, "unix", path)
	}}
	r, err := http.NewRequest(method, "http://clearback"+target, strings.NewReader(body))
	require.NoError(t, err)
	a, err := tr.RoundTrip(r)
	require.NoError(t, err)
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	require.NoError(t, err)
	return a, text
}

// The status codes are those of RFC 9110, section 15.5. Allow in a 405 is that of section 10.2.1.
func TestInvalidRequests(t *testing.T) {
	h := &fakeBackend{}
	path, _ := serve(t, h)
	for _, c := range []struct {
		method, target, body string
		code                 int
		reason, text         string
	}{
		{"GET", "/", "", 404, ReasonNoVersion, "has version 1 of the control interface"},
		{"GET", "/v2/daemon", "", 404, ReasonNoVersion, "has version 1 of the control interface"},
		{"GET", "/v1", "", 404, ReasonNoPath, "there is no path"},
		{"GET", "/v1/daemon/", "", 404, ReasonNoPath, "/v1/daemon/"},
		{"POST", "/v1/lines//pulse", "", 404, ReasonNoPath, "there is no path"},
		{"POST", "/v1/lines/box-office/dance", "", 404, ReasonNoPath, "dance"},
		{"POST", "/v1/lines/box-office/trials/ring/twice", "", 404, ReasonNoPath, "twice"},
		{"POST", "/v1/daemon", "", 405, ReasonNoPath, "it allows GET"},
		{"GET", "/v1/lines/box-office/trials", "", 405, ReasonNoPath, "DELETE, POST"},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":-1}`, 400, ReasonBadBody, "allowed are 0 to 60000"},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":60001}`, 400, ReasonBadBody, "allowed are 0 to 60000"},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":9223372036854775807}`, 400, ReasonBadBody,
			"allowed are 0 to 60000"},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":700.5}`, 400, ReasonBadBody, "number 700.5"},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":700,"loud":true}`, 400, ReasonBadBody,
			`unknown field "loud"`},
		{"POST", "/v1/lines/box-office/pulse", `{"interval_ms":700}{}`, 400, ReasonBadBody, "after the JSON object"},
		{"POST", "/v1/lines/box-office/pulse", `700`, 400, ReasonBadBody, "one JSON object"},
		{"POST", "/v1/lines/box-office/pulse", "{" + strings.Repeat(" ", bodyMax) + "}", 413, ReasonBadBody,
			"longer than 65536"},
		{"PUT", "/v1/lines/box-office/interval", ``, 400, ReasonBadBody, "interval_ms is missing"},
		{"PUT", "/v1/lines/box-office/interval", `{"interval_ms":0}`, 400, ReasonBadBody, "interval_ms is 0"},
		{"POST", "/v1/lines/box-office/trials", `{"line":"x"}`, 400, ReasonBadBody, "unknown field"},
		{"DELETE", "/v1/lines/box-office/trials", `{"line":"x"}`, 400, ReasonBadBody, "unknown field"},
		{"POST", "/v1/lines/box-office/trials/ring", `[]`, 400, ReasonBadBody, "one JSON object"},
		{"POST", "/v1/lines/box-office/trials/clear", `{"pulse_dialling_off":true}`, 400, ReasonBadBody,
			"interval_ms is missing"},
		{"POST", "/v1/lines/box-office/trials/keep", `{"cleared":"perhaps"}`, 400, ReasonBadBody, `"perhaps"`},
	} {
		a, text := over(t, path, c.method, c.target, c.body)
		assert.Equal(t, c.code, a.StatusCode, "%s %s %.60s", c.method, c.target, c.body)
		assert.Equal(t, "1", a.Header.Get(versionHeader))
		assert.Equal(t, c.code == 405, a.Header.Get("Allow") != "", c.target)
		var e Error
		require.NoError(t, json.Unmarshal(text, &e), "%s", text)
		assert.Equal(t, c.reason, e.Reason, c.target)
		assert.Contains(t, e.Text, c.text)
	}
	assert.Empty(t, h.list())
}

// listener is an in-memory listener, so that time-outs use the virtual clock of a test.
type listener struct {
	conns  chan net.Conn // no buffer: a connection exists once it is accepted
	closed chan struct{}
	once   sync.Once
}

func newListener() *listener {
	return &listener{conns: make(chan net.Conn), closed: make(chan struct{})}
}

func (l *listener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.closed:
		return nil, net.ErrClosed
	}
}

func (l *listener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}

func (l *listener) Addr() net.Addr { return &net.UnixAddr{Name: "memory", Net: "unix"} }

func (l *listener) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case l.conns <- theirs:
		return ours, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// A client that disconnects cancels its ring, also one that lasts longer than the read timeout. A pulse continues.
func TestClientDisconnects(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began, ended := make(chan struct{}), make(chan error, 1)
		h := &fakeBackend{}
		wait := func(ctx context.Context) error {
			began <- struct{}{}
			<-ctx.Done()
			ended <- ctx.Err()
			return ctx.Err()
		}
		h.ring = func(ctx context.Context) (uint64, error) { return 0, wait(ctx) }
		h.pulse = func(ctx context.Context) (Pulse, error) { return Pulse{}, wait(ctx) }
		l, s := newListener(), newServer(Options{Backend: h})
		s.serve(l)
		c := NewClient("")
		c.http.Transport = &http.Transport{DialContext: l.dial}
		defer c.Close()

		ctx, leave := context.WithCancel(t.Context())
		left := make(chan error, 1)
		go func() { _, err := c.Ring(ctx, "box-office"); left <- err }()
		<-began
		time.Sleep(2 * readTimeout)
		assert.Empty(t, ended, "the ring ended by itself")
		leave()
		synctest.Wait()
		assert.ErrorIs(t, <-ended, context.Canceled)
		assert.ErrorIs(t, <-left, context.Canceled)

		ctx, leave = context.WithCancel(t.Context())
		go func() { _, err := c.Pulse(ctx, "box-office", 0); left <- err }()
		<-began
		leave()
		<-left
		time.Sleep(2 * readTimeout)
		assert.Empty(t, ended, "the pulse was withdrawn")
		require.NoError(t, s.Close())
		assert.Len(t, ended, 1, "Close ends the pulse and waits for it")
	})
}

// An incomplete request occupies nothing for longer than the limit, and does not delay Close.
func TestStuckClients(t *testing.T) {
	// The server sends 100 Continue when it begins to read the body (RFC 9110, section 10.1.1).
	halves := []string{"GET /v1/dae",
		"POST /v1/lines/box-office/pulse HTTP/1.1\r\nHost: x\r\nContent-Length: 20\r\nExpect: 100-continue\r\n\r\n"}
	for _, closes := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			h, l, began := &fakeBackend{}, newListener(), time.Now()
			s := newServer(Options{Backend: h})
			s.serve(l)
			var conns []net.Conn
			for _, half := range halves {
				conn, err := l.dial(t.Context(), "", "")
				require.NoError(t, err)
				_, err = io.WriteString(conn, half)
				require.NoError(t, err)
				conns = append(conns, conn)
			}
			first, err := bufio.NewReader(conns[1]).ReadString('\n')
			require.NoError(t, err)
			require.Equal(t, "HTTP/1.1 100 Continue\r\n", first)
			limit := readTimeout
			if closes {
				go s.Close()
				limit = closeTimeout
			}
			for _, conn := range conns {
				_, err := io.Copy(io.Discard, conn)
				require.NoError(t, err)
			}
			assert.Equal(t, limit, time.Since(began))
			require.NoError(t, s.Close())
			assert.Empty(t, h.list())
		})
	}
}

func TestOtherVersions(t *testing.T) {
	for header, want := range map[string]string{"2": "has version 2 of the control interface, this program has version 1",
		"": "not a clearback daemon"} {
		path := filepath.Join(t.TempDir(), "control")
		l, err := net.Listen("unix", path)
		require.NoError(t, err)
		s := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			if header != "" {
				w.Header().Set(versionHeader, header)
			}
			w.WriteHeader(http.StatusNotFound)
		})}
		ended := make(chan error)
		go func() { ended <- s.Serve(l) }()
		c, ctx := client(t, path)
		_, err = c.Daemon(ctx)
		assert.ErrorIs(t, err, ErrVersion)
		assert.ErrorContains(t, err, want)
		require.NoError(t, s.Close())
		<-ended
	}
}

// An independent client (curl) gets what the package comment promises.
func TestCurl(t *testing.T) {
	curl := programtest.Need(t, "curl", "curl")
	h := &fakeBackend{daemon: Daemon{API: 1, Lines: []Line{{Name: "box-office", Loop: "closed"}}}}
	path, _ := serve(t, h)
	run := func(args ...string) (body, code string) {
		out, err := exec.Command(curl, append([]string{"-sS", "--max-time", "5", "--unix-socket", path, "-w",
			"\n%{http_code}"}, args...)...).CombinedOutput()
		require.NoError(t, err, "%s", out)
		i := bytes.LastIndexByte(out, '\n')
		return strings.TrimSpace(string(out[:i])), string(out[i+1:])
	}
	body, code := run("http://clearback/v1/daemon")
	assert.Equal(t, "200", code)
	var d struct {
		API   int
		Lines []struct{ Name, Loop string }
	}
	require.NoError(t, json.Unmarshal([]byte(body), &d))
	assert.Equal(t, 1, d.API)
	assert.Equal(t, "box-office", d.Lines[0].Name)
	body, code = run("-X", "PUT", "-d", `{"interval_ms":700}`, "http://clearback/v1/lines/box-office/interval")
	assert.Equal(t, "204", code)
	assert.Empty(t, body)
	body, code = run("-d", `{"interval_ms":700}`, "http://clearback/v1/lines/box-office/pulse")
	assert.Equal(t, "200", code)
	assert.Equal(t, `{"asked_ms":700,"measured_us":700123,"hook":"on"}`, body)
	h.fail(&Error{Code: 409, Reason: ReasonBusy, Text: "a tuning session is under way"})
	body, code = run("-X", "POST", "http://clearback/v1/lines/box-office/trials")
	assert.Equal(t, "409", code)
	assert.Equal(t, `{"error":"busy","text":"a tuning session is under way"}`, body)
}

// Every request gets JSON or an empty body, with a status from the package comment. Only valid durations are passed on.
func FuzzRequest(f *testing.F) {
	f.Add("POST", "/v1/lines/box-office/pulse", `{"interval_ms":700}`)
	f.Add("PUT", "/v1/lines/%2e%2e/interval", `{"interval_ms":1e3}`)
	f.Add("POST", "/v1/lines/a/trials/clear", `{"interval_ms":0,"pulse_dialling_off":true}`)
	f.Add("PUT", "/v1/lines/0/interval", `{"interval_ms":1}`)
	f.Add("DELETE", "/v1/lines/a/trials", "")
	f.Add("GET", "/v1/daemon", "{}")
	f.Add("POST", "/v1/lines/a/trials/keep", `{"trial":{"call":1},"cleared":"stayed"}`)
	f.Fuzz(func(t *testing.T, method, target, body string) {
		r, err := http.NewRequest(method, "http://clearback"+target, strings.NewReader(body))
		if err != nil || r.URL.Host != "clearback" {
			t.Skip()
		}
		h := &fakeBackend{}
		s := newServer(Options{Backend: h})
		defer s.stop()
		w := &recorder{header: http.Header{}}
		s.ServeHTTP(w, r)
		switch w.code {
		case 204:
			assert.Empty(t, w.body)
		case 200, 400, 404, 405, 413:
			assert.True(t, json.Valid(w.body), "%s", w.body)
		default:
			t.Errorf("code %d", w.code)
		}
		for _, told := range h.list() {
			if of, interval, ok := lastCut(told); ok && strings.HasPrefix(of, "interval ") {
				if d, err := time.ParseDuration(interval); err != nil || d <= 0 || d > time.Minute {
					t.Errorf("handed on: %s", told)
				}
			}
		}
	})
}

// lastCut cuts s at its last space. A line's name may contain spaces, or be a number.
func lastCut(s string) (before, after string, ok bool) {
	i := strings.LastIndexByte(s, ' ')
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+1:], true
}

// recorder is a ResponseWriter without a connection.
type recorder struct {
	header http.Header
	code   int
	body   []byte
}

func (w *recorder) Header() http.Header  { return w.header }
func (w *recorder) WriteHeader(code int) { w.code = code }
func (w *recorder) Write(b []byte) (int, error) {
	w.body = append(w.body, b...)
	return len(b), nil
}

// A client whose request is pending when the server closes gets the response, not a lost connection.
func TestAnswerDuringClose(t *testing.T) {
	for range 100 {
		asked := make(chan struct{})
		h := &fakeBackend{pulse: func(ctx context.Context) (Pulse, error) {
			close(asked)
			<-ctx.Done()
			return Pulse{}, &Error{Code: http.StatusServiceUnavailable, Reason: ReasonStopped,
				Text: "the daemon is ending"}
		}}
		path := filepath.Join(t.TempDir(), "control")
		s, err := Listen(Options{Path: path, Backend: h})
		require.NoError(t, err)
		c := NewClient(path)
		answered := make(chan error, 1) // one response, taken below
		go func() { _, err := c.Pulse(t.Context(), "box-office", 0); answered <- err }()
		<-asked
		require.NoError(t, s.Close())
		require.EqualError(t, <-answered, "the daemon is ending")
		c.Close()
	}
}
