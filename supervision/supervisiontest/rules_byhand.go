package supervisiontest

import "clearback/supervision"

// checkPulseEnd follows an operator's pulse to its outcome, a report without a call. The outcome is still to come while
// the loop is faulted or the line is being verified.
func checkPulseEnd(t *model, m *Moment) string {
	told := 0
	for i := range m.Effects {
		if ef := &m.Effects[i]; ef.Kind == supervision.Report && ef.Call == 0 && outcomeByHand(ef.Report) {
			told++
		}
	}
	begins := hasEffect(m, supervision.OpenLoop, 0)
	asked := m.Event.Kind == supervision.PulseRequested
	switch {
	case asked && !begins && told == 0:
		return "reports no outcome of a requested pulse"
	case begins:
		t.byHand = true
		return ""
	case !t.byHand:
		return ""
	case told > 0:
		t.byHand = false
		return ""
	}
	// A seizure in the guard time postpones the verification, so every possible wait has to pass.
	over := !t.loop.begun && !t.loop.faulted && m.Now >= max(t.verification.due, t.loop.quietBy, t.loop.recognised,
		t.probedAt).Add(probeLimit)
	if over && m.Event.Kind == supervision.TimePassed {
		t.byHand = false
		return "does not report the outcome of a finished pulse"
	}
	return ""
}

func outcomeByHand(k supervision.ReportKind) bool {
	switch k {
	case supervision.ReportSuppressed, supervision.ReportCancelled, supervision.ReportInterrupted,
		supervision.ReportIncident,
		supervision.ReportRefused:
		return true
	default:
		return false
	}
}
