package supervision

// pendingIncident is the reason of an incident that may follow. A clearing of an answered call opened nothing, or the
// near end cut its interruption short, so the line may still be held. Once the line has no call it is checked. If it is
// off hook, that is an incident with this reason. A call that is answered or requested, or the result of a later
// interruption, drops the pending incident. The zero value means none.
type pendingIncident struct {
	call CallID
	why  Incident    // IncidentSuppressed or IncidentSeized
	rule Suppression // of IncidentSuppressed
}

func (m *Machine) setPendingSuppressed(id CallID, rule Suppression) {
	if id != 0 { // 0: an operator's pulse
		m.pendingIncident = pendingIncident{call: id, why: IncidentSuppressed, rule: rule}
	}
}

// setPendingSeized: the near end cut the interruption of that call short. Somebody may still be using the line, so it
// must be off hook for Policy.Watch, as without a pending incident, before that is an incident.
func (m *Machine) setPendingSeized(id CallID) {
	if id != 0 {
		m.pendingIncident = pendingIncident{call: id, why: IncidentSeized}
	}
}

// markPending sets Pending in this step's report of the call whose incident is pending.
func (m *Machine) markPending() {
	if m.pendingIncident.call == 0 {
		return
	}
	for i := range m.out {
		r := &m.out[i]
		if r.Call == m.pendingIncident.call && (r.Report == ReportSuppressed || r.Report == ReportCancelled) {
			r.Pending = true
		}
	}
}

// pendingIsUrgent reports whether the line is to be checked soon, and is an incident at once if it is off hook.
// Clearings refused in a storm are not urgent while the storm lasts: the storm is an incident already, and each of them
// would be one more.
func (m *Machine) pendingIsUrgent() bool {
	return m.pendingIncident.why == IncidentSuppressed && !(m.pendingIncident.rule == SuppressedTooManyOpenings &&
		m.breaker.tripped())
}
