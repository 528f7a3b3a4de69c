package metrics

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"clearback/bridge/loopbacktest"
	"clearback/supervision"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// listen serves the numbers until the test ends.
func listen(t *testing.T, m *Metrics, healthy func() bool, unready func() []string) *Server {
	t.Helper()
	s, err := Listen(Options{Address: netip.AddrPortFrom(loopbacktest.Address(t), 0), Metrics: m, Healthy: healthy,
		Unready: unready, Logger: zap.NewNop()})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

func yes() bool { return true }

func nothing() []string { return nil }

// get asks once, on a connection of its own.
func get(t testing.TB, s *Server, method, path string) (code int, body string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, "http://"+s.Addr().String()+path, nil)
	require.NoError(t, err)
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Do(r)
	require.NoError(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, string(text)
}

func TestPaths(t *testing.T) {
	healthy, why := true, []string(nil)
	s := listen(t, newBed(t).Metrics, func() bool { return healthy }, func() []string { return why })
	code, body := get(t, s, "GET", "/metrics")
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, body, "\nclearback_emergency_calls_total{line=\"box-office\"} 0\n")
	for _, path := range []string{"/healthz", "/readyz"} {
		code, body = get(t, s, "GET", path)
		require.Equal(t, http.StatusOK, code, path)
		require.Equal(t, "ok\n", body, path)
	}
	healthy, why = false, []string{"line box-office: why", "the journal: why"}
	code, body = get(t, s, "GET", "/healthz")
	require.Equal(t, http.StatusServiceUnavailable, code)
	require.Equal(t, "a line is stuck; the log says which\n", body)
	code, body = get(t, s, "GET", "/readyz")
	require.Equal(t, http.StatusServiceUnavailable, code)
	require.Equal(t, "line box-office: why\nthe journal: why\n", body)
}

// Nothing but reading is answered.
func TestOnlyReading(t *testing.T) {
	s := listen(t, newBed(t).Metrics, yes, nothing)
	for _, method := range []string{"POST", "PUT", "DELETE", "OPTIONS"} {
		for _, path := range []string{"/metrics", "/healthz", "/readyz"} {
			code, _ := get(t, s, method, path)
			require.Equal(t, http.StatusMethodNotAllowed, code, "%s %s", method, path)
		}
	}
	code, _ := get(t, s, "GET", "/debug/pprof/")
	require.Equal(t, http.StatusNotFound, code)
}

// While scrapes hang, lines count, the health is answered, and no more than two scrapes begin. Close does not wait for
// ever.
func TestScrapeThatHangs(t *testing.T) {
	begun, hang := make(chan struct{}), make(chan struct{}) // hang is closed at the end
	b := newBed(t)
	m := New("v0", func() State {
		begun <- struct{}{}
		<-hang
		return State{}
	})
	s := listen(t, m, yes, nothing)
	b.line.m = m
	ctx, leave := context.WithCancel(t.Context())
	left := make(chan error, scrapesMost) // one result each
	for range scrapesMost {
		go func() {
			r, _ := http.NewRequestWithContext(ctx, "GET", "http://"+s.Addr().String()+"/metrics", nil)
			_, err := (&http.Transport{DisableKeepAlives: true}).RoundTrip(r)
			left <- err
		}()
		<-begun
	}
	for _, path := range []string{"/metrics", "/readyz"} {
		code, body := get(t, s, "GET", path)
		require.Equal(t, http.StatusServiceUnavailable, code)
		require.Equal(t, "too many requests at once; try again\n", body)
	}
	code, _ := get(t, s, "GET", "/healthz")
	require.Equal(t, http.StatusOK, code)
	b.call(7).opens(7, 1, supervision.HookOn) // would hang if it waited
	leave()
	for range scrapesMost {
		require.ErrorIs(t, <-left, context.Canceled)
	}
	began := time.Now()
	require.NoError(t, s.Close())
	require.Less(t, time.Since(began), 4*closeTimeout)
	close(hang)
	for range scrapesMost { // both have ended
		s.slots <- struct{}{}
	}
	for range scrapesMost {
		<-s.slots
	}
}

// An answer that takes too long is given up, and says where to look. Its place stays taken until it ends.
func TestAnswersAreTimely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Server{slots: make(chan struct{}, 1)} // one answer at once
		hang := make(chan struct{})                 // closed at the end
		h := s.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-hang }))
		ask := func() *httptest.ResponseRecorder {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
			return w
		}
		began := time.Now()
		w := ask()
		require.Equal(t, answerTimeout, time.Since(began))
		require.Equal(t, http.StatusServiceUnavailable, w.Code)
		require.Equal(t, "a line does not answer; see /healthz\n", w.Body.String())
		began = time.Now()
		require.Equal(t, "too many requests at once; try again\n", ask().Body.String())
		require.Zero(t, time.Since(began))
		close(hang)
		synctest.Wait()
		require.Equal(t, http.StatusOK, ask().Code)
	})
}

// 20 requests pass at once, and then 20 a second, from everybody together.
func TestRequestRate(t *testing.T) {
	var r rate
	now := time.Now()
	passed := 0
	for i := range 10_000 { // for 10 s
		if r.take(now.Add(time.Duration(i) * time.Millisecond)) {
			passed++
		}
	}
	require.Equal(t, 20+10*20, passed)
	require.True(t, r.take(now.Add(time.Minute)))

	s := &Server{slots: make(chan struct{}, scrapesMost)}
	h := s.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	refused := 0
	for range 3 * requestRate {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		if w.Code == http.StatusServiceUnavailable {
			refused++
		}
	}
	require.Positive(t, refused)
}

// A client that holds every connection keeps others out only until one of them closes.
func TestConnectionsAreBounded(t *testing.T) {
	s := listen(t, newBed(t).Metrics, yes, nothing)
	dial := func() net.Conn {
		c, err := net.Dial("tcp", s.Addr().String())
		require.NoError(t, err)
		return c
	}
	ask := func(c net.Conn) (*http.Response, error) {
		_, err := fmt.Fprint(c, "GET /healthz HTTP/1.1\r\nHost: stage.millrace.example\r\n\r\n")
		require.NoError(t, err)
		return http.ReadResponse(bufio.NewReader(c), nil)
	}
	var held []net.Conn
	for range connectionsMost {
		c := dial()
		defer c.Close()
		res, err := ask(c) // it is accepted
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		held = append(held, c)
	}
	last := dial()
	defer last.Close()
	require.NoError(t, last.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
	_, err := ask(last)
	require.ErrorContains(t, err, "timeout")
	require.NoError(t, held[0].Close())
	require.NoError(t, last.SetReadDeadline(time.Now().Add(10*time.Second)))
	res, err := http.ReadResponse(bufio.NewReader(last), nil)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, res.StatusCode)
	require.NoError(t, res.Body.Close())
}

// A port that somebody else has is an error that names the key.
func TestPortTaken(t *testing.T) {
	s := listen(t, newBed(t).Metrics, yes, nothing)
	_, err := Listen(Options{Address: netip.MustParseAddrPort(s.Addr().String()), Metrics: newBed(t).Metrics,
		Logger: zap.NewNop()})
	require.ErrorContains(t, err, "metrics.listen: ")
}
