package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// mutantsOfStorms break rules about how often clearings open the loop.
func mutantsOfStorms() []Mutant {
	return []Mutant{
		{Invariant: 13, Name: "opens for every clearing",
			Build: withPolicy(func(p *supervision.Policy) { p.OpeningsPerMinute = 60 }), Problem: "openings in a " +
				"minute"},
		{Invariant: 13, Name: "opens once too often",
			Build: withPolicy(func(p *supervision.Policy) { p.OpeningsPerMinute++ }), Problem: "openings in a " +
				"minute"},
		{Invariant: 13, Name: "opens in the pause", Build: wrap(nil, openInPause), Problem: "in the pause"},
		{Invariant: 13, Name: "does not report a storm", Build: withoutIncident(supervision.IncidentTooManyOpenings),
			Problem: "although it refuses an opening"},
		{Invariant: 13, Name: "ends a storm at the next call", Build: wrap(nil, endStorm),
			Problem: "a storm that continues"},
		{Invariant: 13, Name: "never ends a storm", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportIncidentEnded) && ef.Incident == supervision.IncidentTooManyOpenings {
				ef.Kind = supervision.EffectNone
			}
		}), Problem: "does not end the incident of a storm"},
		{Invariant: 13, Name: "leaves the line alone after a storm", Build: wrap(nil, lookLater),
			Problem: "does not look at the line after"},
		{Invariant: 0, Name: "refuses an opening too early",
			Build:   withPolicy(func(p *supervision.Policy) { p.OpeningsPerMinute = max(1, p.OpeningsPerMinute-1) }),
			Problem: "too-many-openings"},
	}
}

// openInPause refuses only the first clearing of a storm.
func openInPause(h *mutantHook, m *Moment) {
	for i := range m.Effects {
		ef := &m.Effects[i]
		if !tooMany(ef) {
			continue
		}
		if h.fault {
			h.last.Seq += 100
			*ef = supervision.Effect{
				Kind: supervision.OpenLoop, Call: ef.Call, Seq: h.last.Seq,
				Interval: 800 * time.Millisecond, NotAfter: m.Now.Add(time.Second),
			}
		}
		h.fault = true
	}
}

// endStorm ends a storm when the next call arrives.
func endStorm(h *mutantHook, m *Moment) {
	if h.open && m.Event.Kind == supervision.CallArrived {
		m.Effects = append(m.Effects, incident(supervision.ReportIncidentEnded, 0, supervision.IncidentTooManyOpenings))
	}
	for i := range m.Effects {
		if m.Effects[i].Incident == supervision.IncidentTooManyOpenings {
			h.open = m.Effects[i].Report == supervision.ReportIncident
		}
	}
}

// lookLater sets no deadline when a storm ends.
func lookLater(_ *mutantHook, m *Moment) {
	for i := range m.Effects {
		if isReport(&m.Effects[i], supervision.ReportIncidentEnded) &&
			m.Effects[i].Incident == supervision.IncidentTooManyOpenings {
			m.Deadline = supervision.Never
		}
	}
}
