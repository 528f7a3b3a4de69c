package rehearsal

import (
	"strings"
	"time"

	"clearback/supervision/keysystem"
)

// checkCleared checks that the loop opened exactly once since the hang-up, for the line's interval and after the
// adapter's leg was cleared. This opening must have cleared the hold, and the adapter must have seen the line on hook.
// The daemon must have reported this, if it can know.
func (p *sceneRun) checkCleared(v *sceneResult, l *line) {
	if l.habit.reboot > 0 {
		p.checkRestarted(v, l)
		return
	}
	past := p.since(l)
	zero, _ := p.hungUp()
	interval := l.habit.interval(&l.policy)
	most := interval + late
	e, found := p.find(l.name, "adapter", "sends 200 to BYE")
	// on a busy machine the response may come later than configured
	tooLate := l.habit.byeAfter > 0 && found && e.at.After(zero.Add(l.policy.Lead))
	if tooLate {
		most = unconfirmed(&l.policy) + late
	}
	open, ok := p.checkOneOpening(v, l, interval, most)
	if !ok {
		return
	}
	switch {
	case tooLate:
	case l.habit.byeSilent && found:
		v.fail("%s: the adapter answered BYE although its habit is not to answer", l.name)
	// the zero may be a time that the adapter reported
	case l.habit.byeSilent && open.began.Before(zero.Add(l.policy.Lead-100*time.Millisecond)):
		v.fail("%s: the loop opened before the lead was over", l.name)
	case !l.habit.byeSilent && (!found || e.at.After(open.began)):
		v.fail("%s: the loop opened before the adapter had cleared its call", l.name)
	}
	went, let := first(past, keysystem.HoldReleased)
	onHook, seen := first(past, keysystem.PortOnHook)
	switch {
	case !let:
		v.fail("%s: the hold stayed", l.name)
	case !seen:
		v.fail("%s: the adapter never saw the line on hook", l.name)
	case went.Before(open.began) && !l.habit.byItself(0):
		v.fail("%s: the hold cleared before the loop opened", l.name)
	default:
		v.note("%s: the hold cleared %s ms after the hang-up (loop open for %s ms, on hook after %s ms)",
			l.name, millis(went.Sub(zero)), millis(open.lasted()), millis(onHook.Sub(zero)))
	}
	p.checkReported(v, l)
}

// checkReported checks that the daemon reported that the hold cleared. If neither probe nor sensor is trusted, the
// daemon must have reported that it does not know.
func (p *sceneRun) checkReported(v *sceneResult, l *line) {
	want := "hook=on"
	if !l.policy.ProbeTrusted && !l.policy.SenseTrusted {
		want = "hook=unknown"
	}
	e, told := p.find(l.name, "clearback", "report interrupted")
	switch {
	case !told:
		v.fail("%s: no report gives the outcome of the interruption", l.name)
	case !strings.Contains(e.text, want):
		v.fail("%s: the report says %q instead of %s", l.name, e.text, want)
	default:
		v.note("the report says %q", e.text)
	}
	if e, told := p.incident(l); told {
		v.fail("%s: the hold cleared, and the report says %q", l.name, e.text)
	}
}

// checkRestarted checks an adapter that restarts during the call. It interrupts the battery for so long that the hold
// clears, and knows no call afterwards. Nothing must open the loop.
func (p *sceneRun) checkRestarted(v *sceneResult, l *line) {
	checkNeverOpened(v, l)
	if s := l.lineModel.state(); s.Held || s.OffHook && !l.port.inCall() {
		v.fail("%s: the line is not on hook", l.name)
	}
	if e, told := p.incident(l); told {
		v.fail("%s: the line is on hook, and the report says %q", l.name, e.text)
	}
	e, told := p.find(l.name, "clearback", "report suppressed")
	if !told {
		v.fail("%s: no report says why the loop stayed closed", l.name)
		return
	}
	v.note("%s: the hold cleared when the battery was interrupted; the loop stayed closed, and the report says %q",
		l.name, e.text)
}

// checkNoFalseReport checks what must hold for every line in every scene. No loop opens while the port rings. The
// daemon never reports the near end as on hook while current flows, nor at all if it cannot know.
func (p *sceneRun) checkNoFalseReport(v *sceneResult, l *line) {
	var current, ringing bool
	past := l.lineModel.history()
	flows := func(at time.Time) bool {
		is := false
		for _, h := range past {
			if h.at.After(at) {
				break
			}
			is = h.Kind == keysystem.CurrentOn || is && h.Kind != keysystem.CurrentOff
		}
		return is
	}
	for _, h := range past {
		switch h.Kind {
		case keysystem.CurrentOn, keysystem.CurrentOff:
			current = h.Kind == keysystem.CurrentOn
		case keysystem.RingBegan, keysystem.RingEnded:
			ringing = h.Kind == keysystem.RingBegan
		case keysystem.ContactOpened:
			if ringing && !current {
				v.fail("%s: the loop opened while the line rang", l.name)
			}
		}
	}
	for _, e := range p.sorted() {
		if e.place != l.name || e.who != "clearback" || !strings.Contains(e.text, "hook=on") {
			continue
		}
		report := strings.HasPrefix(e.text, "report ")
		switch {
		case !l.policy.ProbeTrusted && !l.policy.SenseTrusted && report:
			v.fail("%s: the daemon cannot know that the line is on hook, and the report says %q", l.name, e.text)
		case report && flows(e.at):
			v.fail("%s: loop current flows, and the report says %q", l.name, e.text)
		}
	}
}
