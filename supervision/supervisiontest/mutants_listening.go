package supervisiontest

import "clearback/supervision"

// mutantsOfListening break rules about the grace after an interruption that left the line off hook at the first look.
func mutantsOfListening() []Mutant {
	return []Mutant{
		{Invariant: 7, Name: "reports at once that the hold stayed",
			Build: withPolicy(func(p *supervision.Policy) { p.Listening = 0 }), Problem: "at first sight"},
		{Invariant: 7, Name: "has half the grace",
			Build: withPolicy(func(p *supervision.Policy) { p.Listening /= 2 }), Problem: "before the grace is over"},
		{Invariant: 7, Name: "has twice the grace",
			Build: withPolicy(func(p *supervision.Policy) { p.Listening *= 2 }), Problem: "does not look again"},
		{Invariant: 7, Name: "has a grace in the call-back window",
			Build: withPolicy(func(p *supervision.Policy) { p.CallbackWindow = 0 }), Problem: "a hold that was " +
				"seen to stay"},
		{Invariant: 7, Name: "has a grace when the call-back window begins",
			Build:   withPolicy(func(p *supervision.Policy) { p.CallbackWindow = 0 }),
			Problem: "the grace in the call-back window"},
		{Invariant: 7, Name: "continues the grace in a call", Build: withoutReports(supervision.CallAnswered,
			supervision.CallRequested), Problem: "the grace in a call"},
		{Invariant: 7, Name: "continues the grace when the handset is put down",
			Build:   withoutReports(supervision.Released),
			Problem: "after the current has stopped"},
		{Invariant: 7, Name: "drops the report after a grace when it makes a pulse",
			Build: withoutReports(supervision.PulseRequested), Problem: "without a report of the interruption " +
				"before"},
		{Invariant: 7, Name: "does not believe its second look", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportInterrupted) && ef.Hook == supervision.HookOff {
				ef.Hook = supervision.HookUnknown
			}
		}), Problem: "nothing hinders the second look"},
		{Invariant: 1, Name: "repeats after the grace", Build: wrap(nil,
			repeatInstead(supervision.IncidentIntervalShort)), Problem: "somebody may have listened"},
	}
}

// withoutReports makes a mutant that does not report the result of an interruption after events of those kinds.
func withoutReports(kinds ...supervision.EventKind) Build {
	return effect(func(m *Moment, ef *supervision.Effect) {
		for _, k := range kinds {
			if m.Event.Kind == k && isReport(ef, supervision.ReportInterrupted) {
				ef.Kind = supervision.EffectNone
			}
		}
	})
}
