package journal

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

var (
	figures = flag.Bool("figures", false,
		"measure: hand-over at 2,000 events/s, reading among a million calls, dropping")
	figureCalls = flag.Int("figures.calls", 1_000_000, "calls in the journal that is read")
	figureFile  = flag.String("figures.file", "", "where that journal is kept for the next time; empty: nowhere")
)

// quantile returns a quantile of d, and sorts d.
func quantile(d []time.Duration, q float64) time.Duration {
	slices.Sort(d)
	return d[min(len(d)-1, int(q*float64(len(d))))]
}

func TestAppendDoesNotAllocate(t *testing.T) {
	var q queue
	q.init(queueLimit)
	e := callrecord.Entry{Line: "box-office", At: start, Event: supervision.Event{Kind: supervision.Seized}}
	accounts := []callrecord.Account{{Line: "box-office", Call: 1}}
	var taken []*chunk
	n := testing.AllocsPerRun(50, func() { // the first run makes the chunks and their room for accounts
		for range 3 * chunkSize { // 384 ms at 2,000 events/s
			q.putEntry(&e, accounts, nil)
		}
		taken, _ = q.take(taken)
		q.giveBack(taken)
	})
	assert.Zero(t, n)
}

// BenchmarkAppend appends an entry that changed an account.
func BenchmarkAppend(b *testing.B) {
	accounts := []callrecord.Account{{Line: "box-office", Call: 1}}
	j := Open(Options{Path: filepath.Join(b.TempDir(), "journal.db"), Logger: zap.NewNop()})
	defer j.Close()
	e := callrecord.Entry{Line: "box-office", At: start, Event: supervision.Event{Kind: supervision.Seized}}
	b.ReportAllocs()
	for b.Loop() {
		j.Append(e, accounts, nil)
	}
}

// TestFigureHandOver records 2,000 events and effects a second, of 20 lines, for 10 s.
func TestFigureHandOver(t *testing.T) {
	if !*figures {
		t.Skip("needs -figures")
	}
	path := newPathOnDisk(t)
	j := Open(options(t, path))
	const rate, span = 2000, 10
	recorders := map[string]*callrecord.Recorder{}
	for n := range 20 {
		line := fmt.Sprintf("line-%d", n)
		recorders[line] = callrecord.NewRecorder(line)
	}
	var entries []callrecord.Entry
	for call := uint64(1); len(entries) < rate*span; call++ {
		entries = append(entries, heldCallScript(fmt.Sprintf("line-%d", call%20),
			start.Add(time.Duration(call)*time.Second), call, "on").entries...)
	}
	entries = entries[:rate*span]
	took := make([]time.Duration, 0, len(entries))
	most := 0
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for began := time.Now(); len(entries) > 0; <-tick.C {
		due := min(len(entries), int(time.Since(began).Seconds()*rate)-len(took))
		for _, e := range entries[:max(0, due)] {
			at := time.Now()
			recordEntry(j, recorders[e.Line], e)
			took = append(took, time.Since(at))
		}
		entries = entries[max(0, due):]
		most = max(most, j.Health().Queued)
	}
	closing := time.Now()
	require.NoError(t, j.Close())
	t.Logf("hand-over at %d/s: p50 %v, p99 %v, p99.9 %v, most %v; at most %d waited; closed in %v; dropped %d", rate,
		quantile(took, 0.5), quantile(took, 0.99), quantile(took, 0.999), quantile(took, 1), most, time.Since(closing),
		j.Health().Dropped)
	info, err := os.Stat(path)
	require.NoError(t, err)
	t.Logf("%d records take %d bytes, %.1f each", len(took), info.Size(), float64(info.Size())/float64(len(took)))
	assert.LessOrEqual(t, quantile(took, 0.99), 50*time.Microsecond)
	assert.Zero(t, j.Health().Dropped)
}

// fill writes the calls of the year up to until, on ten lines, in a realistic mix: most are answered and cleared by the
// near end, some are held.
func fill(tb testing.TB, path string, calls int, until time.Time) {
	tb.Helper()
	o := Options{Path: path, Version: "v0.0.0-test", Logger: zap.NewNop()}
	s, err := openStore(ctx, &o, time.Second, until, nil)
	require.NoError(tb, err)
	_, err = s.conn.ExecContext(ctx, "PRAGMA synchronous = OFF")
	require.NoError(tb, err)
	d := newBatcher(pendingLimit)
	began := until.Add(-365 * 24 * time.Hour)
	for n := 1; n <= calls; n++ {
		line := fmt.Sprintf("line-%d", n%10)
		at := began.Add(time.Duration(n) * (365 * 24 * time.Hour / time.Duration(calls)))
		sc := unanswered(line, at, uint64(n))
		switch n % 20 {
		case 0:
			sc = heldCallScript(line, at, uint64(n), "on")
		case 1:
			sc = heldCallScript(line, at, uint64(n), map[bool]string{true: "off", false: "unknown"}[n%200 == 1])
		}
		for _, e := range sc.entries {
			accounts, incidents := sc.recorder.Take(e)
			d.take(&record{entry: e, accounts: accounts, incidents: incidents})
		}
		if n%500 == 0 || n == calls {
			for !d.empty() {
				s.anchor(1)
				rows, err := s.write(ctx, d, 1<<20)
				require.NoError(tb, err)
				d.written(rows)
			}
		}
		if n%20000 == 0 {
			_, err = s.conn.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
			require.NoError(tb, err)
		}
	}
	require.NoError(tb, s.end(ctx, until))
}

func TestFigureReading(t *testing.T) {
	if !*figures {
		t.Skip("needs -figures")
	}
	path := *figureFile
	if path == "" {
		path = newPathOnDisk(t)
	}
	if _, err := os.Stat(path); err != nil {
		began := time.Now()
		fill(t, path, *figureCalls, start)
		t.Logf("filled in %v", time.Since(began))
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	t.Logf("%d calls take %d MB", *figureCalls, info.Size()>>20)
	for _, q := range readings(uint64(*figureCalls)) {
		var took []time.Duration
		n := 0
		for range 5 {
			began := time.Now()
			r, err := OpenReader(path)
			require.NoError(t, err)
			n, err = q.run(r)
			require.NoError(t, err)
			require.NoError(t, r.Close())
			took = append(took, time.Since(began))
		}
		t.Logf("%-40s %8v median, %8v most, %d found (opening included)", q.name, quantile(took, 0.5),
			quantile(took, 1), n)
		assert.LessOrEqual(t, quantile(took, 0.5), q.limit, q.name)
	}
}

// TestFigureDropping deletes eleven twelfths of a year's records while 200 records a second arrive, and then deletes
// the rest because of the size limit.
func TestFigureDropping(t *testing.T) {
	if !*figures {
		t.Skip("needs -figures")
	}
	path := newPathOnDisk(t)
	fill(t, path, 20_000, time.Now())
	for _, o := range []Options{{MaxAge: 30 * 24 * time.Hour}, {MaxSize: 1 << 20}} {
		o.Path, o.Logger = path, quiet(t)
		before, err := os.Stat(path)
		require.NoError(t, err)
		p := paceNow()
		p.clock, p.dropEvery = 0, time.Second
		j := open(o, p)
		first, recorder := j.FirstCall(), callrecord.NewRecorder("line-1")
		r := reader(t, path)
		began := time.Now()
		tick := time.NewTicker(5 * time.Millisecond)
		var last time.Time
		for n := 0; time.Since(began) < time.Minute; n++ {
			<-tick.C
			last = time.Now()
			recordEntry(j, recorder, step(n, "line-1", first+uint64(n/10), last))
			if n%200 != 199 {
				continue
			}
			var old bool
			require.NoError(t, r.db.QueryRow("SELECT EXISTS(SELECT 1 FROM calls WHERE began < ?)",
				last.Add(-max(o.MaxAge, time.Hour)).UnixMicro()).Scan(&old))
			if o.MaxAge > 0 && !old {
				break
			}
			var pages int64
			require.NoError(t, r.db.QueryRow("PRAGMA page_count").Scan(&pages))
			if o.MaxSize > 0 && pages*4096 <= o.MaxSize {
				break
			}
		}
		tick.Stop()
		took := time.Since(began)
		require.NoError(t, j.Close())
		after, err := os.Stat(path)
		require.NoError(t, err)
		d := &j.w.pruner
		rows, err := r.Calls(ctx, Filter{})
		require.NoError(t, err)
		t.Logf("keep %v, size %d: %d to %d kB, %d calls left, in %v, %d steps, the last of %d calls; the slowest %v, with syncing %v",
			o.MaxAge, o.MaxSize,
			before.Size()>>10, after.Size()>>10, len(rows), took, d.steps, d.calls, d.slowest, d.stall)
		assert.LessOrEqual(t, d.slowest, 100*time.Millisecond, "a batch waits no longer than for a slow disk")
	}
}

type reading struct {
	name  string
	limit time.Duration
	run   func(r *Reader) (int, error)
}

// readings are typical queries, with the time limit for each among a million calls.
func readings(calls uint64) []reading {
	list := func(f Filter) func(r *Reader) (int, error) {
		return func(r *Reader) (int, error) {
			rows, err := r.Calls(ctx, f)
			return len(rows), err
		}
	}
	entries := func(rows []callrecord.Entry, err error) (int, error) { return len(rows), err }
	return []reading{
		{"calls --since 2d", 200 * time.Millisecond, list(Filter{Since: start.Add(-48 * time.Hour)})},
		{"calls, the latest 50", 200 * time.Millisecond, list(Filter{Limit: 50})},
		{"calls since a year, the latest 50", 200 * time.Millisecond,
			list(Filter{Since: start.Add(-360 * 24 * time.Hour), Limit: 50})},
		{"calls LINE, the latest 200", 200 * time.Millisecond, list(Filter{Line: "line-3", Limit: 200})},
		{"calls LINE --since 2d", 200 * time.Millisecond, list(Filter{Line: "line-3",
			Since: start.Add(-48 * time.Hour)})},
		{"calls --failed", 200 * time.Millisecond, list(Filter{Failed: true, Limit: 200})},
		{"calls LINE --failed", 200 * time.Millisecond, list(Filter{Line: "line-1", Failed: true, Limit: 200})},
		{"calls LINE --failed, none", 200 * time.Millisecond, list(Filter{Line: "line-3", Failed: true})},
		{"calls --follow, nothing new", 200 * time.Millisecond, list(Filter{After: int64(calls * 3)})},
		{"explain CALL", 100 * time.Millisecond, func(r *Reader) (int, error) {
			_, e, err := r.Call(ctx, calls/2)
			return entries(e, err)
		}},
		{"explain LINE", 100 * time.Millisecond, func(r *Reader) (int, error) {
			_, e, err := r.Last(ctx, "line-1")
			return entries(e, err)
		}},
		{"explain last", 100 * time.Millisecond, func(r *Reader) (int, error) {
			_, e, err := r.Last(ctx, "")
			return entries(e, err)
		}},
		{"incidents that are open", 200 * time.Millisecond, func(r *Reader) (int, error) {
			all, err := r.Incidents(ctx, "line-1", true, time.Time{})
			return len(all), err
		}},
	}
}
