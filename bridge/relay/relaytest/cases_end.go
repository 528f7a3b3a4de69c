package relaytest

import (
	"context"
	"slices"
	"testing"
	"time"

	"clearback/bridge/relay"
)

// endCases are the cases of a shutdown.
var endCases = []testCase{
	{"shutdown closes what is open", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		from := r.mark()
		if left := r.Shutdown(r.ctx(testTimeout)); len(left) != 0 {
			t.Fatalf("not closed: %v", left)
		}
		if o, most := r.openings(0), r.early(from); len(o) != 1 || o[0] < 0 || o[0] > most {
			t.Fatalf("open for %v; allowed are %v", o, most)
		}
		r.want(get(r, "result", result), relay.Done, nil)
	}},
	{"nothing opens after a shutdown", func(t *testing.T, f Factory) {
		r := answered(t, f)
		r.Shutdown(r.ctx(testTimeout))
		if res := r.interrupt(r.length()); res.Outcome != relay.Refused || res.Err == nil {
			t.Fatalf("%+v", res)
		}
		r.wantStill(0)
	}},
	{"shutdown names what it could not close", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		r.Controller.Cut()
		begin, from := time.Now(), r.mark()
		left := r.Shutdown(r.ctx(200 * time.Millisecond))
		slices.Sort(left)
		if !slices.Equal(left, []string{LineA, LineB}) {
			t.Fatalf("named %v, want both lines", left)
		}
		if d := time.Since(begin); d > time.Second+r.late(from) {
			t.Fatalf("took %v with a limit of 200ms", d)
		}
		r.want(get(r, "result", result), relay.Unknown, relay.ErrNoAnswer)
	}},
	{"shutdown without a controller ends in time", func(t *testing.T, f Factory) {
		r := newTestBed(t, f, Setup{})
		r.Controller.Cut()
		r.Start()
		if left := r.Shutdown(r.ctx(50 * time.Millisecond)); len(left) != 2 {
			t.Fatalf("named %v, want both lines", left)
		}
	}},
	{"shutdown in trouble still closes", func(t *testing.T, f Factory) {
		r := answered(t, f)
		result := r.open(context.Background(), 0, r.long())
		r.Controller.Inject(Fault{Do: Hangup, On: Closing, Once: true})
		if left := r.Shutdown(r.ctx(testTimeout)); len(left) != 0 {
			t.Fatalf("not closed: %v", left)
		}
		if r.isOpen(0) {
			t.Fatal("open after the shutdown")
		}
		get(r, "result", result)
	}},
}
