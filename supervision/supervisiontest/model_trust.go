package supervisiontest

import "clearback/supervision"

// onHookLimit is how many reports of on hook in one answered call show that an adapter's answers are wrong.
const onHookLimit = 2

// trustModel is what contradicts the adapter's answers.
type trustModel struct {
	distrusted   bool // they have been shown to be wrong
	contradicted bool // they counted until this step, which shows them to be wrong
}

// trustEvent notes what contradicts the adapter's answers. From then on they do not count, whatever the policy says.
func (t *model) trustEvent(now supervision.Instant, ev *supervision.Event) {
	wrong := ev.Kind == supervision.AdapterChanged
	c := t.find(ev.Call)
	if ev.Kind == supervision.OnHookInCall && c != nil && c.onLine() && c.answered && !c.emergency &&
		(c.heard || !c.adopted) {
		c.onHookReports++
		wrong = c.onHookReports >= onHookLimit
	}
	if !wrong {
		return
	}
	t.trust = trustModel{distrusted: true, contradicted: t.policy.ProbeTrusted}
	if t.trust.contradicted {
		t.setPolicy(now, t.policy)
	}
}

// checkTrust checks that trust is withdrawn only for a reason.
func checkTrust(t *model, m *Moment, ef *supervision.Effect) string {
	switch {
	case !isReport(ef, supervision.ReportTrustWithdrawn):
		return ""
	case !t.trust.contradicted:
		return "stops trusting answers that nothing contradicts"
	case m.Event.Kind == supervision.AdapterChanged && ef.Call != 0,
		m.Event.Kind == supervision.OnHookInCall && ef.Call != m.Event.Call:
		return "stops trusting the adapter's answers because of another call"
	}
	return ""
}

// trustEnd checks that answers that are wrong do not count any longer, and that this is reported.
func trustEnd(t *model, m *Moment) string {
	if t.trust.contradicted && reported(m, supervision.ReportTrustWithdrawn) == nil {
		return "still trusts answers that are shown to be wrong"
	}
	return ""
}
