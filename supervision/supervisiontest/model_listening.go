package supervisiontest

import "clearback/supervision"

// listeningModel is the grace of an interruption after which the line was first seen off hook.
type listeningModel struct {
	on      bool
	by      supervision.Instant // its end
	lost    bool                // neither probe nor sensor was trusted at some point
	asked   bool                // a second probe was sent
	askedAt supervision.Instant
}

// stillThere reports whether a report of current is no news, since the current has not stopped.
func (t *model) stillThere() bool {
	return t.verification.listen.on && t.policy.SenseTrusted && t.watch.current != supervision.Released
}

// looks reports whether the event makes the machine look for the first time at the sensor after an interruption.
func (t *model) looks(now supervision.Instant, ev *supervision.Event) bool {
	switch ev.Kind {
	case supervision.ProbeAnswered:
		return t.answered && t.verification.probed
	case supervision.TimePassed:
		due := t.verification.due
		if t.verification.probed {
			due = t.probedAt.Add(probeLimit)
		}
		return t.guardEnded || now >= due || !t.loop.guarding && !t.policy.ProbeTrusted
	default:
		return t.guardEnded
	}
}

// mayListen reports whether an interruption gets a grace if the line is seen off hook now, unless it is repeated.
func (t *model) mayListen(now supervision.Instant) bool {
	return t.policy.Listening > 0 && t.verification.call != 0 && !t.verification.catch && !t.loop.trial && !t.stuck() &&
		!t.inWindow(now)
}

func (t *model) mayLookAgain(now supervision.Instant) bool {
	l := &t.verification.listen
	return !l.asked && now >= l.by && !t.mayRing()
}

// checkListens checks reports of an interruption that has, or should have, a grace.
func checkListens(t *model, m *Moment, ef *supervision.Effect) string {
	l := &t.verification.listen
	switch {
	case ef.Kind == supervision.OpenLoop && l.on:
		return "opens without a report of the interruption before"
	case !isReport(ef, supervision.ReportInterrupted):
		return ""
	case ef.Hook == supervision.HookOff && !l.on && t.mayListen(m.Now) && !hasEffect(m, supervision.OpenLoop, ef.Call):
		return "reports a hold that stayed at first sight, although somebody may be listening"
	case ef.Hook == supervision.HookOff && l.on && m.Now < l.by:
		return "looks again before the grace is over"
	case ef.Hook == supervision.HookUnknown && l.on && !hindered(t, m):
		return "reports unknown although nothing hinders the second look"
	}
	return ""
}

// hindered reports whether the second look could not be made, or could not say anything.
func hindered(t *model, m *Moment) bool {
	l := &t.verification.listen
	switch m.Event.Kind {
	case supervision.CallRequested, supervision.CallAdopted, supervision.CallAnswered:
		return t.known
	case supervision.Seized:
		return t.seizure
	case supervision.FarEndCleared, supervision.NearEndCleared, supervision.AdapterLost:
		return t.inWindow(m.Now)
	case supervision.PulseRequested, supervision.LoopUnknown:
		return true
	case supervision.ProbeAnswered:
		return t.answered && (t.hookOf(&m.Event) != supervision.HookOff || t.mayRing())
	case supervision.TimePassed:
		unanswered := l.asked && m.Now >= l.askedAt.Add(probeLimit)
		return l.lost || unanswered || t.mayRing() && m.Now >= l.by || !t.policy.ProbeTrusted &&
			t.sensorHook() == supervision.HookUnknown
	default:
		return false
	}
}

// listensEnd begins a grace, and checks that a grace does not last too long.
func listensEnd(t *model, m *Moment) string {
	l := &t.verification.listen
	if !l.on {
		if !t.hookOff && !t.sensorOff || reported(m, supervision.ReportInterrupted) != nil {
			return ""
		}
		if !t.mayListen(m.Now) {
			return "does not report a hold that was seen to stay"
		}
		t.verification.must, t.verification.asked = false, false
		*l = listeningModel{on: true, by: m.Now.Add(t.policy.Listening)}
		t.seen(m.Now, supervision.HookOff)
	}
	by := max(l.by, t.loop.recognised)
	if l.asked {
		by = l.askedAt.Add(probeLimit)
	}
	requested := m.Event.Kind == supervision.CallRequested || m.Event.Kind == supervision.CallAdopted ||
		m.Event.Kind == supervision.CallAnswered
	switch {
	case m.Event.Kind == supervision.Released && t.policy.SenseTrusted && t.news(&m.Event):
		return "continues the grace after the current has stopped"
	case t.known && requested:
		return "continues the grace in a call"
	case t.inWindow(m.Now):
		return "continues the grace in the call-back window"
	case m.Deadline > max(by, m.Now) || m.Event.Kind == supervision.TimePassed && m.Now >= by:
		return "does not look again after the grace"
	}
	return ""
}
