package supervision

// doubt is a clearing of an answered call that opened nothing, or whose interruption the near end cut short: the call may be held
// still. Once the line has no call it is looked at, and only what is seen off hook is an incident, with this reason. A call
// that is answered or asked for, or the judgement of a later interruption, ends the doubt. The zero doubt is none.
type doubt struct {
	call CallID
	why  Incident    // IncidentSuppressed or IncidentSeized
	rule Suppression // of IncidentSuppressed
}

func (m *Machine) doubtSuppressed(id CallID, rule Suppression) {
	if id != 0 { // not by hand
		m.doubt = doubt{call: id, why: IncidentSuppressed, rule: rule}
	}
}

// doubtSeized: the near end came first in the interruption of that call. It may just be there, so the line has to stay off hook
// for as long as any other to be an incident.
func (m *Machine) doubtSeized(id CallID) {
	if id != 0 {
		m.doubt = doubt{call: id, why: IncidentSeized}
	}
}

// doubtPresses reports whether the line is to be looked at soon, and is an incident as soon as it is seen off hook. While a storm lasts,
// which is an incident itself, its own clearings do not press: that would be an incident for each.
func (m *Machine) doubtPresses() bool {
	return m.doubt.why == IncidentSuppressed && !(m.doubt.rule == SuppressedTooManyOpenings && m.breaker.tripped())
}
