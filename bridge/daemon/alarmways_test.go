package daemon

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/relay/drivers"
	"clearback/config"
	"clearback/supervision/alarm"
)

// SAFETY.md S131. With the real queue: a contact that could not be closed is told before the daemon has ended.
func TestAlarmAtTheEnd(t *testing.T) {
	told := make(chan alarm.Message, 1) // the one that is expected
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m alarm.Message
		if json.NewDecoder(r.Body).Decode(&m) == nil {
			told <- m
		}
	}))
	defer server.Close()
	c := &config.Config{Alarms: config.Alarms{Folder: filepath.Join(t.TempDir(), "alarms"), PerHour: 12,
		Ways: []config.AlarmWay{{Name: "hook", Webhook: &config.Webhook{URL: config.NewSecret(server.URL)}}}}}
	d := &Daemon{log: zap.NewNop(), addresses: &addressWatch{}}
	d.reloads = &reloads{d: d} // the check of the certificates may have a look before the end
	d.lines.Store(&[]*Line{})
	d.alarms = newAlarmRunner(d, c)
	d.alarms.end = time.Minute // the machine may be slow; it ends as soon as it has told
	d.alarms.start()
	d.alarms.close([]drivers.NotClosed{{Line: "stage-door", Controller: "cabinet", Err: errors.New("no answer")}}, false)
	require.Len(t, told, 1)
	m := <-told
	require.True(t, m.Urgent)
	require.Equal(t, "line/stage-door/loop", m.Alarms[0].Key)
}

// TestWaysOfAFile checks that a way which cannot be made keeps its messages until a reload mends it, and that a way
// with the same settings stays.
func TestWaysOfAFile(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		program := func(path string) config.AlarmWay {
			return config.AlarmWay{Name: "horn", Program: &config.AlarmProgram{Path: path}}
		}
		c := &config.Config{Alarms: config.Alarms{Folder: folder, Ways: []config.AlarmWay{program("not absolute"), {Name: "none"}}}}
		q := openAlarmQueue(c, zap.NewNop()).(*fileQueue)
		require.NoError(t, q.Put(alarm.Test("Millrace Playhouse", "a-1", time.Now()), nil))
		time.Sleep(time.Second)
		require.Contains(t, q.Status()["horn"].Failure, "not an absolute path")
		require.Equal(t, 1, q.Status()["horn"].Waiting)
		require.Contains(t, q.Status()["none"].Failure, "has no kind")
		c = &config.Config{Alarms: config.Alarms{Folder: folder, Ways: []config.AlarmWay{program("/none/horn")}}}
		q.Configure(c)
		first := q.ways["horn"].Way
		require.Equal(t, 1, q.Status()["horn"].Waiting)
		c = &config.Config{Alarms: config.Alarms{Folder: folder, Ways: []config.AlarmWay{program("/none/horn")}}}
		q.Configure(c)
		require.Same(t, first, q.ways["horn"].Way)
		time.Sleep(time.Minute)
		require.Contains(t, q.Status()["horn"].Failure, "/none/horn")
		require.Equal(t, 1, q.Status()["horn"].Waiting)
		require.NoError(t, q.Close(time.Second))
	})
}
