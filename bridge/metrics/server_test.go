package metrics

import (
	"bufio"
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
	r, err := http.NewRequestWithContext(t.Context(), method, "http://"+s.addr.String()+path, nil)
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

// While a scrape hangs, lines count and the health is answered. Close does not wait for it.
func TestScrapeThatHangs(t *testing.T) {
	begun, hang := make(chan struct{}), make(chan struct{}) // hang is closed at the end
	b := newBed(t)
	m := New("v0", func() State {
		close(begun)
		<-hang
		return State{}
	})
	s := listen(t, m, yes, nothing)
	b.line.m = m
	left := make(chan error, 1) // one result
	go func() {
		_, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Get("http://" + s.addr.String() + "/metrics")
		left <- err
	}()
	<-begun
	code, _ := get(t, s, "GET", "/healthz")
	require.Equal(t, http.StatusOK, code)
	b.call(7).opens(7, 1, supervision.HookOn) // would hang if it waited
	require.NoError(t, s.Close())             // would hang too
	require.Error(t, <-left)
	close(hang)
}

// Answers are made one at a time, and the next waits. One that takes too long is given up, and says where to look. It
// stays the one that is made until it ends.
func TestAnswersAreTimely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &Server{making: make(chan struct{}, 1)} // as Listen makes it
		hang := make(chan struct{})                  // closed at the end
		begun := 0
		h := s.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
			begun++
			<-hang
		}))
		ask := func() *httptest.ResponseRecorder {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
			return w
		}
		for range 2 {
			began := time.Now()
			w := ask()
			require.Equal(t, answerTimeout, time.Since(began))
			require.Equal(t, http.StatusServiceUnavailable, w.Code)
			require.Equal(t, "a line does not answer; see /healthz\n", w.Body.String())
			synctest.Wait()
			require.Equal(t, 1, begun)
		}
		next := make(chan int, 1) // one result
		go func() { next <- ask().Code }()
		synctest.Wait()
		close(hang)
		require.Equal(t, http.StatusOK, <-next)
		require.Equal(t, 2, begun)
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

	synctest.Test(t, func(t *testing.T) {
		s := &Server{making: make(chan struct{}, 1)} // as Listen makes it
		h := s.bounded(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
		refused := 0
		for range 3 * requestRate { // in no time
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
			if w.Code == http.StatusServiceUnavailable {
				refused++
			}
		}
		require.Equal(t, 2*requestRate, refused)
	})
}

// pipes is a listener in memory.
type pipes chan net.Conn

func (p pipes) Accept() (net.Conn, error) {
	if c, ok := <-p; ok {
		return c, nil
	}
	return nil, net.ErrClosed
}

func (p pipes) Close() error { close(p); return nil }

func (pipes) Addr() net.Addr { return &net.TCPAddr{} }

// A client that holds every connection keeps others out only until one of them closes.
func TestConnectionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := make(pipes) // unbuffered: a connection that is not accepted waits
		s := serve(Options{Metrics: newBed(t).Metrics, Healthy: yes, Logger: zap.NewNop()}, l)
		var held []net.Conn
		dial := func() (accepted bool) {
			synctest.Wait() // the server accepts, or has no room
			ours, its := net.Pipe()
			held = append(held, ours)
			select {
			case l <- its:
				return true
			default:
				return false
			}
		}
		for range connectionsMost {
			require.True(t, dial())
		}
		require.False(t, dial())
		require.NoError(t, held[0].Close())
		require.True(t, dial())
		_, err := fmt.Fprint(held[len(held)-1], "GET /healthz HTTP/1.1\r\nHost: stage.millrace.example\r\n\r\n")
		require.NoError(t, err)
		res, err := http.ReadResponse(bufio.NewReader(held[len(held)-1]), nil)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, res.StatusCode)
		require.NoError(t, s.Close())
	})
}

// A port that somebody else has is an error that names the key.
func TestPortTaken(t *testing.T) {
	s := listen(t, newBed(t).Metrics, yes, nothing)
	_, err := Listen(Options{Address: netip.MustParseAddrPort(s.addr.String()), Metrics: newBed(t).Metrics,
		Logger: zap.NewNop()})
	require.ErrorContains(t, err, "metrics.listen: ")
}
