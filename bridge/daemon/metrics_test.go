package daemon

import (
	"io"
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/daemon/daemontest"
	"clearback/config"
	"clearback/supervision"
)

// get asks the metrics of a daemon. If there is no answer, code is 0 and body is the error.
func get(c *config.Config, path string) (code int, body string) {
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Get("http://" + c.Metrics.Listen.String() + path)
	if err != nil {
		return 0, err.Error()
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		return 0, err.Error()
	}
	return res.StatusCode, string(text)
}

// runTestDaemon runs the daemon of a configuration until it gets a signal. ended gets the error of Run.
func runTestDaemon(t *testing.T, c *config.Config, o Options) (signals chan os.Signal, ended chan error) {
	t.Helper()
	signals, ended = make(chan os.Signal, 1), make(chan error, 1) // one of each
	ready := make(chan struct{})                                  // closed when the daemon is ready
	o.Notify = func(state string) {
		if state == "READY=1" {
			close(ready)
		}
	}
	go func() {
		_, err := Run(c, o, signals)
		ended <- err
	}()
	select {
	case <-ready:
	case err := <-ended:
		t.Fatal("the daemon ended: ", err)
	}
	return signals, ended
}

// A daemon whose file has metrics.listen shows what its lines do, whether it runs and whether it serves them, without a
// service manager that has a watchdog. A daemon without the key counts nothing.
func TestMetrics(t *testing.T) {
	c, _ := stage(t)
	plain, _ := startTestDaemon(t, c)
	require.Nil(t, plain.metrics)
	require.Nil(t, plain.Line("box-office").metrics)
	require.NoError(t, plain.Close())

	c.Metrics.Listen = netip.MustParseAddrPort(daemontest.FreePort(t))
	signals, ended := runTestDaemon(t, c, Options{Logger: zap.NewNop(), Version: "v0.0.0-millrace"})
	shows := func(path, text string) {
		t.Helper()
		var code int
		var body string
		require.Eventually(t, func() bool {
			code, body = get(c, path)
			return code == http.StatusOK && strings.Contains(body, text)
		}, 10*time.Second, 100*time.Millisecond, "%d %s", code, body)
	}
	shows("/healthz", "ok\n")
	shows("/readyz", "ok\n") // once the board is connected
	shows("/metrics", `clearback_service_registered{line="box-office",service="first"} 1`)
	shows("/metrics", "clearback_journal_healthy 1\n")
	shows("/metrics", `version="v0.0.0-millrace"`)
	shows("/metrics", `clearback_rejected_total{what="wrong passwords"} 0`)
	signals <- os.Interrupt
	require.NoError(t, <-ended)
	_, err := net.Dial("tcp", c.Metrics.Listen.String())
	require.Error(t, err, "the port is closed")
}

// Without its controller the daemon is not ready, although it runs.
func TestNotReadyWithoutTheBoard(t *testing.T) {
	c := daemontest.Load(t, daemontest.File(t, daemontest.FreePort(t), daemontest.Answering(t, "200 OK"), "192.0.2.2:5060"))
	c.Metrics.Listen = netip.MustParseAddrPort(daemontest.FreePort(t))
	signals, ended := runTestDaemon(t, c, Options{Logger: zap.NewNop(), closeFor: time.Millisecond})
	code, body := get(c, "/readyz")
	require.Equal(t, http.StatusServiceUnavailable, code)
	require.Contains(t, body, "a controller is not connected\n")
	code, _ = get(c, "/healthz")
	require.Equal(t, http.StatusOK, code)
	signals <- os.Interrupt
	require.NoError(t, <-ended)
}

// A port that is taken costs the metrics and nothing else.
func TestMetricsPortTaken(t *testing.T) {
	c, _ := stage(t)
	taken, err := net.Listen("tcp", daemontest.FreePort(t))
	require.NoError(t, err)
	defer taken.Close()
	c.Metrics.Listen = netip.MustParseAddrPort(taken.Addr().String())
	core, logs := observer.New(zap.ErrorLevel)
	signals, ended := runTestDaemon(t, c, Options{Logger: zap.New(core)})
	require.Equal(t, 1, logs.FilterMessage("no metrics; the lines are served without them").Len())
	signals <- os.Interrupt
	require.NoError(t, <-ended)
}

// The numbers can be read until the daemon has ended, and say nothing wrong: it is not ready any more.
func TestMetricsWhileEnding(t *testing.T) {
	c, _ := stage(t)
	c.Metrics.Listen = netip.MustParseAddrPort("127.0.0.1:1") // nothing listens: Start does not serve them
	d, _ := startTestDaemon(t, c)
	l := d.Line("box-office")
	l.line.Post(supervision.Event{Kind: supervision.CallRequested, Call: 41})
	l.line.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 41})
	require.NoError(t, d.Close())
	require.Equal(t, []string{"the daemon is ending"}, d.unready())
	state := d.metricsState()
	require.Len(t, state.Lines, 1)
	require.Positive(t, state.Daemon.Journal.Written)
}
