package supervisiontest

import "clearback/supervision"

// incidents checks reports of the hook state.
func incidents(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.Report {
		return ""
	}
	switch ef.Report {
	case supervision.ReportIncidentEnded:
		if !t.watch.hasIncident(ef.Incident) {
			return "ends an incident that is not there: " + ef.Incident.String()
		}
	case supervision.ReportIncident:
		if t.watch.hasIncident(ef.Incident) {
			return "begins an incident that has not ended: " + ef.Incident.String()
		}
		return incidentIsTrue(t, m, ef)
	case supervision.ReportInterrupted:
		return verifiedRightly(t, m, ef)
	}
	return ""
}

// incidentIsTrue is a simple second implementation: it checks that the reason of an incident is true.
func incidentIsTrue(t *model, m *Moment, ef *supervision.Effect) string {
	w := &t.watch
	judged := reported(m, supervision.ReportInterrupted)
	off := judged != nil && judged.Hook == supervision.HookOff && !judged.Trial
	if c := t.find(ef.Call); c != nil && c.trial && c.interrupted && ef.Incident != supervision.IncidentUnreachable &&
		ef.Incident != supervision.IncidentLoopOpen {
		return "reports a trial as an incident"
	}
	switch ef.Incident {
	case supervision.IncidentIntervalShort:
		if !off || t.stuck() || t.loop.unsure {
			return "blames the interval for what it did not do"
		}
	case supervision.IncidentByeUnanswered:
		if c := t.find(ef.Call); c != nil && c.legEnded() {
			return "says that the adapter did not answer, which it did"
		}
	case supervision.IncidentContactStuck:
		readBack := m.Event.Kind == supervision.LoopFailed && m.Event.Failure == supervision.FailureNotMoved
		if !readBack && (!off || !t.stuck()) {
			return "blames a contact that moved"
		}
	case supervision.IncidentLoopOpen:
		if m.Event.Kind != supervision.LoopUnknown || m.Event.Failure != supervision.FailureNotMoved {
			return "reports an open loop that was not read back"
		}
	case supervision.IncidentRefused:
		if m.Event.Kind != supervision.LoopFailed || m.Event.Failure != supervision.FailureRefused {
			return "says that the controller refused, which it did not"
		}
	case supervision.IncidentSuppressed, supervision.IncidentSeized:
		now := ef.Incident == supervision.IncidentSuppressed && t.pendingIsUrgent(m.Now) || w.at || t.inWindow(m.Now) ||
			m.Event.Kind == supervision.LeftOffHook
		if !w.off || !now || w.pendingIncident != (pendingIncidentModel{ef.Call, ef.Incident, ef.Suppression}) {
			return "reports an incident without a pending incident, or of a line that was not seen off hook"
		}
	case supervision.IncidentUnlistedPrefix:
		if ev := m.Event; ev.Kind != supervision.CallRequested || !ev.Emergency ||
			ev.Number != supervision.NumberUnlistedPrefix {
			return "blames a prefix that nobody dialled"
		}
	case supervision.IncidentTooManyOpenings:
		if why := reported(m, supervision.ReportSuppressed); why == nil || !tooMany(why) || why.Call != ef.Call {
			return "calls it a storm although nothing was refused"
		}
	case supervision.IncidentAdopted:
		why := reported(m, supervision.ReportSuppressed)
		if why == nil || why.Suppression != supervision.SuppressedAdopted || why.Call != ef.Call {
			return "blames a restart although the loop did not stay closed for an adopted call"
		}
	case supervision.IncidentNoSound:
		c := t.find(ef.Call)
		if ev := m.Event; ev.Kind != supervision.SoundMissing || ev.Call != ef.Call || c == nil || !c.emergency ||
			!c.answered {
			return "reports missing sound of a call that is not an answered emergency call"
		}
	case supervision.IncidentEmergencyFailed, supervision.IncidentEmergencyAbandoned:
		if c := t.find(ef.Call); c == nil || m.Event.Call != ef.Call || ef.Incident != c.emergencyIncident(m) {
			return "reports the failure of a call that is not an unanswered emergency call, or that ended otherwise"
		}
	case supervision.IncidentFarEndSilent:
		c := t.find(ef.Call)
		if ev := m.Event; ev.Kind != supervision.FarEndSilent || ev.Call != ef.Call || c == nil || c.emergency ||
			!c.answered {
			return "reports a silent far end in a call that is not an answered ordinary call"
		}
	case supervision.IncidentOffHookWithoutCall:
		byHand := off && judged.Call == 0
		if !byHand && !(w.off && (w.at || t.inWindow(m.Now) || m.Event.Kind == supervision.LeftOffHook)) {
			return "calls a line off hook that was not seen off hook for long"
		}
	}
	return ""
}

// emergencyIncident returns the incident that the end of an unanswered emergency call must be.
func (c *callModel) emergencyIncident(m *Moment) supervision.Incident {
	switch {
	case !c.emergency || !c.requested || c.answered:
		return supervision.IncidentNone
	case m.Event.Kind == supervision.FarEndCleared:
		return supervision.IncidentEmergencyFailed
	case (m.Event.Kind == supervision.NearEndCleared || m.Event.Kind == supervision.AdapterLost) && !c.far:
		return supervision.IncidentEmergencyAbandoned
	}
	return supervision.IncidentNone
}

func verifiedRightly(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Hook == supervision.HookUnknown {
		return ""
	}
	sensed := t.sensorHook()
	if t.guardEnded && m.Event.Kind == supervision.Seized {
		sensed = t.heardBefore // somebody lifts a handset after the guard time
	}
	switch {
	case sensed != supervision.HookUnknown && ef.Hook != sensed:
		return "reports another hook state than the sensor"
	case sensed == supervision.HookUnknown && !(t.policy.ProbeTrusted && m.Event.Kind == supervision.ProbeAnswered &&
		m.Event.Hook == ef.Hook):
		return "reports a hook state without evidence"
	}
	return ""
}

func reported(m *Moment, k supervision.ReportKind) *supervision.Effect {
	for i := range m.Effects {
		if isReport(&m.Effects[i], k) {
			return &m.Effects[i]
		}
	}
	return nil
}

// watchedEnd checks that lines are looked at and that what is seen is reported.
func watchedEnd(t *model, m *Moment) string {
	w := &t.watch
	settled := (m.Event.Kind != supervision.TimePassed || t.settled(m.Now)) && !t.verification.may
	t.watchEnd(m.Now)
	told := w.hasLineIncident()
	switch {
	case w.off && !told && settled && (w.at && m.Event.Kind != supervision.Seized || t.inWindow(m.Now) ||
		m.Event.Kind == supervision.LeftOffHook) && t.idle():
		return "reports no incident of a line that is off hook for long, or in the call-back window"
	case w.off && !told && t.pendingIsUrgent(m.Now) && !w.perhapsOn && w.looked && t.idle() &&
		m.Event.Kind == supervision.ProbeAnswered:
		return "reports no incident of a line that a rule left held and that is seen off hook"
	}
	if t.idle() && t.policy.Watch > 0 && t.policy.ProbeTrusted && t.sensorHook() == supervision.HookUnknown &&
		m.Deadline > m.Now.Add(t.lookWithin()) {
		return "does not look at a line without a call"
	}
	return ""
}

// consent checks an opening that is not the first of its clearing. It returns "" for a repeat that the user consented
// to.
func consent(t *model, m *Moment, c *callModel, ef *supervision.Effect) string {
	judged := reported(m, supervision.ReportInterrupted)
	switch {
	case judged == nil || judged.Hook != supervision.HookOff || judged.Call != c.id || c.repeats >= t.policy.Repeats ||
		c.repeats >= mostRepeats:
		return "opens twice for one clearing"
	case c.trial || judged.Trial:
		return "opens twice for a trial"
	case c.adopted:
		return "opens twice for an adopted call"
	case t.inWindow(m.Now):
		return "opens twice for one clearing in the call-back window"
	case t.anyWaits():
		return "opens twice for one clearing while a call waits"
	case t.hadGrace:
		return "opens again after somebody may have listened"
	case t.stuck() || t.loop.unsure:
		return "opens again though the length of the first was not at fault"
	case ef.NotAfter.Sub(m.Now) > repeatSlack:
		return "opens again, and may do so much later"
	}
	return ""
}

func (t *model) anyWaits() bool {
	for i := range t.calls {
		if t.calls[i].waits {
			return true
		}
	}
	return false
}

// trials checks the openings of trials, and the answers to TrialSet.
func trials(t *model, m *Moment, ef *supervision.Effect) string {
	c := t.find(ef.Call)
	switch {
	case ef.Kind == supervision.OpenLoop && ef.Call != 0 && c != nil && c.trial:
		if c.trialInterval == 0 {
			return "opens the loop in a catch trial"
		}
		if ef.Interval != c.trialInterval {
			return "makes a trial with another interval than the one that was set"
		}
	case isReport(ef, supervision.ReportRefused) && m.Event.Kind == supervision.TrialSet:
		if t.known {
			return "refuses a trial that keeps within the bounds"
		}
	}
	return ""
}

func trialsEnd(t *model, m *Moment) string {
	if m.Event.Kind == supervision.TrialSet && !t.known && reported(m, supervision.ReportRefused) == nil {
		return "accepts a trial that is out of bounds"
	}
	if t.verification.catch && m.Event.Kind == supervision.TimePassed && m.Now >= t.verification.due &&
		!t.policy.ProbeTrusted {
		return "does not check the line after a catch trial"
	}
	return ""
}
