package supervision

// pendingIncident is a clearing of an answered call that opened nothing, or whose interruption the near end cut short:
// the call may be held still. Once the line has no call it is looked at, and only what is seen off hook is an incident,
// with this reason. A call that is answered or asked for, or the judgement of a later interruption, ends the doubt. The
// zero doubt is none.
type pendingIncident struct {
	call CallID
	why  Incident    // IncidentSuppressed or IncidentSeized
	rule Suppression // of IncidentSuppressed
}

func (m *Machine) pendSuppressed(id CallID, rule Suppression) {
	if id != 0 { // not by hand
		m.pendingIncident = pendingIncident{call: id, why: IncidentSuppressed, rule: rule}
	}
}

// pendSeized: the near end came first in the interruption of that call. It may just be there, so the line has to stay
// off hook for as long as any other to be an incident.
func (m *Machine) pendSeized(id CallID) {
	if id != 0 {
		m.pendingIncident = pendingIncident{call: id, why: IncidentSeized}
	}
}

// pendingIsUrgent reports whether the line is to be looked at soon, and is an incident as soon as it is seen off hook.
// While a storm lasts, which is an incident itself, its own clearings do not press: that would be an incident for each.
func (m *Machine) pendingIsUrgent() bool {
	return m.pendingIncident.why == IncidentSuppressed && !(m.pendingIncident.rule == SuppressedTooManyOpenings &&
		m.breaker.tripped())
}
