package supervision_test

import (
	"testing"
	"time"

	"clearback/supervision"
)

// TestReportsSayHowTheLineWasSeen: if both probe and sensor are trusted, the sensor decides, even if the probe was sent
// before the sensor's first reading.
func TestReportsSayHowTheLineWasSeen(t *testing.T) {
	p := probing()
	p.SenseTrusted = true
	interrupted := func(sensed, probed, want string) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
		l.after(0, "loop-opened seq=1")
		l.after(800*time.Millisecond, "loop-closed seq=1")
		l.after(400*time.Millisecond, "time-passed")
		l.wantEffects("the look", l.after(400*time.Millisecond, "time-passed"), "probe-line")
		if sensed != "" {
			l.wantEffects("a reading", l.after(0, sensed), "")
		}
		l.wantEffects(sensed+" and "+probed, l.after(0, probed),
			"report interrupted call=1 seq=1 interval=800ms hook="+want)
	}
	interrupted("", "probe-answered hook=on", "on by=probe")
	interrupted("", "probe-answered hook=unknown", "unknown")
	interrupted("released", "probe-answered hook=unknown", "on by=sense")

	unknown := func(sensed, probed, want string) {
		l := newTestLine(t, p)
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		if sensed != "" {
			l.after(0, sensed)
		}
		got := l.after(0, "adapter-leg-cleared call=1 answer=unknown-call")
		if probed != "" {
			l.wantEffects("a 481", got, "probe-line")
			got = l.after(0, probed)
		}
		l.wantEffects("a 481, "+sensed+probed, got, "report suppressed call=1 rule=unknown-call"+want+" pending")
	}
	unknown("", "probe-answered hook=on", " hook=on by=probe")
	unknown("", "probe-answered hook=unknown", "")
	unknown("released", "", " hook=on by=sense")
}

// TestTrialReportSaysHowTheLineWasSeen checks a catch trial, which opens nothing.
func TestTrialReportSaysHowTheLineWasSeen(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted = true
	l := newTestLine(t, p)
	l.held()
	l.after(0, "trial-set call=1")
	l.after(0, "far-end-cleared call=1 evidence=bye")
	l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
	l.after(0, "released")
	l.wantEffects("the look", l.after(1600*time.Millisecond, "time-passed"),
		"report interrupted call=1 hook=on trial by=sense")
}

// TestReportsNameTheirPulse: an operator's pulse has no call, so its reports give its number. The same incident has no
// number if no pulse is under way.
func TestReportsNameTheirPulse(t *testing.T) {
	const unknown = "loop-unknown failure=unreachable"
	begun := func(more ...string) *testLine {
		l := newTestLine(t, supervision.DefaultPolicy())
		l.after(0, "pulse-requested")
		for _, ev := range more {
			l.after(100*time.Millisecond, ev)
		}
		return l
	}
	const opened, closed = "loop-opened seq=1", "loop-closed seq=1"
	l := begun(opened)
	l.wantEffects("a lift", l.after(0, "call-requested call=1"), "close-loop seq=1\nreport cancelled seq=1")
	l = begun()
	l.wantEffects("a fault of the opening", l.after(0, unknown),
		"close-loop seq=1\nreport incident seq=1 reason=controller-unreachable")
	l = begun(opened, closed)
	l.wantEffects("a fault in the guard time", l.after(0, unknown), "report incident seq=1 reason=controller-unreachable\n"+
		"report interrupted seq=1 interval=800ms hook=unknown")
	l = begun(opened, closed)
	l.wantEffects("the end of the guard time", l.after(400*time.Millisecond, "time-passed"),
		"report interrupted seq=1 interval=800ms hook=unknown")
	l.wantEffects("a fault later", l.after(0, unknown), "report incident reason=controller-unreachable")
	l = begun()
	l.wantEffects("a withdrawal", l.after(0, "loop-failed seq=1 failure=stopped"), "report cancelled seq=1")
}

// TestReportsCarryTheFlash: a hook flash during an opening is reported with the result of the opening, even if the near
// end cuts it short.
func TestReportsCarryTheFlash(t *testing.T) {
	opened := func() *testLine {
		l := newTestLine(t, supervision.DefaultPolicy())
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		l.after(0, "adapter-leg-cleared call=1 answer=confirmed")
		l.after(0, "loop-opened seq=1")
		l.after(500*time.Millisecond, "flash-reported")
		return l
	}
	l := opened()
	l.after(300*time.Millisecond, "loop-closed seq=1")
	l.wantEffects("the end", l.after(400*time.Millisecond, "time-passed"),
		"report interrupted call=1 seq=1 interval=800ms hook=unknown flash")
	l = opened()
	l.wantEffects("a seizure", l.after(0, "seized"), "close-loop call=1 seq=1\nreport cancelled call=1 flash pending")
}

// TestReportsSayWhatIsPending: a report is not pending if the near end asks for a call or the adapter is lost.
func TestReportsSayWhatIsPending(t *testing.T) {
	cleared := func() *testLine {
		l := newTestLine(t, supervision.DefaultPolicy())
		l.held()
		l.after(0, "far-end-cleared call=1 evidence=bye")
		return l
	}
	l := cleared()
	l.wantEffects("the near end hangs up", l.after(0, "near-end-cleared call=1"), "report cancelled call=1 pending")
	l = cleared()
	l.wantEffects("the near end calls", l.after(0, "call-requested call=2"), "report cancelled call=1")
	l = cleared()
	l.wantEffects("the adapter is lost", l.after(0, "adapter-lost call=1"), "report cancelled call=1")
}
