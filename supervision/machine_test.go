package supervision_test

import (
	"strings"
	"testing"
	"time"

	"clearback/supervision"
)

// testLine drives a machine with events in text form.
type testLine struct {
	t        *testing.T
	m        *supervision.Machine
	now      supervision.Instant
	deadline supervision.Instant
}

func newTestLine(t *testing.T, p supervision.Policy) *testLine {
	return &testLine{t: t, m: supervision.New(p), now: supervision.Instant(time.Minute), deadline: supervision.Never}
}

// after lets d pass without TimePassed, gives the event to the machine, and returns the effects, one on each line.
func (l *testLine) after(d time.Duration, event string) string {
	l.t.Helper()
	ev, err := supervision.ParseEvent(event)
	if err != nil {
		l.t.Fatal(err)
	}
	l.now = l.now.Add(d)
	effects, deadline := l.m.Step(l.now, ev)
	l.deadline = deadline
	var lines []string
	for _, ef := range effects {
		lines = append(lines, ef.String())
	}
	return strings.Join(lines, "\n")
}

// held sets up an answered call.
func (l *testLine) held() {
	l.t.Helper()
	l.after(0, "call-arrived call=1")
	l.after(time.Second, "call-answered call=1")
	l.now = l.now.Add(time.Minute)
}

func (l *testLine) wantEffects(what, got, want string) {
	l.t.Helper()
	if got != want {
		l.t.Errorf("%s gives\n%s\nwant\n%s", what, got, want)
	}
}

// TestLateTimer: a busy computer or a stopped process delays events (invariant 12).
func TestLateTimer(t *testing.T) {
	p := supervision.DefaultPolicy()
	t.Run("the lead's deadline comes at the last instant", func(t *testing.T) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.wantEffects("1.2 s after the BYE", l.after(1200*time.Millisecond, "time-passed"),
			"open-loop call=1 seq=1 interval=800ms not-after=+122.2s")
		if want := l.now.Add(800 * time.Millisecond); l.deadline != want {
			t.Errorf("the guard is at %v; want %v, 2 s after the BYE", l.deadline, want)
		}
	})
	t.Run("the lead's deadline comes too late", func(t *testing.T) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.wantEffects("1.2 s and 1 ns after the BYE", l.after(1200*time.Millisecond+1, "time-passed"),
			"report incident call=1 reason=missed-not-after")
	})
	t.Run("the adapter's answer is taken too late", func(t *testing.T) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.wantEffects("5 s after the BYE", l.after(5*time.Second, "adapter-leg-cleared call=1 answer=confirmed"),
			"report incident call=1 reason=missed-not-after")
	})
	t.Run("no answer, and the longer interval does not fit any more", func(t *testing.T) {
		p := p
		p.FlashMax = time.Second
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.wantEffects("1 s after the BYE", l.after(time.Second, "time-passed"),
			"report incident call=1 reason=bye-unanswered")
	})
	t.Run("a guard time that is over hinders no clearing", func(t *testing.T) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
		l.after(10*time.Millisecond, "call-requested call=2")
		l.after(0, "loop-closed seq=1")
		l.after(0, "call-answered call=2")
		l.wantEffects("a clearing at the end of the guard time",
			l.after(400*time.Millisecond, "far-end-cleared call=2 evidence=bye"), "clear-adapter-leg call=2")
		if want := l.now.Add(600 * time.Millisecond); l.deadline != want {
			t.Errorf("the deadline is %v; want %v, the end of the lead", l.deadline, want)
		}
	})
	t.Run("everything is due at once", func(t *testing.T) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "call-arrived call=2")
		l.wantEffects("an hour later", l.after(time.Hour, "time-passed"),
			"report incident call=1 reason=missed-not-after\noffer-call call=2")
		if l.deadline != supervision.Never {
			t.Errorf("the deadline is %v; want none", l.deadline)
		}
	})
}

// TestDeadlineToTheNanosecond checks that nothing happens one nanosecond before a deadline.
func TestDeadlineToTheNanosecond(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.wantEffects("1 ns before the end of the lead", l.after(600*time.Millisecond-1, "time-passed"), "")
	l.wantEffects("the end of the lead", l.after(1, "time-passed"),
		"open-loop call=1 seq=1 interval=800ms not-after=+122.2s")
	l.wantEffects("1 ns before the guard of the opening", l.after(1100*time.Millisecond-1, "time-passed"), "")
	l.wantEffects("the guard of the opening", l.after(1, "time-passed"), "close-loop call=1 seq=1")
}

// TestInvalidPolicyNeverOpens: New does not check the policy, and a faulty one must still not open the loop.
func TestInvalidPolicyNeverOpens(t *testing.T) {
	long := supervision.DefaultPolicy()
	long.Interval, long.MaxInterval = 900*time.Millisecond, 800*time.Millisecond
	beyond := supervision.DefaultPolicy()
	beyond.Interval = 2500 * time.Millisecond
	for name, p := range map[string]supervision.Policy{"zero": {}, "above max_interval": long,
		"longer than 2 s": beyond} {
		l := newTestLine(t, p)
		l.held()
		all := l.after(0, "far-end-cleared call=1 evidence=bye") +
			l.after(0, "adapter-leg-cleared call=1 answer=confirmed") +
			l.after(time.Second, "time-passed")
		if strings.Contains(all, "open-loop") {
			t.Errorf("a policy that is %s opens: %s", name, all)
		}
	}
	p := supervision.DefaultPolicy()
	p.MaxInterval = time.Minute
	l := newTestLine(t, p)
	l.wantEffects("a pulse above the absolute limit", l.after(0, "pulse-requested interval=3.001s"),
		"report refused rule=out-of-bounds")
}

// TestLostProbeAnswers checks that an answer which may belong to an earlier probe opens nothing. After Timer F (32 s)
// an old probe no longer counts.
func TestLostProbeAnswers(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.ProbeTrusted = true
	l := newTestLine(t, p)
	clear := func(id string) {
		l.after(0, "call-arrived call="+id)
		l.after(0, "call-answered call="+id)
		l.after(0, "far-end-cleared call="+id+" evidence=bye")
	}
	clear("1")
	l.wantEffects("a 481", l.after(0, "adapter-leg-cleared call=1 answer=unknown-call"), "probe-line")
	l.wantEffects("no answer", l.after(500*time.Millisecond, "time-passed"),
		"report suppressed call=1 rule=unknown-call pending")
	clear("2")
	l.wantEffects("a 481", l.after(0, "adapter-leg-cleared call=2 answer=unknown-call"), "probe-line")
	l.wantEffects("the first answer, late", l.after(0, "probe-answered hook=off"), "")
	l.wantEffects("its own answer", l.after(0, "probe-answered hook=off"),
		"open-loop call=2 seq=1 interval=800ms not-after=+61.7s")

	l = newTestLine(t, p)
	clear("1")
	l.after(0, "adapter-leg-cleared call=1 answer=unknown-call")
	l.after(500*time.Millisecond, "time-passed")
	l.now = l.now.Add(32 * time.Second)
	clear("2")
	l.after(0, "adapter-leg-cleared call=2 answer=unknown-call")
	l.wantEffects("its own answer, the first being lost", l.after(0, "probe-answered hook=off"),
		"open-loop call=2 seq=1 interval=800ms not-after=+93.7s")
}

// TestLostLegAnswers: no answer to a CANCEL ever comes. That must not prevent later openings for ever: after twice
// 64*T1 of RFC 3261, and a second, the call is dropped.
func TestLostLegAnswers(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.after(0, "call-arrived call=7")
	l.after(0, "far-end-cleared call=7 evidence=bye")
	l.after(0, "call-arrived call=1")
	l.after(0, "call-answered call=1")
	l.wantEffects("a clearing 65 s later", l.after(65*time.Second, "far-end-cleared call=1 evidence=bye"),
		"clear-adapter-leg call=1\nreport suppressed call=1 rule=other-call pending")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(0, "call-arrived call=2")
	l.after(0, "call-answered call=2")
	l.wantEffects("a clearing after more than 65 s", l.after(1, "far-end-cleared call=2 evidence=bye"),
		"clear-adapter-leg call=2")
	l.wantEffects("the answer", l.after(0, "adapter-leg-cleared call=2 answer=confirmed"),
		"open-loop call=2 seq=1 interval=800ms not-after=+126.200000001s")
}

// TestProbeBeforeOnHookRecognition: soon after an opening an adapter says off hook in any case.
func TestProbeBeforeOnHookRecognition(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.ProbeTrusted = true
	l := newTestLine(t, p)
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(0, "call-requested call=2")
	l.after(0, "loop-closed seq=1")
	l.after(0, "call-answered call=2")
	l.after(500*time.Millisecond, "time-passed")
	l.after(0, "far-end-cleared call=2 evidence=bye")
	l.wantEffects("a 481 half a second after an opening", l.after(0, "adapter-leg-cleared call=2 answer=unknown-call"),
		"report suppressed call=2 rule=unknown-call pending")
}

// TestEffectsAreReused checks that the returned slice is reused, as Step says.
func TestEffectsAreReused(t *testing.T) {
	m := supervision.New(supervision.DefaultPolicy())
	a, _ := m.Step(1, supervision.Event{Kind: supervision.CallArrived, Call: 1})
	b, _ := m.Step(2, supervision.Event{Kind: supervision.CallArrived, Call: 2})
	if len(a) != 1 || len(b) != 1 || &a[0] != &b[0] {
		t.Error("two steps give two slices")
	}
}
