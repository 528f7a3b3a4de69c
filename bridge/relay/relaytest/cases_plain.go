package relaytest

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"clearback/bridge/relay"
)

// plainCases are the cases in which the controller works.
var plainCases = []testCase{
	{"found open at the start is closed first", func(t *testing.T, f Factory) {
		r := newTestBed(t, f, Setup{Open: true, Timeout: answeredTimeout})
		r.Start()
		r.ready()
		for line := range 2 {
			c := r.Controller.Changes(line)
			if len(c) == 0 || c[len(c)-1].Open {
				t.Fatalf("line %d is still open: %v", line, c)
			}
		}
	}},
	{"starting moves nothing that is closed", func(t *testing.T, f Factory) {
		r := answered(t, f)
		for line := range 2 {
			if c := r.Controller.Changes(line); len(c) != 0 {
				t.Fatalf("line %d moved: %v", line, c)
			}
		}
	}},
	{"opens once, for as long as asked", func(t *testing.T, f Factory) {
		r := answered(t, f)
		res := r.interrupt(r.length())
		r.want(res, relay.Done, nil)
		r.wantOpenings(0, r.length())
		r.wantStill(1)
		if res.OpenFor < r.length() || res.OpenFor > r.length()+r.lateness() {
			t.Fatalf("says it was open for %v, asked were %v", res.OpenFor, r.length())
		}
	}},
	{"tells the opening once, before the end", func(t *testing.T, f Factory) {
		r := answered(t, f)
		var told atomic.Int32
		i, begin := r.command(r.length()), time.Now()
		var at time.Time
		i.Opened = func(x time.Time) { told.Add(1); at = x }
		r.want(r.Contacts[0].Interrupt(r.ctx(testTimeout), i), relay.Done, nil)
		if told.Load() != 1 || at.Before(begin) || time.Since(at) < r.length() {
			t.Fatalf("Opened was called %d times, %v after the beginning", told.Load(), at.Sub(begin))
		}
	}},
	{"works without an Opened", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.want(r.interrupt(r.length()), relay.Done, nil)
	}},
	{"what missed its not-after is dropped", func(t *testing.T, f Factory) {
		r := answered(t, f)
		i := r.command(r.length())
		i.NotAfter = time.Now().Add(-time.Nanosecond)
		r.want(r.Contacts[0].Interrupt(r.ctx(testTimeout), i), relay.Refused, relay.ErrLate)
		i.NotAfter = time.Time{}
		r.want(r.Contacts[0].Interrupt(r.ctx(testTimeout), i), relay.Refused, relay.ErrLate)
		r.wantStill(0)
		r.works()
	}},
	{"a cancelled context opens nothing", func(t *testing.T, f Factory) {
		r := answered(t, f)
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		r.want(r.Contacts[0].Interrupt(ctx, r.command(r.length())), relay.Refused, relay.ErrStopped)
		r.wantStill(0)
		r.works()
	}},
	{"cancelling closes at once", func(t *testing.T, f Factory) {
		r := answered(t, f)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		endsEarly(r, ctx, func() { cancel() })
	}},
	{"close ends an opening", func(t *testing.T, f Factory) {
		r := answered(t, f)
		endsEarly(r, context.Background(), func() {
			if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
				t.Fatal(err)
			}
			if r.isOpen(0) {
				t.Fatal("the close was confirmed, but the contact is open")
			}
		})
	}},
	{"close of a closed contact is confirmed", func(t *testing.T, f Factory) {
		r := answered(t, f)
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.wantStill(0)
		r.works()
	}},
	{"eight closes at once", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		var wg sync.WaitGroup
		for range 8 {
			wg.Go(func() {
				if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		r.want(get(r, "result", result), relay.Done, nil)
		r.works()
	}},
	{"a second opening meanwhile is refused", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		r.want(r.interrupt(r.length()), relay.Refused, relay.ErrRefused)
		if !r.isOpen(0) {
			t.Fatal("the second ended the first")
		}
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.want(get(r, "result", result), relay.Done, nil)
	}},
	{"the same command again has no second effect", func(t *testing.T, f Factory) {
		r := answered(t, f)
		i := r.command(r.length())
		first := r.Contacts[0].Interrupt(r.ctx(testTimeout), i)
		r.want(first, relay.Done, nil)
		if again := r.Contacts[0].Interrupt(r.ctx(testTimeout), i); again != first {
			t.Fatalf("%+v, then %+v", first, again)
		}
		r.wantOpenings(0, r.length())
		r.works()
	}},
	{"no length, no opening", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.want(r.interrupt(0), relay.Refused, relay.ErrRefused)
		r.want(r.interrupt(-time.Second), relay.Refused, relay.ErrRefused)
		r.wantStill(0)
	}},
	{"two lines at once, each its own", func(t *testing.T, f Factory) {
		r := answered(t, f)
		a, b := r.length(), 3*r.length()
		_, ra := r.background(context.Background(), 0, r.command(a))
		_, rb := r.background(context.Background(), 1, r.command(b))
		r.want(get(r, "result", ra), relay.Done, nil)
		r.want(get(r, "result", rb), relay.Done, nil)
		r.wantOpenings(0, a)
		r.wantOpenings(1, b)
	}},
	{"closing one line leaves the other open", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 1, 4*r.length())
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.want(get(r, "result", result), relay.Done, nil)
		r.wantOpenings(1, 4*r.length())
	}},
	{"reads what is", func(t *testing.T, f Factory) {
		r := answered(t, f)
		c := r.reader()
		if c == nil {
			t.Skip("this contact cannot be read")
		}
		level := func() relay.Level {
			l, err := c.Read(r.ctx(testTimeout))
			if err != nil {
				t.Fatal(err)
			}
			return l
		}
		if l := level(); l != relay.LevelClosed {
			t.Fatalf("level %d of a closed contact", l)
		}
		result := r.open(context.Background(), 0, r.long())
		if l := level(); l != relay.LevelOpen {
			t.Fatalf("level %d of an open contact", l)
		}
		if err := r.Contacts[0].Close(r.ctx(testTimeout)); err != nil {
			t.Fatal(err)
		}
		r.want(get(r, "result", result), relay.Done, nil)
	}},
	{"the kind is one and stays", func(t *testing.T, f Factory) {
		r := answered(t, f)
		k := r.Contacts[0].Kind()
		r.works()
		if k > relay.KindOneshot || r.Contacts[0].Kind() != k {
			t.Fatalf("kind %d, then %d", k, r.Contacts[0].Kind())
		}
	}},
}

// long is an interval that a case ends early. It is long compared with a time-out, but within the limit of every tested
// controller.
func (r *testBed) long() time.Duration {
	return min(max(2*time.Second, 4*r.Timeout), 2800*time.Millisecond)
}

// early is the time by which such an interval must have ended, if its end was requested at the mark or one time-out
// later.
func (r *testBed) early(from mark) time.Duration {
	return max(r.long()/2, r.Timeout+500*time.Millisecond) + r.late(from)
}

func endsEarly(r *testBed, ctx context.Context, end func()) {
	r.t.Helper()
	result := r.open(ctx, 0, r.long())
	from := r.mark()
	end()
	res := get(r, "result", result)
	r.want(res, relay.Done, nil)
	o := r.openings(0)
	if most := r.early(from); len(o) != 1 || o[0] < 0 || o[0] > most || res.OpenFor > most {
		r.t.Fatalf("open for %v, reported %v", o, res.OpenFor)
	}
	r.works()
}
