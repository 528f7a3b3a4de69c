package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// mutantsOfOpening break rules about when the loop opens, and for how long.
func mutantsOfOpening() []Mutant {
	return []Mutant{
		{Invariant: 1, Name: "opens while another call is on the line",
			Build: openDespite(supervision.SuppressedOtherCall)},
		{Invariant: 1, Name: "opens again after the loop closed", Build: wrap(nil, openAgain)},
		{Invariant: 1, Name: "opens for a call that the adapter does not know",
			Build: event(func(ev *supervision.Event) {
				if ev.Kind == supervision.AdapterLegCleared && ev.Answer == supervision.AnswerUnknown {
					ev.Answer = supervision.AnswerConfirmed
				}
			})},
		{Invariant: 1, Name: "grants every pulse", Build: wrap(nil, grantPulse)},
		{Invariant: 2, Name: "does not know emergency calls",
			Build: event(func(ev *supervision.Event) { ev.Emergency = false })},
		{Invariant: 2, Name: "does not know numbers that may be emergency numbers",
			Build: event(func(ev *supervision.Event) { ev.Number = supervision.NumberOrdinary })},
		{Invariant: 2, Name: "opens for a call that may be an emergency call",
			Build: openDespite(supervision.SuppressedResembles)},
		{Invariant: 2, Name: "opens for an emergency call", Build: openDespite(supervision.SuppressedEmergency)},
		{Invariant: 2, Name: "ignores life_safety",
			Build: withPolicy(func(p *supervision.Policy) { p.LifeSafety = false })},
		{Invariant: 2, Name: "rings at once although the loop is open", Build: wrap(nil, offerAtOnce)},
		{Invariant: 2, Name: "leaves the loop open when a call begins", Build: drop(supervision.CloseLoop)},
		{Invariant: 3, Name: "does not wait for the adapter's answer", Build: wrap(nil, notAwaiting)},
		{Invariant: 3, Name: "waits only half the lead",
			Build: withPolicy(func(p *supervision.Policy) { p.Lead /= 2 })},
		{Invariant: 3, Name: "waits twice the lead",
			Build: withPolicy(func(p *supervision.Policy) { p.Lead *= 2 })},
		{Invariant: 3, Name: "forgets the flash window",
			Build: withPolicy(func(p *supervision.Policy) { p.FlashMax = 0 })},
		{Invariant: 4, Name: "opens for longer than max_interval",
			Build: effect(func(_ *Moment, ef *supervision.Effect) {
				if ef.Kind == supervision.OpenLoop {
					ef.Interval *= 5
				}
			})},
		{Invariant: 4, Name: "lets an opening be written so late that max_interval cuts it short",
			Build: effect(func(m *Moment, ef *supervision.Effect) {
				if ef.Kind == supervision.OpenLoop {
					ef.NotAfter = m.Now.Add(1200 * time.Millisecond)
				}
			}), Problem: "cuts it short"},
		{Invariant: 4, Name: "has no guard on the opening", Build: wrap(nil, closeLate)},
		{Invariant: 4, Name: "lengthens the interval when the loop has opened", Build: wrap(nil, lengthen)},
		{Invariant: 4, Name: "uses one number for all openings", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.Seq = 1
			}
		})},
		{Invariant: 4, Name: "has no guard time", Build: withPolicy(func(p *supervision.Policy) { p.GuardTime = 0 })},
		{Invariant: 7, Name: "never probes", Build: withPolicy(func(p *supervision.Policy) { p.ProbeTrusted = false })},
		{Invariant: 7, Name: "probes where no answer can be trusted",
			Build: withPolicy(func(p *supervision.Policy) { p.ProbeTrusted = true })},
		{Invariant: 7, Name: "never takes the next longer interval",
			Build: withPolicy(func(p *supervision.Policy) { p.Steps = nil })},
		{Invariant: 7, Name: "believes that every hold cleared", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.ProbeAnswered {
				ev.Hook = supervision.HookOn
			}
		})},
		{Invariant: 7, Name: "probes before the adapter recognises on hook",
			Build: withPolicy(func(p *supervision.Policy) { p.OnHookRecognition = 0 })},
	}
}

// mutantsOfOrder break rules about priority and about time.
func mutantsOfOrder() []Mutant {
	late := func(d time.Duration) Build {
		return effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.NotAfter = ef.NotAfter.Add(d)
			}
		})
	}
	return []Mutant{
		{Invariant: 6, Name: "does not close upon a seizure", Build: effect(func(m *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.CloseLoop && m.Event.Kind == supervision.CallRequested {
				ef.Kind = supervision.EffectNone
			}
		})},
		{Invariant: 6, Name: "closes last, not first", Build: wrap(nil, closeLast)},
		{Invariant: 6, Name: "ignores the sensor", Build: withoutEvents(supervision.Seized)},
		{Invariant: 6, Name: "ignores the adapter's own BYE", Build: withoutEvents(supervision.NearEndCleared)},
		{Invariant: 6, Name: "withdraws silently", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportCancelled) {
				ef.Kind = supervision.EffectNone
			}
		})},
		{Invariant: 11, Name: "lets openings end one second late", Build: late(time.Second)},
		{Invariant: 11, Name: "opens after a clearing learnt late",
			Build: event(func(ev *supervision.Event) { ev.Late = 0 })},
		{Invariant: 11, Name: "has no guard on the opening", Build: wrap(nil, closeLate)},
		{Invariant: 12, Name: "sets no not-after", Build: effect(func(_ *Moment,
			ef *supervision.Effect) {
			ef.NotAfter = 0
		})},
		{Invariant: 12, Name: "sets a not-after that never comes", Build: late(1 << 62)},
		{Invariant: 12, Name: "hands an opening out after its time", Build: wrap(nil, holdBack)},
		{Invariant: 12, Name: "closes with a wrong number", Build: effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.CloseLoop {
				ef.Seq++
			}
		})},
	}
}

func openAgain(h *mutantHook, m *Moment) {
	if m.Event.Kind == supervision.LoopClosed && m.Event.Seq == h.last.Seq && h.last.Call != 0 {
		h.last.Seq += 100
		again := h.last
		again.NotAfter = m.Now.Add(100 * time.Millisecond)
		m.Effects = append(m.Effects, again)
	}
}

func grantPulse(h *mutantHook, m *Moment) {
	for i := range m.Effects {
		if isReport(&m.Effects[i], supervision.ReportRefused) &&
			m.Effects[i].Suppression == supervision.SuppressedOtherCall {
			h.last.Seq += 100
			m.Effects[i] = supervision.Effect{
				Kind: supervision.OpenLoop, Seq: h.last.Seq, Interval: 800 * time.Millisecond,
				NotAfter: m.Now.Add(time.Second),
			}
		}
	}
}

func offerAtOnce(h *mutantHook, m *Moment) {
	if m.Event.Kind == supervision.CallArrived && h.open && len(m.Effects) == 0 {
		m.Effects = append(m.Effects, supervision.Effect{Kind: supervision.OfferCall, Call: m.Event.Call})
	}
}

// notAwaiting tells the machine at once that the leg is cleared.
func notAwaiting(h *mutantHook, m *Moment) {
	for i := range m.Effects {
		if m.Effects[i].Kind == supervision.ClearAdapterLeg {
			more, deadline := h.machine.Step(m.Now, supervision.Event{
				Kind: supervision.AdapterLegCleared, Call: m.Effects[i].Call, Answer: supervision.AnswerConfirmed,
			})
			m.Effects, m.Deadline = append(m.Effects, more...), deadline
			return
		}
	}
}

// closeLate withholds the closing of an opening that is due to end.
func closeLate(h *mutantHook, m *Moment) {
	if !h.open {
		return
	}
	kept := m.Effects[:0]
	for _, ef := range m.Effects {
		if ef.Kind != supervision.CloseLoop {
			kept = append(kept, ef)
		}
	}
	m.Effects, m.Deadline = kept, m.Now.Add(time.Minute)
}

func lengthen(h *mutantHook, m *Moment) {
	if m.Event.Kind == supervision.LoopOpened && m.Event.Seq == h.last.Seq && h.open {
		longer := h.last
		longer.Seq++
		longer.NotAfter = m.Now.Add(100 * time.Millisecond)
		m.Effects = append(m.Effects, longer)
	}
}

func closeLast(_ *mutantHook, m *Moment) {
	for i := range m.Effects {
		if m.Effects[i].Kind == supervision.CloseLoop {
			ef := m.Effects[i]
			m.Effects = append(append(m.Effects[:i], m.Effects[i+1:]...), ef)
			return
		}
	}
}

// holdBack withholds an opening until its not-after time has passed.
func holdBack(h *mutantHook, m *Moment) {
	if len(h.withheld) > 0 && m.Now > h.withheld[0].NotAfter {
		m.Effects = append(m.Effects, h.withheld...)
		h.withheld = h.withheld[:0]
		return
	}
	kept := m.Effects[:0]
	for _, ef := range m.Effects {
		if ef.Kind == supervision.OpenLoop {
			h.withheld = append(h.withheld[:0], ef)
			continue
		}
		kept = append(kept, ef)
	}
	m.Effects = kept
}
