package supervision_test

import (
	"strings"
	"testing"
	"time"

	"clearback/supervision"
)

// cleared makes one interruption of 800 ms for an answered call. A sensor sees that no current flows after it.
func (l *testLine) cleared() {
	l.t.Helper()
	l.closed()
	l.after(0, "released reading=repeated")
}

// closed is like cleared, without the reading after the closing.
func (l *testLine) closed() {
	l.t.Helper()
	l.after(0, "call-arrived call=1")
	l.after(time.Second, "call-answered call=1")
	l.after(0, "seized")
	l.after(time.Minute, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(10*time.Millisecond, "loop-opened seq=1")
	l.after(20*time.Millisecond, "released")
	l.after(780*time.Millisecond, "loop-closed seq=1")
}

// TestSeizureAfterGuardTime: the guard time has run out, TimePassed has not arrived yet, and the sensor sees somebody
// lift a handset. The hold had cleared, and the loop must not open for the person who is dialling (invariant 6).
func TestSeizureAfterGuardTime(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted, p.Repeats = true, 1
	l := newTestLine(t, p)
	l.cleared()
	l.wantEffects("a lift at the end of the guard time", l.after(400*time.Millisecond, "seized"),
		"report interrupted call=1 seq=1 interval=800ms hook=on by=sense")

	l = newTestLine(t, p)
	l.cleared()
	l.wantEffects("current in the guard time", l.after(400*time.Millisecond-1, "seized"), "")
	l.wantEffects("its end: the hold came back", l.after(1, "time-passed"),
		"report interrupted call=1 seq=1 interval=800ms hook=off by=sense\n"+
			"open-loop call=1 seq=2 interval=800ms not-after=+122.46s")

	// A sensor that has not been read since the closing has not seen the hold clear. Its first report shows the hold.
	l = newTestLine(t, p)
	l.closed()
	l.wantEffects("the first reading since the closing", l.after(500*time.Millisecond, "seized"), "")
	l.wantEffects("the look", l.after(0, "time-passed"), "report interrupted call=1 seq=1 interval=800ms hook=off by=sense\n"+
		"open-loop call=1 seq=2 interval=800ms not-after=+122.56s")

	// With an untrusted sensor, a lifted handset means that a probe would not find the hold.
	p.SenseTrusted, p.ProbeTrusted, p.OnHookRecognition = false, true, 800*time.Millisecond
	l = newTestLine(t, p)
	l.cleared()
	l.wantEffects("a lift at the end of the guard time, by a sensor that is not trusted",
		l.after(400*time.Millisecond, "seized"),
		"probe-line\nreport interrupted call=1 seq=1 interval=800ms hook=unknown")
}

// TestSecondEmergencyCallDoesNotShortenCallbackWindow checks the call-back window of the first emergency call.
func TestSecondEmergencyCallDoesNotShortenCallbackWindow(t *testing.T) {
	p := supervision.DefaultPolicy()
	l := newTestLine(t, p)
	l.after(0, "call-requested call=1 emergency")
	l.after(0, "call-answered call=1")
	l.after(0, "near-end-cleared call=1")
	end := l.now.Add(p.CallbackWindow)
	p.CallbackWindow = time.Minute
	l.m.SetPolicy(l.now, p)
	l.after(0, "call-requested call=2 emergency")
	l.after(0, "call-answered call=2")
	l.after(0, "near-end-cleared call=2")
	if got := l.m.View().CallbackBy; got != end {
		t.Errorf("the window ends at %v; want %v", got, end)
	}
	l.after(29*time.Minute+30*time.Second, "call-requested call=3 emergency")
	l.after(0, "call-answered call=3")
	l.after(0, "near-end-cleared call=3")
	if got, want := l.m.View().CallbackBy, l.now.Add(time.Minute); got != want {
		t.Errorf("the window ends at %v; want %v", got, want)
	}
}

// TestCallAfterALongFault checks that a call that arrives while the line settles after a fault waits for the guard
// time, like any other (invariant 5). A call that waited during the fault was offered after its longest wait, and so is
// a call that arrives during a later fault.
func TestCallAfterALongFault(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.after(0, "loop-unknown failure=no-answer")
	l.after(time.Hour, "time-passed")
	l.wantEffects("a call in a long fault", l.after(0, "call-arrived call=1"), "offer-call call=1")
	l.after(0, "near-end-cleared call=1")
	l.after(0, "loop-closed")
	l.wantEffects("a call in the guard time", l.after(0, "call-arrived call=2"), "")
	l.wantEffects("1 ns before its end", l.after(400*time.Millisecond-1, "time-passed"), "")
	l.wantEffects("its end", l.after(1, "time-passed"), "offer-call call=2")

	// A call that waits already does not wait longer because the loop closes.
	l = newTestLine(t, supervision.DefaultPolicy())
	l.after(0, "pulse-requested")
	l.after(0, "loop-unknown seq=1 failure=no-answer")
	l.after(0, "call-arrived call=1")
	l.wantEffects("the closing", l.after(6500*time.Millisecond, "loop-closed"),
		"report incident-ended reason=controller-unreachable")
	// lead, probe, max_interval, close, guard time and recognition are 6.6 s
	l.wantEffects("the longest wait", l.after(100*time.Millisecond, "time-passed"), "offer-call call=1")
}

// TestLongestWait checks cases that do not occur if the timer is punctual. However long a call has waited, it is not
// offered while an interruption is pending or the loop is open. However late the adapter recognises on hook, the call
// is offered after the longest wait (invariants 2 and 5).
func TestLongestWait(t *testing.T) {
	clearing := func(p supervision.Policy) *testLine {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "call-arrived call=2")
		return l
	}
	l := clearing(supervision.DefaultPolicy())
	l.wantEffects("pending, an hour later", l.after(time.Hour, "call-arrived call=3"), "")
	l.wantEffects("pending no longer", l.after(0, "time-passed"),
		"report incident call=1 reason=missed-not-after\noffer-call call=2\noffer-call call=3")

	l = clearing(supervision.DefaultPolicy())
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(0, "loop-opened seq=1")
	l.wantEffects("open, an hour later", l.after(time.Hour, "time-passed"), "close-loop call=1 seq=1")
	l.wantEffects("closed", l.after(0, "loop-closed seq=1"), "offer-call call=2")

	p := supervision.DefaultPolicy()
	l = clearing(p)
	longest := l.now.Add(6600 * time.Millisecond) // lead, probe, max_interval, close, guard time and recognition
	p.OnHookRecognition = 10 * time.Second
	l.m.SetPolicy(l.now, p)
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(0, "loop-opened seq=1")
	l.after(800*time.Millisecond, "loop-closed seq=1")
	l.after(400*time.Millisecond, "time-passed")
	if l.deadline != longest {
		t.Errorf("the call is offered at %v; want %v, after its longest wait", l.deadline, longest)
	}
	l.now = longest
	l.wantEffects("then", l.after(0, "time-passed"), "offer-call call=2")
}

// TestOtherLegUnconfirmed: as long as the adapter may have a leg of another answered call, it can take the opening for
// a hook flash in that call. So the interval must be too long for a flash (invariant 3).
func TestOtherLegUnconfirmed(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.FlashMax, p.ProbeTrusted, p.Repeats = 1200*time.Millisecond, true, 1
	two := func() *testLine {
		l := newTestLine(t, p)
		l.after(0, "call-arrived call=1")
		l.after(0, "call-answered call=1")
		l.after(0, "call-requested call=2")
		l.after(0, "call-answered call=2")
		l.after(time.Minute, "far-end-cleared call=1 evidence=bye") // another call is on the line: nothing opens
		l.after(time.Second, "far-end-cleared call=2 evidence=bye")
		return l
	}
	opening := "open-loop call=2 seq=1 interval=1.3s not-after=+121.7s"
	l := two()
	l.wantEffects("the other BYE is not answered", l.after(0, "adapter-leg-cleared call=2 answer=confirmed"), opening)
	l = two()
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.wantEffects("both are answered", l.after(0, "adapter-leg-cleared call=2 answer=confirmed"),
		strings.Replace(strings.Replace(opening, "1.3s", "800ms", 1), "121.7", "122.2", 1))
	l = two()
	l.after(65*time.Second, "adapter-leg-cleared call=2 answer=confirmed")

	// A repetition checks the legs again.
	l = two()
	l.after(0, "adapter-leg-cleared call=2 answer=confirmed")
	l.after(0, "loop-opened seq=1")
	l.after(1300*time.Millisecond, "loop-closed seq=1")
	l.after(time.Second, "time-passed")
	l.wantEffects("the hold stayed", l.after(0, "probe-answered hook=off"),
		"report interrupted call=2 seq=1 interval=1.3s hook=off by=probe\nopen-loop call=2 seq=2 interval=1.3s not-after=+123.55s")

	// A trial whose length could be taken for a flash is not made.
	l = newTestLine(t, p)
	l.after(0, "call-arrived call=1")
	l.after(0, "call-answered call=1")
	l.after(0, "call-arrived call=2")
	l.after(0, "call-answered call=2")
	l.after(0, "trial-set call=2 interval=500ms")
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "far-end-cleared call=2 evidence=bye")
	l.wantEffects("a trial while the other BYE is not answered",
		l.after(0, "adapter-leg-cleared call=2 answer=confirmed"),
		"report suppressed call=2 interval=500ms rule=out-of-bounds trial")
}

// TestMachineCopiesSteps checks that a later change of the policy's slice does not affect the machine.
func TestMachineCopiesSteps(t *testing.T) {
	p := probing()
	p.Listening, p.Steps = 0, []time.Duration{time.Second}
	for _, set := range []func(l *testLine){func(*testLine) {}, func(l *testLine) { l.m.SetPolicy(l.now, p) }} {
		l := newTestLine(t, p)
		set(l)
		p.Steps[0] = 1100 * time.Millisecond
		l.stays("1")
		if got := l.m.View().Interval; got != time.Second {
			t.Errorf("the next interval is %v; want 1s", got)
		}
		p.Steps[0] = time.Second
	}
}

// TestLateOpeningIsNotCutShort: an opening is written as late as possible and begins 100 ms later. The limit on its end
// must not shorten it below the flash maximum or the shortest interruption (invariants 3, 4 and 11).
func TestLateOpeningIsNotCutShort(t *testing.T) {
	const ms = time.Millisecond
	clearing := func(p supervision.Policy, answer string) (*testLine, string) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		if answer == "" {
			return l, l.after(p.Lead, "time-passed")
		}
		return l, l.after(0, "adapter-leg-cleared call=1 answer="+answer)
	}
	// cut returns how long the loop is open if nothing closes it earlier.
	cut := func(l *testLine, late time.Duration) time.Duration {
		l.t.Helper()
		l.after(late+100*ms, "loop-opened seq=1")
		return l.deadline.Sub(l.now)
	}
	p := supervision.DefaultPolicy()
	p.MaxInterval = p.Interval + 200*ms
	l, opens := clearing(p, "confirmed")
	l.wantEffects("max_interval close to interval", opens, "open-loop call=1 seq=1 interval=800ms not-after=+121.2s")
	if got := cut(l, 200*ms); got != 700*ms {
		t.Errorf("open for %v; want 700ms", got)
	}

	p.FlashMax = 700 * ms
	p.MaxInterval = 1000 * ms
	l, opens = clearing(p, "")
	l.wantEffects("a flash maximum close to interval", opens, "open-loop call=1 seq=1 interval=800ms not-after=+121.8s")
	if got := cut(l, 200*ms); got < p.FlashMax {
		t.Errorf("open for %v; want no less than the flash maximum", got)
	}

	p = supervision.DefaultPolicy()
	p.Interval, p.MaxInterval, p.OnHookRecognition = 250*ms, 450*ms, 400*ms
	l, opens = clearing(p, "confirmed")
	l.wantEffects("the shortest interval", opens, "open-loop call=1 seq=1 interval=250ms not-after=+121.1s")
	if got := cut(l, 100*ms); got != 250*ms {
		t.Errorf("open for %v; want 250ms", got)
	}

	p.MaxInterval, p.Lead = 3*time.Second, 1650*ms // 2 s after the BYE
	l, opens = clearing(p, "")
	l.wantEffects("the shortest interval after the longest lead", opens,
		"open-loop call=1 seq=1 interval=250ms not-after=+122.65s")
	if got := cut(l, 0); got != 250*ms {
		t.Errorf("open for %v; want 250ms", got)
	}

	p = supervision.DefaultPolicy()
	l = newTestLine(t, p)
	l.wantEffects("the longest interval by hand", l.after(0, "pulse-requested interval=2.8s"),
		"open-loop seq=1 interval=2.8s not-after=+60.2s")
	l = newTestLine(t, p)
	l.wantEffects("a longer one", l.after(0, "pulse-requested interval=2.801s"), "report refused rule=out-of-bounds")

	l = newTestLine(t, p)
	l.held()
	p.MaxInterval = 1200 * ms
	l.m.SetPolicy(l.now, p)
	l.wantEffects("the longest trial", l.after(0, "trial-set call=1 interval=1s"), "")
	l.wantEffects("a longer one", l.after(0, "trial-set call=1 interval=1.001s"),
		"report refused call=1 rule=out-of-bounds")
}

// TestConfirmationCrossesClose: a confirmation that crosses CloseLoop does not change the 500 ms that the close may
// take.
func TestConfirmationCrossesClose(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.wantEffects("a seizure", l.after(10*time.Millisecond, "seized"),
		"close-loop call=1 seq=1\nreport cancelled call=1 pending")
	by := l.now.Add(500 * time.Millisecond)
	l.after(20*time.Millisecond, "loop-opened seq=1")
	if l.deadline != by {
		t.Errorf("the close is awaited until %v; want %v", l.deadline, by)
	}
}

// TestShortestPulseByHand checks that 250 ms is allowed and that a shorter pulse is not.
func TestShortestPulseByHand(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.wantEffects("249.999999 ms", l.after(0, "pulse-requested interval=249.999999ms"),
		"report refused rule=out-of-bounds")
	l.wantEffects("250 ms", l.after(0, "pulse-requested interval=250ms"),
		"open-loop seq=1 interval=250ms not-after=+61s")
}

// TestWaitingCallsAreCounted checks that every waiting call is refused when the near end comes first.
func TestWaitingCallsAreCounted(t *testing.T) {
	l := newTestLine(t, supervision.DefaultPolicy())
	l.held()
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "call-arrived call=2")
	l.after(0, "call-arrived call=3")
	if l.m.AtRest() {
		t.Error("at rest while calls wait")
	}
	l.wantEffects("a seizure", l.after(0, "seized"),
		"report cancelled call=1 pending\nrefuse-call call=2 code=486\nrefuse-call call=3 code=486")
}

// TestLookWhileACallRings: if a call rings when a line is seen off hook, the result is unknown, since the adapter may
// answer for that call. On hook is still on hook.
func TestLookWhileACallRings(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted = true
	l := newTestLine(t, p)
	l.cleared()
	l.after(20*time.Millisecond, "seized")
	l.after(380*time.Millisecond, "time-passed")
	l.after(time.Second, "call-arrived call=2")
	l.wantEffects("the handset put down", l.after(time.Second, "released"),
		"report interrupted call=1 seq=1 interval=800ms hook=on by=sense")

	l = newTestLine(t, p)
	l.cleared()
	l.after(20*time.Millisecond, "seized")
	l.after(380*time.Millisecond, "time-passed")
	l.after(time.Second, "call-arrived call=2")
	l.wantEffects("the second look", l.after(9*time.Second, "time-passed"),
		"report interrupted call=1 seq=1 interval=800ms hook=unknown")

	l = newTestLine(t, listening())
	l.stays("1")
	l.wantEffects("the second probe", l.after(10*time.Second, "time-passed"), "probe-line")
	l.after(0, "call-arrived call=2")
	l.wantEffects("off hook, or the call that rings", l.after(0, "probe-answered hook=off"),
		"report interrupted call=9 seq=1 interval=800ms hook=unknown")
}

// TestRepeatedIncident: the same reason for another call is another incident. The same reason for the same call is not
// reported twice. Another reason replaces the incident. Off hook without a call is not reported beside any other.
func TestRepeatedIncident(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted, p.Listening = true, 0
	l := newTestLine(t, p)
	opened := func(seq string) string { // the current never stops
		l.after(0, "loop-opened seq="+seq)
		l.after(800*time.Millisecond, "loop-closed seq="+seq)
		l.after(0, "seized reading=repeated")
		return l.after(400*time.Millisecond, "time-passed")
	}
	l.held()
	l.after(0, "seized")
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.wantEffects("a contact that is stuck", opened("1"),
		"report interrupted call=1 seq=1 interval=800ms hook=off by=sense\nreport incident call=1 reason=contact-stuck")
	l.after(time.Second, "pulse-requested")
	l.wantEffects("by hand", opened("2"), "report interrupted seq=2 interval=800ms hook=off by=sense\n"+
		"report incident-ended reason=contact-stuck\nreport incident seq=2 reason=contact-stuck")
	l.after(time.Second, "pulse-requested")
	l.wantEffects("by hand again", opened("3"), "report interrupted seq=3 interval=800ms hook=off by=sense")
	l.wantEffects("off hook for long", l.after(2*time.Minute, "time-passed"), "")
	l.after(time.Second, "pulse-requested")
	l.wantEffects("another reason", l.after(time.Second, "loop-failed seq=4 failure=unreachable"),
		"report incident-ended reason=contact-stuck\nreport incident seq=4 reason=controller-unreachable")
}
