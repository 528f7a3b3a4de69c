package supervision_test

import (
	"strings"
	"testing"
	"time"

	"clearback/supervision"
)

func probing() supervision.Policy {
	p := supervision.DefaultPolicy()
	p.ProbeTrusted, p.Listening = true, 0
	return p
}

// stays makes the hold of an answered call stay.
func (l *testLine) stays(seq string) {
	l.t.Helper()
	l.after(0, "call-requested call=9")
	l.after(0, "call-answered call=9")
	l.after(0, "far-end-cleared call=9 evidence=bye")
	l.after(0, "adapter-leg-cleared call=9 answer=confirmed")
	l.after(0, "loop-opened seq="+seq)
	l.after(time.Second, "loop-closed seq="+seq)
	l.after(400*time.Millisecond, "time-passed")
	l.after(200*time.Millisecond, "time-passed")
	l.after(0, "probe-answered hook=off")
}

// TestFirstLookAtAnIdleLine checks that the first TimePassed makes the machine look at a trusted line, and at no other.
func TestFirstLookAtAnIdleLine(t *testing.T) {
	never, untrusted, sensed := probing(), supervision.DefaultPolicy(), supervision.DefaultPolicy()
	never.Watch = 0
	sensed.SenseTrusted = true
	for name, c := range map[string]struct {
		p    supervision.Policy
		want string
	}{
		"trusted":         {probing(), "probe-line"},
		"never looked at": {never, ""},
		"not trusted":     {untrusted, ""},
		"by a sensor":     {sensed, ""},
	} {
		l := newTestLine(t, c.p)
		l.wantEffects(name, l.after(0, "time-passed"), c.want)
		if !l.m.AtRest() {
			t.Errorf("%s: a line that is only watched is not at rest", name)
		}
	}
	if _, deadline := supervision.New(probing()).Step(0,
		supervision.Event{Kind: supervision.CallRinging}); deadline != 0 {
		t.Errorf("the first deadline is %v; want at once", deadline)
	}
}

// TestAtRest: a watched line and a pending incident count as rest. An interruption that is pending, under way or being
// checked does not, nor does a waiting call.
func TestAtRest(t *testing.T) {
	l := newTestLine(t, probing())
	rest := func(what string, want bool) {
		t.Helper()
		if got := l.m.AtRest(); got != want {
			t.Errorf("%s: at rest is %v; want %v", what, got, want)
		}
	}
	rest("a new line", true)
	l.held()
	rest("in a call", true)
	l.after(0, "far-end-cleared call=1 evidence=bye")
	rest("wanted", false)
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	rest("opening", false)
	l.after(0, "loop-opened seq=1")
	rest("open", false)
	l.after(time.Second, "loop-closed seq=1")
	rest("guarding", false)
	l.after(400*time.Millisecond, "time-passed")
	rest("to be judged", false)
	l.after(200*time.Millisecond, "time-passed")
	rest("asked", false)
	l.after(0, "probe-answered hook=on")
	rest("watched", true)
	l.after(time.Minute, "time-passed")
	rest("being looked at", true)
	l.after(0, "loop-unknown")
	rest("faulted", true)
	l.after(0, "call-arrived call=2")
	rest("a call is offered", true)

	listening := probing()
	listening.Listening = 10 * time.Second
	l = newTestLine(t, listening)
	l.stays("1")
	rest("somebody may be listening", true)
	l.after(10*time.Second, "time-passed")
	rest("looked at again", true)

	l = newTestLine(t, probing())
	l.held()
	l.after(0, "trial-set call=1")
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	rest("a catch trial", false)
	l.after(1600*time.Millisecond, "time-passed")
	l.after(0, "probe-answered hook=on")
	rest("after it", true)

	l = newTestLine(t, probing())
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=unknown-call")
	rest("asked about an unknown call", false)
	l.after(0, "probe-answered hook=on")
	rest("not opened", true)
}

// TestView checks the copy of the machine's state for people.
func TestView(t *testing.T) {
	p := probing()
	p.Steps = []time.Duration{time.Second, 1200 * time.Millisecond}
	l := newTestLine(t, p)
	view := func(what string, want supervision.View) {
		t.Helper()
		got := l.m.View()
		if len(got.Calls) != len(want.Calls) {
			t.Fatalf("%s: %d calls; want %d", what, len(got.Calls), len(want.Calls))
		}
		for i := range want.Calls {
			if got.Calls[i] != want.Calls[i] {
				t.Errorf("%s: call %+v; want %+v", what, got.Calls[i], want.Calls[i])
			}
		}
		got.Calls, want.Calls = nil, nil
		if got.Loop != want.Loop || got.Fault != want.Fault || got.Interval != want.Interval ||
			got.Stayed != want.Stayed || got.Incident != want.Incident ||
			got.Suppression != want.Suppression || got.CallbackBy != want.CallbackBy {
			t.Errorf("%s: %+v; want %+v", what, got, want)
		}
	}
	const ms = time.Millisecond
	view("at rest", supervision.View{Loop: supervision.StateClosed, Interval: 800 * ms})
	l.stays("1")
	view("a hold stayed", supervision.View{
		Loop: supervision.StateClosed, Interval: time.Second, Stayed: 1, Incident: supervision.IncidentIntervalShort,
	})
	l.after(time.Second, "call-requested call=2 emergency")
	l.after(0, "call-answered call=2")
	view("in a call", supervision.View{
		Loop: supervision.StateClosed, Interval: time.Second, Stayed: 1,
		Calls: []supervision.CallView{{Call: 2, Emergency: true, Answered: true}},
	})
	l.after(0, "far-end-cleared call=2 evidence=bye")
	window := l.now.Add(30 * time.Minute)
	view("being cleared", supervision.View{
		Loop: supervision.StateClosed, Interval: time.Second, Stayed: 1, CallbackBy: window,
		Calls: []supervision.CallView{{Call: 2, Emergency: true, Answered: true, Clearing: true}},
	})
	l.after(0, "adapter-leg-cleared call=2 answer=confirmed")
	l.after(1600*ms, "time-passed")
	l.after(0, "probe-answered hook=off")
	view("held by a rule", supervision.View{
		Loop: supervision.StateClosed, Interval: time.Second, Stayed: 1, CallbackBy: window,
		Incident: supervision.IncidentSuppressed, Suppression: supervision.SuppressedEmergency,
	})
	l.after(time.Minute, "time-passed")
	l.after(0, "probe-answered hook=on")
	l.after(0, "loop-unknown")
	l.after(0, "call-arrived call=3")
	view("faulted", supervision.View{
		Loop: supervision.StateFaulted, Interval: time.Second, Stayed: 1, CallbackBy: window,
		Fault: supervision.IncidentUnreachable, Incident: supervision.IncidentUnreachable,
		Calls: []supervision.CallView{{Call: 3}},
	})
}

// TestSaveAndRestore checks that the interval in use and the call-back window outlive the process.
func TestSaveAndRestore(t *testing.T) {
	p := probing()
	p.Steps = []time.Duration{time.Second, 1200 * time.Millisecond}
	l := newTestLine(t, p)
	l.stays("1")
	l.after(0, "call-requested call=2 emergency")
	l.after(0, "call-answered call=2")
	l.after(0, "near-end-cleared call=2")
	kept := l.m.SavedState()
	if want := (supervision.SavedState{Stayed: 1, CallbackBy: l.now.Add(30 * time.Minute), Recent: 1,
		RecentAt: supervision.Instant(time.Minute)}); kept != want {
		t.Errorf("kept %+v; want %+v", kept, want)
	}
	l = newTestLine(t, p)
	l.m.Restore(kept)
	l.wantEffects("the first look, in the call-back window", l.after(0, "time-passed"), "probe-line")
	l.wantEffects("off hook", l.after(0, "probe-answered hook=off"), "report incident reason=off-hook-without-call")
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.wantEffects("a clearing", l.after(0, "adapter-leg-cleared call=1 answer=confirmed"),
		"open-loop call=1 seq=1 interval=1s not-after=+122s")

	for stayed, want := range map[int]int{-1: 0, 2: 2, 7: 2} {
		m := supervision.New(p)
		m.Restore(supervision.SavedState{Stayed: stayed})
		if got := m.SavedState().Stayed; got != want {
			t.Errorf("%d holds that stayed are restored as %d; want %d", stayed, got, want)
		}
	}
}

// TestStormOutlivesTheProcess checks that openings add up if the daemon restarts after each one, and that a pause
// continues.
func TestStormOutlivesTheProcess(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.OpeningsPerMinute = 3
	var kept supervision.SavedState
	for i := range 4 {
		l := newTestLine(t, p) // its own time line; earlier openings count as made at its start
		kept.RecentAt = l.now
		l.m.Restore(kept)
		l.held()
		l.now = kept.RecentAt.Add(time.Minute - 1)
		l.after(0, "far-end-cleared call=1 evidence=bye")
		got := l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
		if opened := strings.HasPrefix(got, "open-loop"); opened != (i < 3) {
			t.Errorf("opening %d is made: %t; want it up to the third", i+1, opened)
		}
		kept = l.m.SavedState()
	}
	pause := supervision.Instant(time.Minute + 5*time.Minute + time.Minute - 1)
	if kept.NoOpeningBy != pause || kept.Recent != 4 {
		t.Errorf("kept %+v; want 4 openings and a pause until %v", kept, pause)
	}

	kept.RecentAt = 1
	l := newTestLine(t, p)
	l.m.Restore(kept)
	if v := l.m.View(); v.Incident != supervision.IncidentTooManyOpenings || v.NoOpeningBy != pause {
		t.Errorf("the view is %+v; want the storm and its pause", v)
	}
	l.held()
	l.wantEffects("a clearing in the pause", l.after(0, "far-end-cleared call=1 evidence=bye"),
		"clear-adapter-leg call=1\nreport suppressed call=1 rule=too-many-openings pending\nreport incident call=1 reason=too-many-openings")
	if l.deadline != pause {
		t.Errorf("the deadline is %v; want the end of the pause, %v", l.deadline, pause)
	}
	l.now = pause
	l.wantEffects("its end", l.after(0, "time-passed"), "report incident-ended reason=too-many-openings")

	l = newTestLine(t, p)
	l.m.Restore(supervision.SavedState{Recent: 1000, RecentAt: l.now})
	if got := l.m.SavedState().Recent; got != 60 {
		t.Errorf("%d openings are kept; want no more than a policy may allow, 60", got)
	}
}

// TestClearingAtTheEndOfAStormPause checks that a clearing after the pause opens the loop even before TimePassed.
func TestClearingAtTheEndOfAStormPause(t *testing.T) {
	p := supervision.DefaultPolicy()
	l := newTestLine(t, p)
	l.m.Restore(supervision.SavedState{NoOpeningBy: l.now.Add(time.Minute)})
	l.held()
	l.now = supervision.Instant(2 * time.Minute)
	l.wantEffects("a clearing", l.after(0, "far-end-cleared call=1 evidence=bye"), "clear-adapter-leg call=1")
	l.wantEffects("its answer", l.after(0, "adapter-leg-cleared call=1 answer=confirmed"),
		"open-loop call=1 seq=1 interval=800ms not-after=+121.2s")
}

// TestSetPolicyDeadlines checks that a check of a line that becomes untrusted ends at once, and that watching can
// begin.
func TestSetPolicyDeadlines(t *testing.T) {
	l := newTestLine(t, probing())
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.wantEffects("a 481", l.after(0, "adapter-leg-cleared call=1 answer=unknown-call"), "probe-line")
	if got := l.m.SetPolicy(l.now, supervision.DefaultPolicy()); got != l.now {
		t.Errorf("the probe of a line that is not trusted any more is due at %v; want %v", got, l.now)
	}
	l.wantEffects("then", l.after(0, "time-passed"), "report suppressed call=1 rule=unknown-call pending")
	l.after(0, "probe-answered hook=unknown")
	if l.deadline != supervision.Never {
		t.Errorf("a line that is not trusted is looked at, at %v", l.deadline)
	}
	p := probing()
	p.Watch = 10 * time.Second
	if got, want := l.m.SetPolicy(l.now, p), l.now.Add(1600*time.Millisecond); got != want {
		t.Errorf("a line in doubt is looked at at %v; want %v", got, want)
	}
	l.after(1600*time.Millisecond, "time-passed")
	l.after(0, "probe-answered hook=on")
	if want := l.now.Add(10 * time.Second); l.deadline != want {
		t.Errorf("the next look is at %v; want %v", l.deadline, want)
	}
	p.Watch = 0
	if got := l.m.SetPolicy(l.now, p); got != supervision.Never {
		t.Errorf("a line that is not to be watched is looked at at %v", got)
	}
}

// TestStepTooLongForMaxInterval: New does not check the policy. A step that cannot end in time is replaced by the
// longest interval that can.
func TestStepTooLongForMaxInterval(t *testing.T) {
	p := probing()
	p.Steps = []time.Duration{1900 * time.Millisecond}
	l := newTestLine(t, p)
	l.stays("1")
	if got := l.m.View().Interval; got != 1400*time.Millisecond {
		t.Errorf("after lead 600 ms, a step of 1.9 s is %v; want 1.4 s, 2 s after our BYE", got)
	}
	p.MaxInterval = 1200 * time.Millisecond
	l.m.SetPolicy(l.now, p)
	if got := l.m.View().Interval; got != time.Second {
		t.Errorf("a step of 1.9 s is %v; want max_interval less 200 ms, 1 s", got)
	}
}
