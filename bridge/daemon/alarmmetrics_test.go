package daemon

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/alarms"
	"clearback/bridge/daemon/daemontest"
	"clearback/config"
	"clearback/supervision/alarm"
)

// TestMetricsOfTheAlarms checks what Prometheus reads over HTTP about a webhook that refuses an alarm, and later
// accepts it. The webhook's address is nowhere in it.
func TestMetricsOfTheAlarms(t *testing.T) {
	var accepts atomic.Bool
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if !accepts.Load() {
			w.WriteHeader(http.StatusForbidden)
		}
	}))
	defer hook.Close()
	c, _ := stage(t)
	c.Alarms = config.Alarms{Folder: filepath.Join(t.TempDir(), "alarms"), PerHour: 12,
		Ways: []config.AlarmWay{{Name: "office", Webhook: &config.Webhook{URL: config.NewSecret(hook.URL)}}}}
	c.Metrics.Listen = netip.MustParseAddrPort(daemontest.FreePort(t))
	d, _ := startTestDaemon(t, c)
	stop := d.serveMetrics(c.Metrics.Listen, func() bool { return true })
	defer stop()
	shows := func(want ...string) {
		t.Helper()
		var body string
		require.Eventually(t, func() bool {
			_, body = get(c, "/metrics")
			for _, s := range want {
				if !strings.Contains(body, "\nclearback_alarm"+s+"\n") {
					return false
				}
			}
			return true
		}, time.Minute, 50*time.Millisecond, "%s", want)
		require.NotContains(t, body, strings.TrimPrefix(hook.URL, "http://"))
	}
	shows(`_messages_waiting{way="office"} 0`, `_way_failing{way="office"} 0`)
	d.alarms.post(alarm.Report{State: alarm.Event, Times: 1, Alarm: alarm.Alarm{Key: "line/box-office/emergency-failed",
		Class: alarm.ClassEmergency, Line: "box-office", Reason: "emergency-failed", What: "It failed.", Since: time.Now()}})
	shows(`_attempts_total{result="refused",way="office"} 1`,
		`_attempts_total{result="accepted",way="office"} 0`, `_messages_waiting{way="office"} 1`,
		`_way_failing{way="office"} 1`)
	accepts.Store(true)
	again := *c
	d.alarms.configure(&again)
	shows(`_attempts_total{result="accepted",way="office"} 1`, `_attempts_total{result="refused",way="office"} 1`,
		`_messages_waiting{way="office"} 0`, `_oldest_waiting_seconds{way="office"} 0`, `_way_failing{way="office"} 0`)
	none := *c
	none.Alarms.Ways = nil
	d.alarms.configure(&none)
	require.Eventually(t, func() bool {
		_, body := get(c, "/metrics")
		return strings.Contains(body, "clearback_journal_healthy") && !strings.Contains(body, "clearback_alarm")
	}, time.Minute, 50*time.Millisecond)
}

// TestStandingAlarms checks how many alarms of each class stand, before they are told too, and that a class stays when
// its last alarm has ended.
func TestStandingAlarms(t *testing.T) {
	folder := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		q := &messageQueue{onDisk: true, states: map[string]alarms.Status{"horn": {}}}
		a := newRunner(folder, q)
		lost := func(state alarm.State, key string) {
			a.post(alarm.Report{State: state, After: time.Hour, Times: 1, Alarm: alarm.Alarm{Key: key,
				Class: alarm.ClassController, Since: time.Now()}})
			synctest.Wait()
		}
		stand := func(want map[alarm.Class]int) {
			t.Helper()
			standing, ways := a.figures()
			require.Equal(t, want, standing)
			require.Equal(t, q.states, ways)
		}
		time.Sleep(alarmFirstRead) // the folder has been read
		synctest.Wait()
		stand(map[alarm.Class]int{})
		lost(alarm.Stands, "controller/cabinet")
		lost(alarm.Stands, "controller/foyer")
		stand(map[alarm.Class]int{alarm.ClassController: 2})
		require.Empty(t, q.told())
		lost(alarm.Ended, "controller/cabinet")
		lost(alarm.Ended, "controller/foyer")
		stand(map[alarm.Class]int{alarm.ClassController: 0})
		a.close(nil, false)
	})
}
