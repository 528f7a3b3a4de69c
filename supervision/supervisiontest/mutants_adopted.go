package supervisiontest

import "clearback/supervision"

// mutantsOfAdoption break rules about calls that were answered before a restart.
func mutantsOfAdoption() []Mutant {
	return []Mutant{
		{Invariant: 0, Name: "does not report that an adopted call opened nothing",
			Build: withoutIncident(supervision.IncidentAdopted), Problem: "stayed closed for an adopted call"},
		{Invariant: 0, Name: "never opens for an adopted call", Build: withoutEvents(supervision.AdapterLegHeard),
			Problem: "not true: adopted"},
		{Invariant: 1, Name: "opens for an adopted call that was not heard", Build: wrap(heardBy(supervision.CallAdopted),
			nil), Problem: "not heard before our BYE"},
		{Invariant: 1, Name: "opens for an adopted call that was heard after our BYE",
			Build: heardLate, Problem: "not heard before our BYE"},
		{Invariant: 1, Name: "opens for an adopted call whose BYE is not answered",
			Build: openDespite(supervision.SuppressedAdopted), Problem: "is not answered"},
		{Invariant: 1, Name: "opens for an adopted call without a 2xx", Build: event(func(ev *supervision.Event) {
			if ev.Kind == supervision.AdapterLegCleared {
				ev.Answer = supervision.AnswerConfirmed
			}
		}), Problem: "without a 2xx"},
		{Invariant: 1, Name: "opens for an adopted call whose 2xx came late",
			Build:   withPolicy(func(p *supervision.Policy) { p.Lead *= 2 }),
			Problem: "after the lead"},
		{Invariant: 1, Name: "repeats the interruption of an adopted call", Build: wrap(takenForOwn, nil),
			Problem: "twice for an adopted call"},
		{Invariant: 1, Name: "forgets adopted calls", Build: withoutEvents(supervision.CallAdopted),
			Problem: "another call is on the line"},
		{Invariant: 2, Name: "opens for an adopted emergency call", Build: adoptedAs(func(ev *supervision.Event) {
			ev.Emergency = false
		}), Problem: "for an emergency call"},
		{Invariant: 2, Name: "forgets the number of an adopted call", Build: adoptedAs(func(ev *supervision.Event) {
			ev.Number = supervision.NumberOrdinary
		}), Problem: "may be an emergency call"},
		{Invariant: 4, Name: "makes a trial of an adopted call", Build: wrap(takenForOwn, nil),
			Problem: "accepts a trial"},
		{Invariant: 7, Name: "distrusts an adapter that may not have an adopted call", Build: wrap(takenForOwn, nil),
			Problem: "nothing contradicts"},
	}
}

// heardBy makes the machine believe, before each event of that kind, that the adapter's leg was heard. For CallAdopted
// it believes so after the event.
func heardBy(k supervision.EventKind) func(*mutantHook, supervision.Instant, *supervision.Event) bool {
	return func(h *mutantHook, now supervision.Instant, ev *supervision.Event) bool {
		if ev.Kind != k {
			return true
		}
		if k == supervision.CallAdopted {
			effects, _ := h.machine.Step(now, *ev)
			h.effects = append(h.effects, effects...)
		}
		heard := supervision.Event{Kind: supervision.AdapterLegHeard, Call: ev.Call}
		if k == supervision.CallAdopted {
			*ev = heard
			return true
		}
		h.machine.Step(now, heard)
		return true
	}
}

// heardLate opens for adopted calls whose leg is heard between our BYE and its answer, and for no others.
func heardLate(p supervision.Policy) Stepper {
	var cleared, heard supervision.CallID
	return wrap(heardBy(supervision.FarEndCleared), func(_ *mutantHook, m *Moment) {
		switch m.Event.Kind {
		case supervision.FarEndCleared:
			cleared = m.Event.Call
		case supervision.AdapterLegHeard:
			if m.Event.Call == cleared {
				heard = cleared
			}
		}
		kept := m.Effects[:0]
		for _, ef := range m.Effects {
			if ef.Kind != supervision.OpenLoop || ef.Call == heard {
				kept = append(kept, ef)
			}
		}
		m.Effects = kept
	})(p)
}

// takenForOwn takes an adopted call for one that this process saw being answered.
func takenForOwn(h *mutantHook, now supervision.Instant, ev *supervision.Event) bool {
	if ev.Kind == supervision.CallAdopted {
		own := *ev
		own.Kind = supervision.CallRequested
		effects, _ := h.machine.Step(now, own)
		h.effects = append(h.effects, effects...)
		ev.Kind = supervision.CallAnswered
	}
	return true
}

// adoptedAs makes a mutant that adopts calls with changed facts.
func adoptedAs(change func(ev *supervision.Event)) Build {
	return event(func(ev *supervision.Event) {
		if ev.Kind == supervision.CallAdopted {
			change(ev)
		}
	})
}
