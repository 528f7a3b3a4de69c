package supervision

// The answers to ProbeLine count while the policy trusts them and nothing contradicts them. An adapter with other
// software may answer differently from the one that was checked. An adapter that reports on hook in an answered call
// does not report its hook. Package bridge reports such facts. From then on this machine ignores the answers, whatever
// a later policy says.

// onHookLimit is how often the adapter may report on hook in one answered call: our own figure. At the first report the
// near end may just have hung up, or the adapter's BYE may have been lost.
const onHookLimit = 2

// onHookInCall counts the adapter's reports of on hook in an answered call. In a call that is being cleared they do not
// count, since the near end may be on hook. Nor do they in an adopted call that was not heard, since the adapter may
// not have it any more, nor in an emergency call: some adapters keep it up after the caller has hung up (common
// practice), so that the emergency centre decides when it ends.
func (m *Machine) onHookInCall(now Instant, ev *Event) {
	c := m.find(ev.Call)
	if c == nil || !c.answered || c.emergency || c.adoption == adoptionUnheard || c.leg != legUp {
		return
	}
	if c.onHookReports++; c.onHookReports >= onHookLimit {
		m.distrustProbe(now, c.id)
	}
}

// distrustProbe ignores the answers to ProbeLine from now on. It reports that only if they counted until now. id is the
// call that contradicts them, or 0 if the adapter has changed.
func (m *Machine) distrustProbe(now Instant, id CallID) {
	m.probeDistrusted = true
	if !m.policy.ProbeTrusted {
		return
	}
	m.out = append(m.out, Effect{Kind: Report, Report: ReportTrustWithdrawn, Call: id})
	m.SetPolicy(now, m.policy)
}
