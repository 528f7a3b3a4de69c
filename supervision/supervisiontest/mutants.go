package supervisiontest

import (
	"slices"
	"time"

	"clearback/supervision"
)

// A Mutant is a machine with one rule broken. The check of Invariant must notice that.
type Mutant struct {
	Invariant int
	Name      string
	Build     Build
	// Problem, if set, is part of the message that the check must give, since some rules are broken in several ways.
	Problem string
}

// mutantHook wraps a machine. in may change or withhold the event; out may change the result.
type mutantHook struct {
	machine Stepper
	in      func(h *mutantHook, now supervision.Instant, ev *supervision.Event) (pass bool)
	out     func(h *mutantHook, m *Moment)

	// memory for mutants
	effects  []supervision.Effect
	withheld []supervision.Effect
	last     supervision.Effect // the last OpenLoop
	open     bool
	arrived  supervision.CallID
	fault    bool
	current  supervision.EventKind // Seized or Released, whichever came last
	ddl      supervision.Instant
}

func (h *mutantHook) Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect, supervision.Instant) {
	h.effects = h.effects[:0]
	passed := ev
	if h.in == nil || h.in(h, now, &passed) {
		effects, deadline := h.machine.Step(now, passed)
		h.effects = append(h.effects, effects...)
		h.ddl = deadline
	}
	for i := range h.effects {
		if h.effects[i].Kind == supervision.OpenLoop {
			h.last, h.open = h.effects[i], true
		}
	}
	switch ev.Kind {
	case supervision.CallArrived:
		h.arrived = ev.Call
	case supervision.LoopClosed, supervision.LoopFailed:
		h.open, h.fault = false, false
	case supervision.LoopUnknown:
		h.fault = true
	}
	m := Moment{Now: now, Event: ev, Effects: h.effects, Deadline: h.ddl}
	if h.out != nil {
		h.out(h, &m)
	}
	h.effects = m.Effects
	return m.Effects, m.Deadline
}

// SetPolicy sets the policy of the wrapped machine.
func (h *mutantHook) SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant {
	if s, ok := h.machine.(PolicySetter); ok {
		h.ddl = s.SetPolicy(now, p)
	}
	return h.ddl
}

// policyMutant uses a policy that differs from the given one.
type policyMutant struct {
	*supervision.Machine
	change func(p *supervision.Policy)
}

// SetPolicy changes a later policy in the same way.
func (b *policyMutant) SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant {
	b.change(&p)
	return b.Machine.SetPolicy(now, p)
}

// wrap makes a mutant from wrapper functions.
func wrap(in func(*mutantHook, supervision.Instant, *supervision.Event) bool, out func(*mutantHook, *Moment)) Build {
	return func(p supervision.Policy) Stepper {
		return &mutantHook{machine: supervision.New(p), in: in, out: out, ddl: supervision.Never}
	}
}

// withPolicy makes a mutant that uses a changed policy.
func withPolicy(change func(p *supervision.Policy)) Build {
	return func(p supervision.Policy) Stepper {
		change(&p)
		return &policyMutant{supervision.New(p), change}
	}
}

// event makes a mutant that gets changed events.
func event(change func(ev *supervision.Event)) Build {
	return wrap(func(_ *mutantHook, _ supervision.Instant, ev *supervision.Event) bool {
		change(ev)
		return true
	}, nil)
}

// withoutEvents makes a mutant that gets no events of the given kinds.
func withoutEvents(kinds ...supervision.EventKind) Build {
	return wrap(func(_ *mutantHook, _ supervision.Instant, ev *supervision.Event) bool {
		for _, k := range kinds {
			if ev.Kind == k {
				return false
			}
		}
		return true
	}, nil)
}

// effect makes a mutant whose effects are changed. An effect that is changed to EffectNone is dropped.
func effect(change func(m *Moment, ef *supervision.Effect)) Build {
	return wrap(nil, func(_ *mutantHook, m *Moment) {
		kept := m.Effects[:0]
		for i := range m.Effects {
			change(m, &m.Effects[i])
			if m.Effects[i].Kind != supervision.EffectNone {
				kept = append(kept, m.Effects[i])
			}
		}
		m.Effects = kept
	})
}

func drop(kind supervision.EffectKind) Build {
	return effect(func(_ *Moment, ef *supervision.Effect) {
		if ef.Kind == kind {
			ef.Kind = supervision.EffectNone
		}
	})
}

// openDespite makes a mutant that opens the loop where the machine suppresses an interruption for that reason.
func openDespite(why supervision.Suppression) Build {
	return wrap(nil, func(h *mutantHook, m *Moment) {
		for i := range m.Effects {
			ef := &m.Effects[i]
			if ef.Kind == supervision.Report && ef.Suppression == why && ef.Report == supervision.ReportSuppressed {
				h.last.Seq += 100
				*ef = supervision.Effect{
					Kind: supervision.OpenLoop, Call: ef.Call, Seq: h.last.Seq,
					Interval: 800 * time.Millisecond, NotAfter: m.Now.Add(time.Second),
				}
			}
		}
	})
}

// Mutants returns the machines with one broken rule each.
func Mutants() []Mutant {
	return slices.Concat(mutantsOfCalls(), mutantsOfOpening(), mutantsOfOrder(), mutantsOfMessages(),
		mutantsOfWatching(), mutantsOfListening(),
		mutantsOfConsent(), mutantsOfStorms(), mutantsOfReadings(), mutantsOfTrust(),
		mutantsOfAdoption())
}

func mutantsOfCalls() []Mutant {
	return []Mutant{
		{Invariant: 0, Name: "does not clear the adapter's leg", Build: drop(supervision.ClearAdapterLeg)},
		{Invariant: 0, Name: "does not clear the far end", Build: drop(supervision.ClearFarEnd)},
		{Invariant: 0, Name: "suppresses silently", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportSuppressed) {
				ef.Kind = supervision.EffectNone
			}
		})},
		{Invariant: 0, Name: "gives busy as every reason", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportSuppressed) {
				ef.Suppression = supervision.SuppressedLoopBusy
			}
		})},
		{Invariant: 5, Name: "refuses a call that would have to wait", Build: wrap(nil, refuseInstead)},
		{Invariant: 5, Name: "loses a waiting call", Build: effect(func(m *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OfferCall && m.Event.Kind == supervision.TimePassed {
				ef.Kind = supervision.EffectNone
			}
		})},
		{Invariant: 5, Name: "rings before the adapter recognises on hook",
			Build: withPolicy(func(p *supervision.Policy) { p.OnHookRecognition = 0 })},
		{Invariant: 5, Name: "lets a new call cut an interruption short", Build: wrap(seizedByArrival, nil)},
		{Invariant: 5, Name: "refuses with another status", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.RefuseCall {
				ef.Code = 480
			}
		})},
		{Invariant: 5, Name: "keeps calls waiting for ever on a faulted loop", Build: wrap(nil, neverOfferFaulted)},
		{Invariant: 5, Name: "lets a call wait on after a seizure", Build: drop(supervision.RefuseCall)},
		{Invariant: 8, Name: "takes near-end clearing for far-end clearing", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.NearEndCleared {
				ev.Kind, ev.Evidence = supervision.FarEndCleared, supervision.EvidenceBye
			}
		})},
		{Invariant: 8, Name: "takes a lost adapter for far-end clearing", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.AdapterLost {
				ev.Kind, ev.Evidence = supervision.FarEndCleared, supervision.EvidenceBye
			}
		})},
		{Invariant: 8, Name: "takes ringing for an answer", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.CallRinging {
				ev.Kind = supervision.CallAnswered
			}
		})},
		{Invariant: 8, Name: "opens after an unanswered call", Build: openDespite(supervision.SuppressedUnanswered)},
	}
}

// refuseInstead refuses an arriving call that is not offered at once.
func refuseInstead(_ *mutantHook, m *Moment) {
	if m.Event.Kind == supervision.CallArrived && m.Event.Call != 0 && len(m.Effects) == 0 {
		m.Effects = append(m.Effects, supervision.Effect{Kind: supervision.RefuseCall, Call: m.Event.Call,
			Code: busyHere})
	}
}

func seizedByArrival(h *mutantHook, now supervision.Instant, ev *supervision.Event) bool {
	if ev.Kind == supervision.CallArrived {
		effects, _ := h.machine.Step(now, supervision.Event{Kind: supervision.Seized})
		h.effects = append(h.effects, effects...)
	}
	return true
}

func neverOfferFaulted(h *mutantHook, m *Moment) {
	if !h.fault {
		return
	}
	kept := m.Effects[:0]
	for _, ef := range m.Effects {
		if ef.Kind != supervision.OfferCall {
			kept = append(kept, ef)
		}
	}
	m.Effects = kept
}
