package supervision_test

import (
	"testing"
	"time"

	"clearback/supervision"
)

// TestWhyAnInterruptionWasNotMade checks that each failure of the contact is an incident with a reason of its own.
func TestWhyAnInterruptionWasNotMade(t *testing.T) {
	for failure, reason := range map[string]string{
		"refused": "controller-refused", "not-moved": "contact-stuck", "late": "missed-not-after",
		"unreachable": "controller-unreachable", "no-answer": "controller-unreachable",
	} {
		l := newTestLine(t, supervision.DefaultPolicy())
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
		l.wantEffects(failure, l.after(time.Second, "loop-failed seq=1 failure="+failure),
			"report incident call=1 reason="+reason)
	}
}

// TestTrialAtItsLastInstant checks that a trial opens if the answer comes just early enough for the opening to end in
// time.
func TestTrialAtItsLastInstant(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.Lead = 1500 * time.Millisecond
	for late, want := range map[time.Duration]string{
		0: "open-loop call=1 seq=1 interval=500ms not-after=+122.5s trial",
		1: "report suppressed call=1 interval=500ms rule=late trial",
	} {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "trial-set call=1 interval=500ms")
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.wantEffects("the answer", l.after(1500*time.Millisecond+late, "adapter-leg-cleared call=1 answer=confirmed"),
			want)
	}
}

// TestReleasedInACall checks that a line whose current stopped during a call counts as on hook once it is idle: then it
// needs no look, as the sensor will report a change.
func TestReleasedInACall(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted, p.Watch = true, time.Minute
	for _, stops := range []bool{false, true} {
		l := newTestLine(t, p)
		l.after(0, "seized")
		l.after(0, "call-requested call=1")
		want := l.now.Add(2*time.Second + p.Watch)
		if stops {
			l.after(time.Second, "released")
			want = supervision.Never
		} else {
			l.after(time.Second, "seized reading=repeated")
		}
		l.after(time.Second, "near-end-cleared call=1")
		if l.deadline != want {
			t.Errorf("the current stops: %t; the next look is at %v; want %v", stops, l.deadline, want)
		}
	}
}

// TestReached: the centre may know of an attempt that was answered, by any 2xx and by no other status (RFC 3261 section
// 21).
func TestReached(t *testing.T) {
	for code, want := range map[int]bool{199: false, 200: true, 299: true, 300: false} {
		if got := (&supervision.Event{Code: code}).Reached(); got != want {
			t.Errorf("status %d: reached is %t", code, got)
		}
	}
}
