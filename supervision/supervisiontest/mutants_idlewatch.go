package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// mutantsOfWatching break rules about the observed state of a line and its reports.
func mutantsOfWatching() []Mutant {
	return []Mutant{
		{Invariant: 0, Name: "ends an incident that never began",
			Build: withExtraEffect(supervision.CallRinging, func(*mutantHook, *Moment) supervision.Effect {
				return incident(supervision.ReportIncidentEnded, 0, supervision.IncidentOffHookWithoutCall)
			}), Problem: "not there"},
		{Invariant: 0, Name: "reports an incident at each look", Build: afterReport(supervision.ReportIncident,
			func(ef *supervision.Effect) supervision.Effect {
				return *ef
			}), Problem: "has not ended"},
		{Invariant: 0, Name: "calls a trial an incident", Build: afterReport(supervision.ReportInterrupted,
			func(ef *supervision.Effect) supervision.Effect {
				if !ef.Trial || ef.Hook != supervision.HookOff {
					return supervision.Effect{}
				}
				return incident(supervision.ReportIncident, ef.Call, supervision.IncidentIntervalShort)
			}), Problem: "a trial as an incident"},
		{Invariant: 0, Name: "blames the interval for a contact that is stuck",
			Build:   wrongReason(supervision.IncidentContactStuck, supervision.IncidentIntervalShort),
			Problem: "blames the interval"},
		{Invariant: 0, Name: "blames the contact for a short interval",
			Build:   wrongReason(supervision.IncidentIntervalShort, supervision.IncidentContactStuck),
			Problem: "contact that moved"},
		{Invariant: 0, Name: "blames an adapter that answered", Build: wrongReason(supervision.IncidentIntervalShort,
			supervision.IncidentByeUnanswered), Problem: "which it did"},
		{Invariant: 0, Name: "names another rule than the one that kept the loop closed",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if ef.Incident == supervision.IncidentSuppressed {
					ef.Suppression++
				}
			}), Problem: "without a pending incident"},
		{Invariant: 0, Name: "takes every seizure for an incident",
			Build: afterReport(supervision.ReportCancelled, func(ef *supervision.Effect) supervision.Effect {
				return incident(supervision.ReportIncident, ef.Call, supervision.IncidentSeized)
			}), Problem: "without a pending incident"},
		{Invariant: 0, Name: "calls a line off hook at first sight",
			Build: withExtraEffect(supervision.ProbeAnswered, func(_ *mutantHook, m *Moment) supervision.Effect {
				if m.Event.Hook != supervision.HookOff || len(m.Effects) > 0 {
					return supervision.Effect{}
				}
				return incident(supervision.ReportIncident, 0, supervision.IncidentOffHookWithoutCall)
			}), Problem: "off hook for long"},
		{Invariant: 0, Name: "takes unknown for cleared", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportInterrupted) && ef.Hook == supervision.HookUnknown {
				ef.Hook = supervision.HookOn
			}
		}), Problem: "without evidence"},
		{Invariant: 0, Name: "contradicts its sensor", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportInterrupted) && ef.Hook != supervision.HookUnknown {
				ef.Hook = supervision.HookOn + supervision.HookOff - ef.Hook
			}
		}), Problem: "than the sensor"},
		{Invariant: 1, Name: "opens the loop of a line that it finds off hook", Build: wrap(nil, openFound),
			Problem: "nobody asked"},
		{Invariant: 5, Name: "takes the hold that stayed for a seizure",
			Build: withPolicy(func(p *supervision.Policy) { p.SenseTrusted = false }), Problem: "did not seize"},
		{Invariant: 7, Name: "does not report a line off hook",
			Build: withoutIncident(supervision.IncidentOffHookWithoutCall), Problem: "off hook for long"},
		{Invariant: 7, Name: "does not report a line that a rule left held",
			Build: withoutIncident(supervision.IncidentSuppressed), Problem: "a rule left held"},
		{Invariant: 7, Name: "does not watch", Build: withPolicy(func(p *supervision.Policy) { p.Watch = 0 }),
			Problem: "does not look at a line"},
		{Invariant: 7, Name: "watches all the time", Build: withPolicy(func(p *supervision.Policy) { p.Watch /= 20 }),
			Problem: "more often"},
		{Invariant: 7, Name: "watches a line that is not to be watched", Build: withPolicy(func(p *supervision.Policy) {
			if p.Watch == 0 {
				p.Watch = 5 * time.Second
			}
		}), Problem: "not watched"},
		{Invariant: 7, Name: "ignores its sensor",
			Build:   withPolicy(func(p *supervision.Policy) { p.SenseTrusted = false }),
			Problem: "although the sensor has reported"},
	}
}

// mutantsOfConsent break rules about repeats and trials.
func mutantsOfConsent() []Mutant {
	return []Mutant{
		{Invariant: 1, Name: "repeats once too often",
			Build: withPolicy(func(p *supervision.Policy) { p.Repeats++ }), Problem: "opens twice"},
		{Invariant: 1, Name: "repeats in the call-back window",
			Build:   withPolicy(func(p *supervision.Policy) { p.CallbackWindow = 0 }),
			Problem: "in the call-back window"},
		{Invariant: 1, Name: "repeats while a call waits", Build: wrap(nil,
			repeatInstead(supervision.IncidentIntervalShort)), Problem: "a call waits"},
		{Invariant: 1, Name: "repeats whatever the reason", Build: wrap(nil,
			repeatInstead(supervision.IncidentContactStuck)), Problem: "not at fault"},
		{Invariant: 1, Name: "repeats a trial", Build: wrap(nil, repeatTrial), Problem: "for a trial"},
		{Invariant: 1, Name: "lets a repeat come seconds later", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.NotAfter = ef.NotAfter.Add(time.Second)
			}
		}), Problem: "much later"},
		{Invariant: 1, Name: "treats a tuning session's call as an ordinary one in the call-back window",
			Build: withoutEvents(supervision.TrialCall), Problem: "session's call in the call-back window"},
		{Invariant: 1, Name: "treats a tuning session's call as an ordinary one when the adapter dials",
			Build: withoutEvents(supervision.TrialCall), Problem: "asked for another"},
		{Invariant: 0, Name: "reports the same failure of a pulse only once", Build: wrap(nil, quietSecondFailure),
			Problem: "outcome of a finished pulse"},
		{Invariant: 0, Name: "refuses a pulse silently", Build: effect(func(m *Moment, ef *supervision.Effect) {
			if m.Event.Kind == supervision.PulseRequested && isReport(ef, supervision.ReportRefused) {
				ef.Kind = supervision.EffectNone
			}
		}), Problem: "no outcome of a requested pulse"},
		{Invariant: 1, Name: "opens by hand in the call-back window",
			Build:   withPolicy(func(p *supervision.Policy) { p.CallbackWindow = 0 }),
			Problem: "by hand in the call-back window"},
		{Invariant: 8, Name: "repeats after the near end's own BYE", Build: withoutEvents(supervision.NearEndCleared),
			Problem: "after near-end clearing"},
		{Invariant: 4, Name: "opens in a catch trial", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.TrialSet && ev.Interval == 0 {
				ev.Interval = 500 * time.Millisecond
			}
		}), Problem: "in a catch trial"},
		{Invariant: 4, Name: "lengthens a trial", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.TrialSet && ev.Interval != 0 {
				ev.Interval += 50 * time.Millisecond
			}
		}), Problem: "another interval"},
		{Invariant: 4, Name: "accepts any trial", Build: effect(func(m *Moment, ef *supervision.Effect) {
			if m.Event.Kind == supervision.TrialSet {
				ef.Kind = supervision.EffectNone
			}
		}), Problem: "out of bounds"},
		{Invariant: 4, Name: "accepts no trial", Build: withExtraEffect(supervision.TrialSet,
			func(*mutantHook, *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.Report, Report: supervision.ReportRefused,
					Suppression: supervision.SuppressedOutOfBounds}
			}), Problem: "keeps within the bounds"},
		{Invariant: 4, Name: "does not report a catch trial", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportInterrupted) && ef.Seq == 0 {
				ef.Kind = supervision.EffectNone
			}
		}), Problem: "after a catch trial"},
		{Invariant: 6, Name: "continues a catch trial after the near end has come",
			Build:   withoutEvents(supervision.NearEndCleared),
			Problem: "continues a catch trial"},
	}
}

func incident(k supervision.ReportKind, id supervision.CallID, why supervision.Incident) supervision.Effect {
	return supervision.Effect{Kind: supervision.Report, Report: k, Call: id, Incident: why}
}

// afterReport makes a mutant that adds an effect after a report of that kind.
func afterReport(k supervision.ReportKind, more func(ef *supervision.Effect) supervision.Effect) Build {
	return wrap(nil, func(_ *mutantHook, m *Moment) {
		for i := range m.Effects {
			if !isReport(&m.Effects[i], k) {
				continue
			}
			if ef := more(&m.Effects[i]); ef.Kind != supervision.EffectNone {
				m.Effects = append(m.Effects, ef)
			}
			return
		}
	})
}

// wrongReason makes a mutant that reports one reason instead of another.
func wrongReason(is, says supervision.Incident) Build {
	return effect(func(_ *Moment, ef *supervision.Effect) {
		if ef.Kind == supervision.Report && ef.Incident == is {
			ef.Incident = says
		}
	})
}

// withoutIncident makes a mutant that does not report incidents of that reason.
func withoutIncident(why supervision.Incident) Build {
	return effect(func(_ *Moment, ef *supervision.Effect) {
		if ef.Kind == supervision.Report && ef.Incident == why {
			ef.Kind = supervision.EffectNone
		}
	})
}

// quietSecondFailure does not report that an operator's pulse was not made.
func quietSecondFailure(_ *mutantHook, m *Moment) {
	if m.Event.Kind != supervision.LoopFailed {
		return
	}
	kept := m.Effects[:0]
	for _, ef := range m.Effects {
		if ef.Kind != supervision.Report || ef.Call != 0 {
			kept = append(kept, ef)
		}
	}
	m.Effects = kept
}

func openFound(h *mutantHook, m *Moment) {
	for i := range m.Effects {
		if isReport(&m.Effects[i], supervision.ReportIncident) &&
			m.Effects[i].Incident == supervision.IncidentOffHookWithoutCall {
			m.Effects = append(m.Effects, byHand(h, m))
			return
		}
	}
}

// repeatInstead opens again where the machine reports an incident of that reason.
func repeatInstead(why supervision.Incident) func(h *mutantHook, m *Moment) {
	return func(h *mutantHook, m *Moment) {
		for i := range m.Effects {
			if ef := &m.Effects[i]; isReport(ef, supervision.ReportIncident) && ef.Incident == why && ef.Call != 0 {
				*ef = again(h, m, ef.Call)
				return
			}
		}
	}
}

func repeatTrial(h *mutantHook, m *Moment) {
	for i := range m.Effects {
		if ef := &m.Effects[i]; isReport(ef, supervision.ReportInterrupted) && ef.Trial &&
			ef.Hook == supervision.HookOff {
			m.Effects = append(m.Effects, again(h, m, ef.Call))
			return
		}
	}
}

func again(h *mutantHook, m *Moment, id supervision.CallID) supervision.Effect {
	ef := byHand(h, m)
	ef.Call, ef.NotAfter = id, m.Now.Add(100*time.Millisecond)
	return ef
}
