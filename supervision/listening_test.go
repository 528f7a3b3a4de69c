package supervision_test

import (
	"testing"
	"time"

	"clearback/supervision"
)

func listening() supervision.Policy {
	p := probing()
	p.Listening, p.Steps = 10*time.Second, []time.Duration{time.Second}
	return p
}

// TestListeningEndsToTheNanosecond checks that the second look comes exactly at the end of the grace.
func TestListeningEndsToTheNanosecond(t *testing.T) {
	l := newTestLine(t, listening())
	l.stays("1")
	if want := l.now.Add(10 * time.Second); l.deadline != want {
		t.Errorf("the second look is due at %v; want %v", l.deadline, want)
	}
	l.wantEffects("1 ns before", l.after(10*time.Second-1, "time-passed"), "")
	l.wantEffects("the end of the grace", l.after(1, "time-passed"), "probe-line")
	l.wantEffects("no answer", l.after(500*time.Millisecond, "time-passed"),
		"report interrupted call=9 seq=1 interval=800ms hook=unknown")
	if v := l.m.View(); v.Incident != supervision.IncidentNone || v.Stayed != 0 {
		t.Errorf("what nobody confirmed is %+v; want no incident, none that stayed", v)
	}

	p := listening()
	p.ProbeTrusted, p.SenseTrusted, p.Listening = false, true, time.Millisecond
	l = newTestLine(t, p)
	l.after(0, "call-requested call=9")
	l.after(0, "call-answered call=9")
	l.after(0, "far-end-cleared call=9 evidence=bye")
	l.after(0, "adapter-leg-cleared call=9 answer=confirmed")
	l.after(0, "loop-opened seq=1")
	l.after(10*time.Millisecond, "released")
	l.after(790*time.Millisecond, "loop-closed seq=1")
	l.after(20*time.Millisecond, "seized")
	l.wantEffects("the first look", l.after(380*time.Millisecond, "time-passed"), "")
	l.wantEffects("1 ns before, by a sensor", l.after(time.Millisecond-1, "time-passed"), "")
	l.wantEffects("the end of the grace, by a sensor, which the adapter need not recognise", l.after(1, "time-passed"),
		"report interrupted call=9 seq=1 interval=800ms hook=off by=sense\nreport incident call=9 reason=interval-short\nreport next-interval interval=1s")
}

// TestWatchAfterListening checks that after a second look without a result the line is watched, from the first look on.
func TestWatchAfterListening(t *testing.T) {
	l := newTestLine(t, listening())
	l.stays("1")
	l.after(10*time.Second, "time-passed")
	l.after(0, "probe-answered hook=unknown")
	l.wantEffects("a minute later", l.after(time.Minute, "time-passed"), "probe-line")
	l.wantEffects("off hook since the first look", l.after(0, "probe-answered hook=off"),
		"report incident reason=off-hook-without-call")
	l.wantEffects("and on hook", l.after(time.Minute, "time-passed")+l.after(0, "probe-answered hook=on"),
		"probe-line"+"report incident-ended reason=off-hook-without-call")
}

// TestSetPolicyWhileListening checks that a grace continues as it began, unless the line becomes untrusted.
func TestSetPolicyWhileListening(t *testing.T) {
	for name, c := range map[string]struct {
		change func(p *supervision.Policy)
		due    time.Duration // from the first look on
	}{
		"another grace": {func(p *supervision.Policy) { p.Listening = 0 }, 10 * time.Second},
		"not trusted":   {func(p *supervision.Policy) { p.ProbeTrusted = false }, time.Second},
		"by a sensor": {func(p *supervision.Policy) { p.ProbeTrusted, p.SenseTrusted = false, true },
			10 * time.Second},
		"life-safety":    {func(p *supervision.Policy) { p.LifeSafety = true }, 10 * time.Second},
		"with a consent": {func(p *supervision.Policy) { p.Repeats = 2 }, 10 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			l := newTestLine(t, listening())
			l.stays("1")
			l.after(0, "seized reading=repeated") // of a sensor that is not trusted yet
			first := l.now
			p := listening()
			c.change(&p)
			l.now = l.now.Add(time.Second)
			if got, want := l.m.SetPolicy(l.now, p), first.Add(c.due); got != want {
				t.Errorf("the second look is due at %v; want %v", got, want)
			}
		})
	}
	l := newTestLine(t, listening())
	l.stays("1")
	l.m.SetPolicy(l.now, supervision.DefaultPolicy())
	l.m.SetPolicy(l.now, listening())
	l.wantEffects("trusted again at once", l.after(0, "time-passed"),
		"report interrupted call=9 seq=1 interval=800ms hook=unknown")

	p := listening()
	l = newTestLine(t, p)
	l.stays("1")
	p.Repeats = 2
	l.m.SetPolicy(l.now, p)
	l.after(10*time.Second, "time-passed")
	l.wantEffects("a consent that comes meanwhile repeats nothing so late", l.after(0, "probe-answered hook=off"),
		"report interrupted call=9 seq=1 interval=800ms hook=off by=probe\nreport incident call=9 reason=interval-short\nreport next-interval interval=1s")
}

// TestHoldStayedAfterIntervalChange checks that a hold that stayed leads to a longer interval, whatever intervals were
// set since.
func TestHoldStayedAfterIntervalChange(t *testing.T) {
	const ms = time.Millisecond
	for name, c := range map[string]struct {
		interval time.Duration
		steps    []time.Duration
		want     time.Duration
	}{
		"longer":           {900 * ms, []time.Duration{1000 * ms}, 900 * ms},
		"as long":          {800 * ms, []time.Duration{1100 * ms, 1200 * ms}, 1100 * ms},
		"shorter":          {600 * ms, []time.Duration{700 * ms, 850 * ms}, 850 * ms},
		"nothing longer":   {600 * ms, []time.Duration{700 * ms}, 700 * ms},
		"shorter, no step": {600 * ms, nil, 600 * ms},
	} {
		t.Run(name, func(t *testing.T) {
			p := listening()
			l := newTestLine(t, p)
			l.stays("1")
			p.Interval, p.Steps = c.interval, c.steps
			l.m.SetPolicy(l.now, p)
			l.after(10*time.Second, "time-passed")
			l.after(0, "probe-answered hook=off")
			if got := l.m.View().Interval; got != c.want {
				t.Errorf("after 800 ms were too short, the next interval is %v; want %v", got, c.want)
			}
		})
	}
}
