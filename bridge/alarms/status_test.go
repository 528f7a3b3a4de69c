package alarms

import (
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// TestAttempts checks what Status counts, also after a reload has replaced the way, and how old what waits is, also
// after another process has taken it over.
func TestAttempts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: refuses}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.Zero(t, q.Status()["w"].Oldest)
		first := message(t, "a-1", false)
		require.NoError(t, q.Put(first, nil))
		time.Sleep(time.Hour)
		w.set(down)
		require.NoError(t, q.Put(message(t, "a-2", false), nil))
		time.Sleep(time.Second)
		s := q.Status()["w"]
		require.Equal(t, Attempts{Failed: 1, Refused: 1}, s.Attempts)
		require.Equal(t, first.At, s.Oldest.UTC())
		require.NoError(t, q.Close(time.Second))

		q, _ = openQueue(dir, map[string]Way{"w": &fakeWay{answer: down}})
		time.Sleep(time.Second)
		require.Equal(t, first.At, q.Status()["w"].Oldest.UTC())
		failed := q.Status()["w"].Attempts.Failed
		require.Positive(t, failed)
		q.SetWays(map[string]Way{"w": &fakeWay{}})
		time.Sleep(time.Minute)
		s = q.Status()["w"]
		require.Equal(t, Attempts{Accepted: 2, Failed: failed}, s.Attempts)
		require.Zero(t, s.Oldest)
		require.NoError(t, q.Close(time.Second))
	})
}
