package alarms

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

// fakeWay is a way whose other side the test decides about.
type fakeWay struct {
	mu       sync.Mutex
	answer   func(ctx context.Context, m *alarm.Message) error // nil: it accepts
	accepted []string                                          // IDs
	tries    []time.Time
	newest   bool
}

func (f *fakeWay) Send(ctx context.Context, m *alarm.Message) (string, error) {
	f.mu.Lock()
	f.tries = append(f.tries, time.Now())
	answer := f.answer
	f.mu.Unlock()
	if answer != nil {
		if err := answer(ctx, m); err != nil {
			return "", err
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.accepted = append(f.accepted, m.ID)
	return "OK", nil
}

func (f *fakeWay) NewestOnly() bool { return f.newest }

func (f *fakeWay) set(answer func(context.Context, *alarm.Message) error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.answer = answer
}

func (f *fakeWay) got() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.accepted)
}

func (f *fakeWay) attempts() []time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.tries)
}

func down(context.Context, *alarm.Message) error { return errors.New("it is down") }

func refuses(context.Context, *alarm.Message) error { return &Permanent{errors.New("no such mailbox")} }

func hangs(ctx context.Context, _ *alarm.Message) error {
	<-ctx.Done()
	return ctx.Err()
}

func openQueue(dir string, ways map[string]Way) (*Queue, *observer.ObservedLogs) {
	core, logs := observer.New(zap.InfoLevel)
	return OpenQueue(QueueOptions{Dir: dir, Ways: ways, Log: zap.New(core)}), logs
}

func ids(prefix string, n int) (all []string) {
	for i := range n {
		all = append(all, fmt.Sprintf("%s-%03d", prefix, i))
	}
	return all
}

func files(t *testing.T, dir string) []string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(t, err)
	return all
}

// TestHourDown checks that a way which fails or hangs for an hour loses nothing, gets nothing twice and delays no other
// way, and that the folder is empty in the end.
func TestHourDown(t *testing.T) {
	for name, answer := range map[string]func(context.Context, *alarm.Message) error{"refuses": down, "hangs": hangs} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "alarms")
			synctest.Test(t, func(t *testing.T) {
				bad, good := &fakeWay{answer: answer}, &fakeWay{}
				q, logs := openQueue(dir, map[string]Way{"bad": bad, "good": good})
				want := ids("a", 60)
				for _, id := range want {
					require.NoError(t, q.Put(message(t, id, false, "line/box-office/"+id), nil))
					time.Sleep(time.Minute)
					require.Contains(t, good.got(), id)
				}
				require.Empty(t, bad.got())
				require.Equal(t, 60, q.Status()["bad"].Waiting)
				require.NotEmpty(t, q.Status()["bad"].Failure)
				require.Len(t, files(t, dir), 60)
				bad.set(nil)
				time.Sleep(longPause)
				require.ElementsMatch(t, want, bad.got())
				require.Equal(t, want, good.got())
				require.Len(t, logs.FilterMessage("cannot send an alarm").All(), 1)
				require.Len(t, logs.FilterMessage("alarms are accepted again").All(), 1)
				require.NoError(t, q.Close(time.Second))
				require.Empty(t, files(t, dir))
			})
		})
	}
}

// TestPauses checks the pauses between the attempts: from 10 s, doubled each time, to 10 min, each shortened by at most
// a fifth.
func TestPauses(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Hour)
		tries, want := w.attempts(), 10*time.Second
		require.Greater(t, len(tries), 8)
		for i := range tries[1:] {
			pause := tries[i+1].Sub(tries[i])
			require.LessOrEqual(t, pause, want)
			require.GreaterOrEqual(t, pause, want*4/5)
			want = min(2*want, 10*time.Minute)
		}
		require.NoError(t, q.Close(time.Second))
	})
}

// TestUrgentFirst checks that urgent messages go before others that wait, and that one which is put during a long pause
// is tried at once.
func TestUrgentFirst(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		for _, id := range ids("a", 3) {
			require.NoError(t, q.Put(message(t, id, false), nil))
		}
		time.Sleep(2 * time.Hour)
		w.set(nil)
		require.NoError(t, q.Put(message(t, "urgent", true), nil))
		synctest.Wait()
		require.Len(t, w.got(), 4)
		require.Equal(t, "urgent", w.got()[0])
		require.NoError(t, q.Close(time.Second))
	})
}

// TestUrgentOvertakes checks that an urgent message goes before ordinary ones that nobody has tried yet.
func TestUrgentOvertakes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: func(context.Context, *alarm.Message) error { time.Sleep(time.Second); return nil }}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		for _, id := range ids("a", 3) {
			require.NoError(t, q.Put(message(t, id, false), nil))
		}
		synctest.Wait()
		require.NoError(t, q.Put(message(t, "urgent", true), nil))
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-000", "urgent", "a-001", "a-002"}, w.got())
		require.NoError(t, q.Close(time.Second))
	})
}

// TestNewestInOrder checks that a state which failed once does not follow a newer one of the same alarm.
func TestNewestInOrder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down, newest: true}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false, "one", "two"), nil))
		time.Sleep(time.Second)
		require.NoError(t, q.Put(message(t, "a-2", true, "one"), nil))
		w.set(nil)
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-1", "a-2"}, w.got())
		require.NoError(t, q.Close(time.Second))
	})
}

// TestOneFails checks that a message which fails again and again, urgent or not, holds up no other.
func TestOneFails(t *testing.T) {
	for _, urgent := range []bool{false, true} {
		dir := filepath.Join(t.TempDir(), "alarms")
		synctest.Test(t, func(t *testing.T) {
			w := &fakeWay{answer: func(_ context.Context, m *alarm.Message) error {
				if m.ID == "a-000" {
					return errors.New("452 too large for now")
				}
				return nil
			}}
			q, _ := openQueue(dir, map[string]Way{"w": w})
			for i, id := range ids("a", 20) {
				require.NoError(t, q.Put(message(t, id, urgent && i < 2), nil))
			}
			time.Sleep(20 * time.Minute)
			require.Len(t, w.got(), 19)
			require.NoError(t, q.Close(time.Second))
		})
	}
}

// TestRefused checks that a message refused for good holds up no other, is logged, and is tried again when the
// queue is opened again; and that their number is bounded.
func TestRefused(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: refuses}
		q, logs := openQueue(dir, map[string]Way{"w": w})
		for _, id := range ids("a", maxRefused+2) {
			require.NoError(t, q.Put(message(t, id, false), nil))
		}
		time.Sleep(24 * time.Hour)
		require.Len(t, w.attempts(), maxRefused+2, "no second attempt")
		require.Equal(t, maxRefused, q.Status()["w"].Refused)
		require.Equal(t, 2, q.Status()["w"].Dropped)
		require.Len(t, logs.FilterMessage("cannot send an alarm").All(), maxRefused+2)
		require.NoError(t, q.Close(time.Second))
		require.Len(t, files(t, dir), maxRefused)

		w.set(nil)
		q, _ = openQueue(dir, map[string]Way{"w": w})
		time.Sleep(time.Second)
		require.ElementsMatch(t, ids("a", maxRefused+2)[2:], w.got())
		require.NoError(t, q.Close(time.Second))
	})
}

// TestGivenUp checks that a message older than a week is dropped, but not without an attempt.
func TestGivenUp(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, logs := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(giveUp)
		require.Equal(t, 1, q.Status()["w"].Waiting)
		time.Sleep(2 * longPause)
		require.Equal(t, 1, q.Status()["w"].Dropped)
		require.Len(t, logs.FilterMessage("an alarm is dropped").All(), 1)
		require.NoError(t, q.Put(message(t, "a-2", false), nil))
		require.NoError(t, q.Close(time.Second))

		time.Sleep(2 * giveUp)
		w.set(nil)
		q, _ = openQueue(dir, map[string]Way{"w": w})
		time.Sleep(time.Second)
		require.Equal(t, []string{"a-2"}, w.got())
		require.NoError(t, q.Close(time.Second))
	})
}

// TestBound checks which messages are dropped if too many wait: the oldest that are not urgent.
func TestBound(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		for i, id := range ids("a", maxWaiting) {
			require.NoError(t, q.Put(message(t, id, i < 10), nil))
		}
		synctest.Wait()
		for _, id := range ids("b", 5) {
			require.NoError(t, q.Put(message(t, id, false), nil))
		}
		require.Equal(t, 5, q.Status()["w"].Dropped)
		w.set(nil)
		time.Sleep(longPause)
		want := slices.Concat(ids("a", 10), ids("a", maxWaiting)[15:], ids("b", 5))
		require.ElementsMatch(t, want, w.got())
		require.NoError(t, q.Close(time.Second))
		require.Empty(t, files(t, dir))
	})
}

// TestNewestOnly checks that a way which needs only the newest state of each alarm gets that, in order.
func TestNewestOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down, newest: true}
		q, _ := openQueue(dir, map[string]Way{"w": w})
		require.NoError(t, q.Put(message(t, "a-1", false, "one", "two"), nil))
		require.NoError(t, q.Put(message(t, "a-2", false, "three"), nil))
		require.NoError(t, q.Put(message(t, "a-3", true, "one"), nil))
		require.NoError(t, q.Put(message(t, "test", false), nil))
		require.NoError(t, q.Put(message(t, "a-4", false, "three", "one"), nil))
		w.set(nil)
		time.Sleep(time.Minute)
		got := slices.DeleteFunc(w.got(), func(id string) bool { return id == "test" }) // it is about no alarm: any place
		require.Equal(t, []string{"a-1", "a-4"}, got)
		require.Len(t, w.got(), 3)
		require.NoError(t, q.Close(time.Second))
		require.Empty(t, files(t, dir))
	})
}

// TestDurable checks that durable is called once a message is on the disk for each way, or with the error, also that of
// a folder that cannot be read; and that messages are carried without a disk, and written once there is one.
func TestDurable(t *testing.T) {
	parent := filepath.Join(t.TempDir(), "state")
	dir := filepath.Join(parent, "alarms")
	synctest.Test(t, func(t *testing.T) {
		w, v := &fakeWay{answer: down}, &fakeWay{}
		q, _ := openQueue(dir, map[string]Way{"w": w, "v": v})
		results := make(chan error, 4) // all that may come
		require.NoError(t, q.Put(message(t, "a-1", false), func(err error) { results <- err }))
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-1"}, v.got())
		require.ErrorIs(t, <-results, fs.ErrNotExist, "there is no folder yet")
		require.NoError(t, q.Put(message(t, "a-0", false), func(err error) { results <- err }))
		require.ErrorIs(t, <-results, fs.ErrNotExist)
		require.NoError(t, os.Mkdir(parent, 0o700))
		time.Sleep(time.Minute)
		require.Len(t, files(t, dir), 2)
		require.NoError(t, os.Rename(parent, parent+".gone"))
		require.NoError(t, q.Put(message(t, "a-2", false), func(err error) { results <- err }))
		require.Error(t, <-results)
		time.Sleep(time.Minute)
		require.Equal(t, []string{"a-1", "a-0", "a-2"}, v.got())
		require.NoError(t, os.Rename(parent+".gone", parent))
		time.Sleep(time.Minute)
		require.Len(t, files(t, dir), 3)
		require.NoError(t, q.Put(message(t, "a-3", false), func(err error) { results <- err }))
		require.NoError(t, <-results)
		require.Empty(t, results)
		require.NoError(t, q.Close(time.Second))
	})
}

// TestHandOver checks that a queue which is opened while another one has the folder waits for it, carries what is put
// meanwhile, and then goes on with what the other one left; and that Close ends in time while a way hangs.
func TestHandOver(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w, v := &fakeWay{answer: hangs}, &fakeWay{}
		old, _ := openQueue(dir, map[string]Way{"w": w})
		for _, id := range ids("a", 5) {
			require.NoError(t, old.Put(message(t, id, false), nil))
		}
		time.Sleep(time.Second)
		next, _ := openQueue(dir, map[string]Way{"w": v})
		require.NoError(t, next.Put(message(t, "b-1", false), nil))
		require.NoError(t, next.Put(message(t, "a-001", false), nil)) // the old one's, put again
		time.Sleep(time.Second)
		require.Equal(t, []string{"b-1", "a-001"}, v.got())
		begin := time.Now()
		require.NoError(t, old.Close(time.Second))
		require.LessOrEqual(t, time.Since(begin), time.Second)
		require.Error(t, old.Put(message(t, "c-1", false), nil))
		time.Sleep(5 * time.Second)
		require.Subset(t, v.got(), append(ids("a", 5), "b-1"))
		require.NoError(t, next.Close(time.Second))
		require.Empty(t, files(t, dir))
	})
}

// TestDamagedFiles checks that a damaged or foreign file, and one for a way that is gone, harms nothing.
func TestDamagedFiles(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		w := &fakeWay{answer: down}
		q, _ := openQueue(dir, map[string]Way{"w": w, "gone": w})
		require.NoError(t, q.Put(message(t, "a-1", false), nil))
		time.Sleep(time.Second)
		require.NoError(t, q.Close(time.Second))
		for name, text := range map[string]string{"x.json": "{", "y.json": `{"way":"w"}`,
			"z.json": `{"way":"w","message":{"id":"../../etc/passwd"}}`} {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
		}
		w.set(nil)
		q, logs := openQueue(dir, map[string]Way{"w": w})
		time.Sleep(time.Second)
		require.Equal(t, []string{"a-1"}, w.got())
		require.Len(t, logs.FilterMessage("an alarm on the disk is removed").All(), 4)
		require.Equal(t, map[string]int{"gone": 1}, q.Gone())
		require.NoError(t, q.Close(time.Second))
		require.Empty(t, files(t, dir))
		require.Error(t, q.Put(message(t, "a_1", false), nil))
	})
}
