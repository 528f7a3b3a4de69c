package supervision_test

import (
	"testing"
	"time"

	"clearback/supervision"
)

// TestOffHookCountsFromTheLastTime: a handset that was put down while the line was not idle no longer counts as off
// hook. The time starts again when a handset is next lifted.
func TestOffHookCountsFromTheLastTime(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted = true
	for name, between := range map[string][]string{
		"while a call is offered": {"call-arrived call=1", "released", "near-end-cleared call=1"},
		"while nobody knows of the loop": {"loop-unknown", "released", "loop-closed",
			"released reading=repeated"},
		"in doubt": {
			"call-requested call=1", "call-answered call=1", "far-end-cleared call=1 evidence=bye", "seized",
			"loop-unknown", "released", "loop-closed",
			"released reading=repeated",
		},
	} {
		t.Run(name, func(t *testing.T) {
			l := newTestLine(t, p)
			l.after(0, "seized")
			for _, ev := range between {
				l.after(10*time.Millisecond, ev)
			}
			l.after(time.Second, "time-passed")
			l.wantEffects("lifted", l.after(2*time.Minute, "seized"), "")
			lifted := l.now
			if want := lifted.Add(time.Minute); l.deadline != want {
				t.Errorf("the line is looked at at %v; want %v, a minute after it was lifted", l.deadline, want)
			}
			l.wantEffects("59 s later", l.after(59*time.Second, "time-passed"), "")
			l.wantEffects("a minute later", l.after(time.Second, "time-passed"),
				"report incident reason=off-hook-without-call")
		})
	}
}

// TestLiftedAgain: although the line has an incident, a handset that was put down in between, and lifted while nobody
// knew of the loop, has its whole time.
func TestLiftedAgain(t *testing.T) {
	p := supervision.DefaultPolicy()
	p.SenseTrusted = true
	l := newTestLine(t, p)
	l.after(time.Second, "left-off-hook")
	for _, ev := range []string{"loop-unknown", "released", "loop-closed", "released reading=repeated", "time-passed",
		"loop-unknown", "seized", "loop-closed", "seized reading=repeated", "time-passed"} {
		l.after(500*time.Millisecond, ev) // longer than the guard time
	}
	if want := l.now.Add(p.Watch); l.deadline != want {
		t.Errorf("the line is looked at at %v; want %v", l.deadline, want)
	}
}
