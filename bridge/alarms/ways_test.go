package alarms

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
)

// TestCloseSendsUrgent checks that Close first tries urgent messages that nobody has tried yet, and no others, even in
// a pause; but not if it has no time, and that what was not sent is sent by the next queue.
func TestCloseSendsUrgent(t *testing.T) {
	for name, limit := range map[string]time.Duration{"stop": leastTries, "hand-over": leastTries / 10} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "alarms")
			synctest.Test(t, func(t *testing.T) {
				w, paused := &fakeWay{}, &fakeWay{answer: down}
				ways := map[string]Way{"w": w, "paused": paused}
				q, _ := openQueue(dir, ways)
				require.NoError(t, q.Put(message(t, "a-1", true), nil))
				time.Sleep(time.Second)
				tries := len(paused.attempts())
				slow := func(context.Context, *alarm.Message) error { time.Sleep(limit / 4); return nil }
				w.set(slow)
				paused.set(slow)
				require.NoError(t, q.Put(message(t, "a-2", false), nil))
				synctest.Wait() // it is being sent by w
				require.NoError(t, q.Put(message(t, "a-3", false), nil))
				require.NoError(t, q.Put(message(t, "a-4", true), nil))
				begin := time.Now()
				require.NoError(t, q.Close(limit))
				if name == "stop" {
					require.Equal(t, []string{"a-1", "a-2", "a-4"}, w.got())
					require.Equal(t, []string{"a-4"}, paused.got())
					require.Equal(t, limit/2, time.Since(begin))
				} else {
					require.Equal(t, []string{"a-1", "a-2"}, w.got())
					require.Len(t, paused.attempts(), tries)
				}
				q, _ = openQueue(dir, ways)
				time.Sleep(time.Minute)
				require.NoError(t, q.Close(limit))
				all := []string{"a-1", "a-2", "a-3", "a-4"}
				require.ElementsMatch(t, all, w.got())
				require.ElementsMatch(t, all, paused.got())
				require.Empty(t, files(t, dir))
			})
		})
	}
}

// TestSetWays checks that other ways go on with what waits and what was refused, without a disk too, and that durable
// is called for each message, whatever happens to its way.
func TestSetWays(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "none", "alarms")
	synctest.Test(t, func(t *testing.T) {
		kept, hung, refused := &fakeWay{answer: down}, &fakeWay{answer: hangs}, &fakeWay{answer: refuses}
		q, logs := openQueue(dir, map[string]Way{"kept": kept, "hung": hung, "refused": refused, "gone": &fakeWay{answer: down}})
		var durable atomic.Int32
		for _, id := range ids("a", 5) {
			require.NoError(t, q.Put(message(t, id, false), func(err error) {
				if err != nil {
					durable.Add(1)
				}
			}))
		}
		time.Sleep(time.Second)
		require.EqualValues(t, 5, durable.Load())
		require.Equal(t, 5, q.Status()["refused"].Refused)
		require.Len(t, hung.attempts(), 1)
		better, other := &fakeWay{}, &fakeWay{}
		kept.set(nil)
		added := &fakeWay{answer: down}
		q.SetWays(map[string]Way{"kept": kept, "hung": better, "refused": other, "new": added})
		require.NoError(t, q.Put(message(t, "b", false), nil))
		time.Sleep(leaveTime - time.Millisecond)
		want := append(ids("a", 5), "b")
		require.Equal(t, want, other.got())
		require.Empty(t, better.got(), "two attempts at a time")
		time.Sleep(firstPause)
		require.ElementsMatch(t, want, better.got())
		require.ElementsMatch(t, want, kept.got())
		require.Len(t, hung.attempts(), 1)
		require.Len(t, logs.FilterMessage("an alarm is dropped").All(), 5, "of the way that is gone")
		require.Len(t, q.Status(), 4)
		require.Equal(t, map[string]int{"gone": 5}, q.Gone())
		require.Empty(t, q.Gone(), "since the last call")
		q.SetWays(map[string]Way{"kept": &fakeWay{}, "hung": better, "refused": other, "new": added})
		require.EqualValues(t, 6, q.Status()["kept"].Attempts.Accepted, "also after it was replaced")
		require.ErrorContains(t, q.Close(time.Second), "messages that are lost: 1")
	})
}

// TestReplacedWhileSending checks that a message which the old way still accepts is not sent again by the new one.
func TestReplacedWhileSending(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		slow := func(context.Context, *alarm.Message) error { time.Sleep(time.Second); return nil }
		old, next := &fakeWay{answer: slow}, &fakeWay{}
		q, _ := openQueue(dir, map[string]Way{"w": old})
		require.NoError(t, q.Put(message(t, "a-1", true), nil))
		require.NoError(t, q.Put(message(t, "a-2", true), nil))
		synctest.Wait()
		q.SetWays(map[string]Way{"w": next})
		time.Sleep(2 * time.Second)
		require.Equal(t, []string{"a-1"}, old.got())
		require.Equal(t, []string{"a-2"}, next.got())
		require.NoError(t, q.Close(time.Second))
		require.Empty(t, files(t, dir))
	})
}

// TestCloseTellsEarly checks that Close calls durable with an error if the folder was never read: here another process
// has it.
func TestCloseTellsEarly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		old, _ := openQueue(dir, nil)
		time.Sleep(time.Second)
		q, _ := openQueue(dir, map[string]Way{"w": &fakeWay{answer: down}})
		results := make(chan error, 2) // one more than may come
		require.NoError(t, q.Put(message(t, "a-1", true), func(err error) { results <- err }))
		time.Sleep(time.Second)
		require.Empty(t, results, "the other process is about to end")
		require.Error(t, q.Close(time.Second))
		require.Error(t, <-results)
		require.NoError(t, old.Close(time.Second))
	})
}

// TestRefusedUrgent checks that an urgent message which was refused is tried again every 10 min, for a week, and that
// this is logged once.
func TestRefusedUrgent(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: refuses}
		q, logs := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", true), nil))
		time.Sleep(time.Hour + time.Second)
		require.Len(t, w.attempts(), 7)
		require.Len(t, logs.FilterMessage("cannot send an alarm").All(), 1)
		q.SetWays(map[string]Way{"w": w})
		time.Sleep(longPause + time.Second)
		require.Len(t, w.attempts(), 9, "at once, and then at the same pace")
		w.set(nil)
		time.Sleep(longPause)
		require.Equal(t, []string{"a-1"}, w.got())
		w.set(refuses)
		require.NoError(t, q.Put(message(t, "a-2", true), nil))
		time.Sleep(giveUp + 2*longPause)
		require.Zero(t, q.Status()["w"].Refused)
		require.Equal(t, 1, q.Status()["w"].Dropped)
		require.NoError(t, q.Close(time.Second))
	})
}

// TestRefusalIsLogged checks that each refused message is logged, also after a failure that was logged.
func TestRefusalIsLogged(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, logs := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Second)
		w.set(refuses)
		time.Sleep(time.Minute)
		all := logs.FilterMessage("cannot send an alarm").All()
		require.Len(t, all, 2)
		require.Equal(t, true, all[0].ContextMap()["retry"])
		require.Equal(t, false, all[1].ContextMap()["retry"])
		require.NoError(t, q.Close(time.Second))
	})
}

// TestRefusedState checks that a way which needs only the newest states does not get a refused one after a newer one
// that it has accepted, not even after a restart.
func TestRefusedState(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		got := map[string]string{} // by alarm: the message that brought its state
		w := &fakeWay{newest: true, answer: refuses}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false, "one"), nil))
		require.NoError(t, q.Put(message(t, "a-2", true, "one", "two"), nil))
		time.Sleep(time.Second)
		accepts := func(_ context.Context, m *alarm.Message) error {
			mu.Lock()
			defer mu.Unlock()
			for _, a := range m.Alarms {
				got[a.Key] = m.ID
			}
			return nil
		}
		w.set(accepts)
		require.NoError(t, q.Put(message(t, "a-3", false, "one"), nil))
		time.Sleep(time.Second)
		require.NoError(t, q.Close(time.Second))
		require.Len(t, files(t, dir), 1)
		q, _ = openQueue(dir, map[string]Way{"w": w})
		time.Sleep(time.Second)
		mu.Lock()
		require.Equal(t, map[string]string{"one": "a-3", "two": "a-2"}, got)
		mu.Unlock()
		require.Equal(t, []string{"a-3", "a-2"}, w.got())
		require.NoError(t, q.Close(time.Second))
		require.Empty(t, files(t, dir))
	})
}

// TestOneStateFails checks that a state which fails holds up no state of another alarm.
func TestOneStateFails(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{newest: true, answer: func(_ context.Context, m *alarm.Message) error {
			if m.ID == "a-1" {
				return errors.New("too large for now")
			}
			return nil
		}}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", true, "one", "two"), nil))
		require.NoError(t, q.Put(message(t, "a-2", true, "two"), nil))
		require.NoError(t, q.Put(message(t, "a-3", false, "three"), nil))
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-3"}, w.got(), "a-2 would precede a-1")
		require.NoError(t, q.Close(time.Second))
	})
}

// TestClock checks that neither a wrong date of a message nor a clock that steps back makes the queue drop it or change
// the order.
func TestClock(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w, v := &fakeWay{newest: true, answer: down}, &fakeWay{answer: down}
		ways := map[string]Way{"w": w, "v": v}
		q, _ := openQueue(dir, ways)
		begun, ended := message(t, "a-1", true, "one"), message(t, "a-2", true, "one", "two")
		begun.At, ended.At = time.Now().Add(time.Hour), time.Unix(0, 0)
		require.NoError(t, q.Put(begun, nil))
		require.NoError(t, q.Put(ended, nil))
		require.NoError(t, q.Close(time.Second/2))
		require.Len(t, files(t, dir), 4, "both were saved")
		v.set(nil)
		q, _ = openQueue(dir, ways)
		require.NoError(t, q.Put(message(t, "a-3", true, "two"), nil))
		time.Sleep(time.Minute)
		require.Zero(t, q.Status()["w"].Dropped)
		w.set(nil)
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-2", "a-3"}, w.got())
		require.Len(t, v.got(), 3)
		require.Less(t, slices.Index(v.got(), "a-1"), slices.Index(v.got(), "a-2"))
		require.NoError(t, q.Close(time.Second))
	})
}

// TestPausesOfUrgent checks that the pauses between attempts grow to a minute only while an urgent message waits.
func TestPausesOfUrgent(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", true), nil))
		time.Sleep(time.Hour)
		tries := w.attempts()
		require.Greater(t, len(tries), 60)
		for i := range tries[1:] {
			require.LessOrEqual(t, tries[i+1].Sub(tries[i]), urgentPause)
		}
		require.NoError(t, q.Close(time.Second))
	})
}

// A summary has no alarms. It is published to the topic of events alone, and no later message makes it superfluous.
func TestSummaryIsNoState(t *testing.T) {
	w, err := NewMQTT(MQTTOptions{Address: "mqtt://broker.millrace.example:1883", Topic: "clearback/millrace"})
	require.NoError(t, err)
	summary := func(id string) *alarm.Message {
		return &alarm.Message{ID: id, Kind: alarm.KindSummary, Summary: &alarm.Week{}}
	}
	all, err := w.publications(summary("w-1"))
	require.NoError(t, err)
	require.Len(t, all, 1)
	require.Equal(t, "clearback/millrace/event", all[0].Topic)
	require.False(t, all[0].Retain)
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		way := &fakeWay{newest: true}
		way.set(down)
		q, _ := openQueue(dir, map[string]Way{"broker": way})
		<-q.Read()
		for _, id := range []string{"w-1", "w-2"} {
			require.NoError(t, q.Put(summary(id), nil))
		}
		require.NoError(t, q.Put(message(t, "a-1", false, "x"), nil))
		time.Sleep(time.Minute)
		way.set(nil)
		time.Sleep(time.Hour)
		require.ElementsMatch(t, []string{"w-1", "w-2", "a-1"}, way.got())
		require.NoError(t, q.Close(time.Second))
	})
}
