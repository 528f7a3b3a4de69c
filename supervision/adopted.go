package supervision

// An adopted call was answered before the daemon restarted, and this process has taken it up. Nobody knows what
// happened to the line meanwhile: the near end may have hung up, lifted again and begun to dial, or the adapter may
// have lost the call. So an adopted call is like any answered call, with these differences:
//
//   - Its clearing opens the loop only if the adapter has shown since the start that it still had its leg
//     (AdapterLegHeard), and then confirms our BYE with 2xx within the lead. Otherwise the loop stays closed, and that
//     is an incident at once. It ends if the line is seen on hook. A trusted line is looked at soon.
//   - The interruption is never repeated, and the clearing is never a trial.
//   - As long as the leg was not heard, an adapter that reports on hook does not contradict itself; see trust.go.

// adoption says whether a call is adopted, and whether the adapter is known to have its leg.
type adoption uint8

const (
	adoptionNone    adoption = iota // this process saw the call being answered
	adoptionUnheard                 // adopted; the adapter may not have its leg any more
	adoptionHeard                   // adopted; the adapter's leg was heard
)

// callAdopted takes up an answered call. Nothing is pending or open when a line starts. If an event is out of place and
// something is, the call ends it, since the near end may be talking.
func (m *Machine) callAdopted(now Instant, ev *Event) {
	if m.callExists(ev.Call) {
		return // a repetition, or an identity that is in use
	}
	m.seizure(now)
	m.lineHasCall()
	m.endIncident()
	m.calls = append(m.calls, call{id: ev.Call, emergency: ev.Emergency, resembles: ev.Number == NumberResembles,
		answered: true, adoption: adoptionUnheard, leg: legUp})
}

// adapterLegHeard notes that the adapter still has its leg. After our BYE that changes nothing, since considerOpening
// has decided.
func (m *Machine) adapterLegHeard(ev *Event) {
	if c := m.find(ev.Call); c != nil && c.adoption == adoptionUnheard {
		c.adoption = adoptionHeard
	}
}

// suppressAdopted reports that the loop stays closed for an adopted call whose far end has cleared. This incident takes
// the place of one that an earlier clearing left pending.
func (m *Machine) suppressAdopted(id CallID) {
	m.dropPending()
	m.suppress(id, SuppressedAdopted)
	m.pendingIncident = pendingIncident{}
	m.beginIncident(id, IncidentAdopted)
}
