package supervision

// beginIncident reports an incident of the line, which lasts until the line is seen on hook or carries a call again. (A
// faulted loop's is another, and ends with LoopClosed; so is a storm's, see breaker.go.)
func (m *Machine) beginIncident(id CallID, why Incident) {
	m.beginLineIncident(Effect{Call: id, Incident: why})
}

// beginLineIncident takes Call, Incident, Suppression and Flash of ef. A line has one incident at a time: the same one
// again is not told again, off hook without a call is no news while there is a better reason, and any other takes the
// place of the one before.
func (m *Machine) beginLineIncident(ef Effect) {
	switch {
	case m.incident == IncidentNone:
	case m.incident == ef.Incident && m.incidentCall == ef.Call, ef.Incident == IncidentOffHookWithoutCall:
		return
	default:
		m.endIncident()
	}
	m.incident, m.incidentCall, m.incidentRule = ef.Incident, ef.Call, ef.Suppression
	ef.Kind, ef.Report = Report, ReportIncident
	m.out = append(m.out, ef)
}

// endIncident ends the line's incident, if there is one.
func (m *Machine) endIncident() {
	if m.incident == IncidentNone {
		return
	}
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: m.incident})
	m.incident, m.incidentCall, m.incidentRule = IncidentNone, 0, SuppressionNone
}

// faultBegun reports that nobody knows whether the loop is open, or that it is. An older incident of the same reason is
// over with it.
func (m *Machine) faultBegun(id CallID, why Incident) {
	if m.incident == why {
		m.endIncident()
	}
	m.fault = why
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncident, Call: id, Incident: why})
}

// faultEnded reports that the loop is known closed.
func (m *Machine) faultEnded() {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: m.fault})
	m.fault = IncidentNone
}

// OfCall reports whether an incident is of a call alone: it says nothing about the state of the line, and ends at once.
func (i Incident) OfCall() bool {
	switch i {
	case IncidentUnlistedPrefix, IncidentNoSound, IncidentFarEndSilent, IncidentEmergencyFailed,
		IncidentEmergencyAbandoned:
		return true
	default:
		return false
	}
}

// reportOfCall reports an incident of a call alone.
func (m *Machine) reportOfCall(id CallID, why Incident) {
	m.out = append(m.out,
		Effect{Kind: Report, Report: ReportIncident, Call: id, Incident: why},
		Effect{Kind: Report, Report: ReportIncidentEnded, Incident: why})
}

// unanswered reports an emergency call of the adapter that ends without an answer.
func (m *Machine) unanswered(c *call, why Incident) {
	if c.emergency && c.requested && !c.answered {
		m.reportOfCall(c.id, why)
	}
}

// attemptEnded notes that the emergency centre may know of a call that fails, or is given up.
func (m *Machine) attemptEnded(ev *Event) {
	if c := m.find(ev.Call); c != nil && ev.Reached() {
		c.reached = true
	}
}

// soundMissing reports an answered emergency call without sound, once.
func (m *Machine) soundMissing(ev *Event) {
	if c := m.find(ev.Call); c != nil && c.emergency && c.answered && !c.soundless {
		c.soundless = true
		m.reportOfCall(ev.Call, IncidentNoSound)
	}
}

// farEndSilent reports an answered ordinary call of whose far end nothing is heard. The call goes on.
func (m *Machine) farEndSilent(ev *Event) {
	if c := m.find(ev.Call); c != nil && !c.emergency && c.answered && !c.far {
		m.reportOfCall(c.id, IncidentFarEndSilent)
	}
}
