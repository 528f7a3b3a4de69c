package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// mutantsOfOpening break rules about when the loop opens, and for how long.
func mutantsOfOpening() []Mutant {
	return []Mutant{
		{1, "opens while another call is on the line", opens(supervision.SuppressedOtherCall)},
		{1, "opens again after the loop closed", wrap(nil, openAgain)},
		{1, "opens for a call that the adapter does not know", event(func(ev *supervision.Event) {
			if ev.Kind == supervision.AdapterLegCleared && ev.Answer == supervision.AnswerUnknown {
				ev.Answer = supervision.AnswerConfirmed
			}
		})},
		{1, "grants every pulse", wrap(nil, grantPulse)},
		{2, "does not know emergency calls", event(func(ev *supervision.Event) { ev.Emergency = false })},
		{2, "opens for an emergency call", opens(supervision.SuppressedEmergency)},
		{2, "does not heed life_safety", bend(func(p *supervision.Policy) { p.LifeSafety = false })},
		{2, "rings at once although the loop is open", wrap(nil, offerAtOnce)},
		{2, "leaves the loop open when a call begins", drop(supervision.CloseLoop)},
		{3, "does not await the adapter's answer", wrap(nil, notAwaiting)},
		{3, "awaits it only half the lead", bend(func(p *supervision.Policy) { p.Lead /= 2 })},
		{3, "awaits it for twice the lead", bend(func(p *supervision.Policy) { p.Lead *= 2 })},
		{3, "forgets the flash window", bend(func(p *supervision.Policy) { p.FlashMax = 0 })},
		{4, "opens for longer than max_interval", effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.Interval *= 5
			}
		})},
		{4, "has no guard on the opening", wrap(nil, unguarded)},
		{4, "lengthens the interval when the loop has opened", wrap(nil, lengthen)},
		{4, "uses one number for all openings", effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.Seq = 1
			}
		})},
		{4, "has no guard time", bend(func(p *supervision.Policy) { p.GuardTime = 0 })},
		{7, "never probes", bend(func(p *supervision.Policy) { p.ProbeTrusted = false })},
		{7, "probes where no answer can be trusted", bend(func(p *supervision.Policy) { p.ProbeTrusted = true })},
		{7, "never takes the next longer interval", bend(func(p *supervision.Policy) { p.Steps = nil })},
		{7, "believes that every hold cleared", event(func(ev *supervision.Event) {
			if ev.Kind == supervision.ProbeAnswered {
				ev.Hook = supervision.HookOn
			}
		})},
		{7, "probes before the adapter recognises on hook", bend(func(p *supervision.Policy) { p.OnHookRecognition = 0 })},
	}
}

// mutantsOfOrder break rules about who comes first, and about time.
func mutantsOfOrder() []Mutant {
	late := func(d time.Duration) Build {
		return effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.OpenLoop {
				ef.NotAfter = ef.NotAfter.Add(d)
			}
		})
	}
	return []Mutant{
		{6, "does not close upon a seizure", effect(func(m *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.CloseLoop && m.Event.Kind == supervision.CallRequested {
				ef.Kind = supervision.EffectNone
			}
		})},
		{6, "closes last, not first", wrap(nil, closeLast)},
		{6, "does not see the sensor", deaf(supervision.Seized)},
		{6, "does not heed the adapter's own BYE", deaf(supervision.NearEndCleared)},
		{6, "withdraws silently", effect(func(_ *Moment, ef *supervision.Effect) {
			if isReport(ef, supervision.ReportCancelled) {
				ef.Kind = supervision.EffectNone
			}
		})},
		{11, "lets openings end one second late", late(time.Second)},
		{11, "opens after a clearing learnt late", event(func(ev *supervision.Event) { ev.Late = 0 })},
		{11, "has no guard on the opening", wrap(nil, unguarded)},
		{12, "sets no not-after", effect(func(_ *Moment, ef *supervision.Effect) { ef.NotAfter = 0 })},
		{12, "sets a not-after that never comes", late(1 << 62)},
		{12, "hands an opening out after its time", wrap(nil, holdBack)},
		{12, "closes with a wrong number", effect(func(_ *Moment, ef *supervision.Effect) {
			if ef.Kind == supervision.CloseLoop {
				ef.Seq++
			}
		})},
	}
}

func openAgain(h *hook, m *Moment) {
	if m.Event.Kind == supervision.LoopClosed && m.Event.Seq == h.last.Seq && h.last.Call != 0 {
		h.last.Seq += 100
		again := h.last
		again.NotAfter = m.Now.Add(100 * time.Millisecond)
		m.Effects = append(m.Effects, again)
	}
}

func grantPulse(h *hook, m *Moment) {
	for i := range m.Effects {
		if isReport(&m.Effects[i], supervision.ReportRefused) && m.Effects[i].Suppression == supervision.SuppressedOtherCall {
			h.last.Seq += 100
			m.Effects[i] = supervision.Effect{
				Kind: supervision.OpenLoop, Seq: h.last.Seq, Interval: 800 * time.Millisecond, NotAfter: m.Now.Add(time.Second),
			}
		}
	}
}

func offerAtOnce(h *hook, m *Moment) {
	if m.Event.Kind == supervision.CallArrived && h.open && len(m.Effects) == 0 {
		m.Effects = append(m.Effects, supervision.Effect{Kind: supervision.OfferCall, Call: m.Event.Call})
	}
}

// notAwaiting tells the machine at once that the leg is cleared.
func notAwaiting(h *hook, m *Moment) {
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

// unguarded keeps an opening to itself once it is due to be closed.
func unguarded(h *hook, m *Moment) {
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

func lengthen(h *hook, m *Moment) {
	if m.Event.Kind == supervision.LoopOpened && m.Event.Seq == h.last.Seq && h.open {
		longer := h.last
		longer.Seq++
		longer.NotAfter = m.Now.Add(100 * time.Millisecond)
		m.Effects = append(m.Effects, longer)
	}
}

func closeLast(_ *hook, m *Moment) {
	for i := range m.Effects {
		if m.Effects[i].Kind == supervision.CloseLoop {
			ef := m.Effects[i]
			m.Effects = append(append(m.Effects[:i], m.Effects[i+1:]...), ef)
			return
		}
	}
}

// holdBack keeps an opening until its not-after has passed.
func holdBack(h *hook, m *Moment) {
	if len(h.held) > 0 && m.Now > h.held[0].NotAfter {
		m.Effects = append(m.Effects, h.held...)
		h.held = h.held[:0]
		return
	}
	kept := m.Effects[:0]
	for _, ef := range m.Effects {
		if ef.Kind == supervision.OpenLoop {
			h.held = append(h.held[:0], ef)
			continue
		}
		kept = append(kept, ef)
	}
	m.Effects = kept
}
