package supervision

// beginIncident reports an incident of the line. It lasts until the line is seen on hook or carries a call again. The
// incident of a faulted loop is separate (see faultBegun), and so is the incident of a storm (see breaker.go).
func (m *Machine) beginIncident(id CallID, why Incident) {
	m.beginLineIncident(Effect{Call: id, Incident: why})
}

// beginOpeningIncident begins an incident of the last opening.
func (m *Machine) beginOpeningIncident(why Incident) {
	m.beginLineIncident(Effect{Call: m.last.call, Seq: m.last.pulse(), Incident: why})
}

// pulse returns the number of an opening that is an operator's pulse. For the opening of a call it returns 0.
func (o *opening) pulse() Seq {
	if o.call == 0 {
		return o.seq
	}
	return 0
}

// beginLineIncident uses Call, Seq, Incident, Suppression and Flash of ef. A line has one incident at a time. The same
// incident is not reported twice. IncidentOffHookWithoutCall never replaces another incident, since that has a better
// reason. Any other new incident ends the present one.
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

// endIncident ends the line's incident, if any.
func (m *Machine) endIncident() {
	if m.incident == IncidentNone {
		return
	}
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: m.incident})
	m.incident, m.incidentCall, m.incidentRule = IncidentNone, 0, SuppressionNone
}

// faultBegun reports that the loop is open or that its state is unknown. It ends a line incident of the same reason.
func (m *Machine) faultBegun(id CallID, pulse Seq, why Incident) {
	if m.incident == why {
		m.endIncident()
	}
	m.fault = why
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncident, Call: id, Seq: pulse, Incident: why})
}

// faultEnded reports that the loop is known to be closed.
func (m *Machine) faultEnded() {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: m.fault})
	m.fault = IncidentNone
}

// OfCall reports whether an incident concerns one call only. Such an incident says nothing about the line and ends at
// once.
func (i Incident) OfCall() bool {
	switch i {
	case IncidentUnlistedPrefix, IncidentNoSound, IncidentFarEndSilent, IncidentEmergencyFailed,
		IncidentEmergencyAbandoned:
		return true
	default:
		return false
	}
}

// reportOfCall reports an incident that concerns one call only.
func (m *Machine) reportOfCall(id CallID, why Incident) {
	m.out = append(m.out,
		Effect{Kind: Report, Report: ReportIncident, Call: id, Incident: why},
		Effect{Kind: Report, Report: ReportIncidentEnded, Incident: why})
}

// unanswered reports an emergency call from the adapter that ends without an answer.
func (m *Machine) unanswered(c *call, why Incident) {
	if c.emergency && c.requested && !c.answered {
		m.reportOfCall(c.id, why)
	}
}

// attemptEnded notes that the emergency centre may know of the call, even if the call fails or is abandoned.
func (m *Machine) attemptEnded(ev *Event) {
	if c := m.find(ev.Call); c != nil && ev.Reached() {
		c.reached = true
	}
}

// soundMissing reports an answered emergency call without audio, once per call.
func (m *Machine) soundMissing(ev *Event) {
	if c := m.find(ev.Call); c != nil && c.emergency && c.answered && !c.soundless {
		c.soundless = true
		m.reportOfCall(ev.Call, IncidentNoSound)
	}
}

// farEndSilent reports an answered ordinary call whose far end sends no media. The call continues.
func (m *Machine) farEndSilent(ev *Event) {
	if c := m.find(ev.Call); c != nil && !c.emergency && c.answered && !c.far {
		m.reportOfCall(c.id, IncidentFarEndSilent)
	}
}
