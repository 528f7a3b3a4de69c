package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// withExtraEffect makes a mutant that adds one effect after an event of that kind.
func withExtraEffect(k supervision.EventKind, more func(h *mutantHook, m *Moment) supervision.Effect) Build {
	return wrap(nil, func(h *mutantHook, m *Moment) {
		if m.Event.Kind == k {
			if ef := more(h, m); ef.Kind != supervision.EffectNone {
				m.Effects = append(m.Effects, ef)
			}
		}
	})
}

// ofCall returns a function that makes an effect for the event's call.
func ofCall(k supervision.EffectKind) func(*mutantHook, *Moment) supervision.Effect {
	return func(_ *mutantHook, m *Moment) supervision.Effect {
		return supervision.Effect{Kind: k, Call: m.Event.Call, Code: busyHere}
	}
}

// byHand returns an opening that nobody has requested.
func byHand(h *mutantHook, m *Moment) supervision.Effect {
	h.last.Seq += 100
	return supervision.Effect{
		Kind: supervision.OpenLoop, Seq: h.last.Seq, Interval: 800 * time.Millisecond, NotAfter: m.Now.Add(time.Second),
	}
}

// offerIf makes a mutant that offers an arriving call that should wait.
func offerIf(when func(h *mutantHook) bool) Build {
	return withExtraEffect(supervision.CallArrived, func(h *mutantHook, m *Moment) supervision.Effect {
		if len(m.Effects) > 0 || !when(h) {
			return supervision.Effect{}
		}
		return supervision.Effect{Kind: supervision.OfferCall, Call: m.Event.Call}
	})
}

// mutantsOfMessages break the rules in one more way each, so that every message of a check is produced once.
func mutantsOfMessages() []Mutant {
	return append(messagesOfCalls(), messagesOfLoop()...)
}

func messagesOfCalls() []Mutant {
	always := func(*mutantHook) bool { return true }
	return []Mutant{
		{Invariant: 0, Name: "clears a far end that has cleared by a BYE",
			Build:   withExtraEffect(supervision.FarEndCleared, ofCall(supervision.ClearFarEnd)),
			Problem: "for no reason"},
		{Invariant: 0, Name: "does not report an unanswered emergency call",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if ef.Incident == supervision.IncidentEmergencyFailed ||
					ef.Incident == supervision.IncidentEmergencyAbandoned {
					ef.Kind = supervision.EffectNone
				}
			}), Problem: "although an emergency call ended"},
		{Invariant: 0, Name: "calls every unanswered call a failed emergency call",
			Build: withExtraEffect(supervision.FarEndCleared, func(_ *mutantHook, m *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.Report, Report: supervision.ReportIncident,
					Call:     m.Event.Call,
					Incident: supervision.IncidentEmergencyFailed}
			}), Problem: "not an unanswered emergency call"},
		{Invariant: 0, Name: "does not clear the far end where there was no BYE",
			Build: effect(func(m *Moment, ef *supervision.Effect) {
				if ef.Kind == supervision.ClearFarEnd && m.Event.Kind == supervision.FarEndCleared {
					ef.Kind = supervision.EffectNone
				}
			}), Problem: "after a clearing without a BYE"},
		{Invariant: 0, Name: "refuses a pulse that nobody asked for",
			Build: withExtraEffect(supervision.TimePassed, func(*mutantHook, *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.Report, Report: supervision.ReportRefused}
			}), Problem: "nobody asked"},
		{Invariant: 0, Name: "never comes to rest", Build: wrap(nil, func(h *mutantHook, m *Moment) {
			if h.fault {
				m.Deadline = m.Now
			}
		}), Problem: "a deadline in the past"},
		{Invariant: 0, Name: "gives no reason", Build: effect(func(_ *Moment,
			ef *supervision.Effect) {
			ef.Suppression = 0
		}), Problem: "not true"},
		{Invariant: 5, Name: "offers a call twice", Build: withExtraEffect(supervision.CallRinging,
			ofCall(supervision.OfferCall)),
			Problem: "offers a call that does not wait"},
		{Invariant: 5, Name: "offers a call before an interruption", Build: offerIf(always),
			Problem: "while an interruption is pending"},
		{Invariant: 5, Name: "offers a call on a faulted loop",
			Build: offerIf(func(h *mutantHook) bool { return h.fault }), Problem: "faulted loop at once"},
		{Invariant: 5, Name: "offers a call in the guard time",
			Build: offerIf(func(h *mutantHook) bool { return !h.open && !h.fault }), Problem: "before the guard time"},
		{Invariant: 5, Name: "offers a call while the loop is open",
			Build: offerIf(func(h *mutantHook) bool { return h.open && !h.fault }), Problem: "the loop may be open"},
		{Invariant: 5, Name: "refuses a call that rings", Build: withExtraEffect(supervision.CallRinging,
			ofCall(supervision.RefuseCall)), Problem: "refuses a call that does not wait"},
		{Invariant: 5, Name: "refuses a call that waits, later",
			Build: withExtraEffect(supervision.LoopOpened, func(h *mutantHook, _ *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.RefuseCall, Call: h.arrived, Code: busyHere}
			}), Problem: "did not seize"},
		{Invariant: 5, Name: "closes the loop for a new call", Build: withExtraEffect(supervision.CallArrived,
			func(*mutantHook, *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.CloseLoop}
			}), Problem: "cuts an interruption short"},
		{Invariant: 5, Name: "forgets a waiting call on a free line",
			Build:   wrap(nil, putOff(func(h *mutantHook) bool { return !h.open && !h.fault })),
			Problem: "wait for nothing"},
		{Invariant: 6, Name: "reports a withdrawn interruption as suppressed",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if isReport(ef, supervision.ReportCancelled) {
					ef.Report, ef.Suppression = supervision.ReportSuppressed, supervision.SuppressedNearEnd
				}
			}), Problem: "silently"},
	}
}

func messagesOfLoop() []Mutant {
	return []Mutant{
		{Invariant: 1, Name: "opens by hand when nobody asked", Build: withExtraEffect(supervision.NearEndCleared,
			byHand),
			Problem: "nobody asked"},
		{Invariant: 1, Name: "opens for an unknown call",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if ef.Kind == supervision.OpenLoop && ef.Call != 0 {
					ef.Call += 1000
				}
			}), Problem: "not known"},
		{Invariant: 1, Name: "opens although the far end has not cleared",
			Build: withExtraEffect(supervision.CallAnswered, func(h *mutantHook, m *Moment) supervision.Effect {
				ef := byHand(h, m)
				ef.Call = m.Event.Call
				return ef
			}), Problem: "did not clear"},
		{Invariant: 3, Name: "opens before the adapter's leg is cleared", Build: drop(supervision.ClearAdapterLeg),
			Problem: "before the adapter's leg"},
		{Invariant: 4, Name: "opens a faulted loop", Build: openDespite(supervision.SuppressedLoopFaulted),
			Problem: "whose state is unknown"},
		{Invariant: 7, Name: "does not ask", Build: drop(supervision.ProbeLine), Problem: "does not probe the line"},
		{Invariant: 7, Name: "asks for no reason", Build: withExtraEffect(supervision.CallRinging,
			func(*mutantHook, *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.ProbeLine}
			}), Problem: "no reason"},
		{Invariant: 7, Name: "asks in the guard time", Build: withExtraEffect(supervision.LoopClosed,
			func(*mutantHook, *Moment) supervision.Effect {
				return supervision.Effect{Kind: supervision.ProbeLine}
			}), Problem: "before the guard time"},
		{Invariant: 12, Name: "opens and closes at once", Build: wrap(nil, func(_ *mutantHook, m *Moment) {
			for _, ef := range m.Effects {
				if ef.Kind == supervision.OpenLoop {
					m.Effects = append(m.Effects, supervision.Effect{Kind: supervision.CloseLoop, Seq: ef.Seq})
				}
			}
		}), Problem: "in one step"},
		{Invariant: 12, Name: "leaves seconds for an opening", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.NotAfter = ef.NotAfter.Add(2 * time.Second)
			}
		}), Problem: "seconds later"},
	}
}

// putOff drops offers and asks to be called again later.
func putOff(when func(h *mutantHook) bool) func(h *mutantHook, m *Moment) {
	return func(h *mutantHook, m *Moment) {
		if !when(h) {
			return
		}
		kept := m.Effects[:0]
		for _, ef := range m.Effects {
			if ef.Kind != supervision.OfferCall {
				kept = append(kept, ef)
			}
		}
		m.Effects, m.Deadline = kept, m.Now.Add(time.Second)
	}
}
