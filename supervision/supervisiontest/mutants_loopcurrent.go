package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// mutantsOfReadings break the rules about readings of the loop current that are out of date.
func mutantsOfReadings() []Mutant {
	return []Mutant{
		{Invariant: 0, Name: "believes a reading that was requested before the loop closed",
			Build: reading(supervision.ReadingBeforeClosing, supervision.ReadingChange), Problem: "without evidence"},
		{Invariant: 0, Name: "believes the last reading before the loop closed",
			Build: wrap(nil, afterClosing(func(h *mutantHook) supervision.Event {
				return supervision.Event{Kind: h.current, Reading: supervision.ReadingRepeated}
			})), Problem: "without evidence"},
		{Invariant: 0, Name: "believes a sensor that cannot be read",
			Build: withoutEvents(supervision.CurrentUnreadable), Problem: "without evidence"},
		{Invariant: 5, Name: "takes current that still flows for a seizure",
			Build: reading(supervision.ReadingRepeated, supervision.ReadingChange), Problem: "did not seize"},
		{Invariant: 7, Name: "does not wait for the sensor",
			Build: wrap(nil, afterClosing(func(*mutantHook) supervision.Event {
				return supervision.Event{Kind: supervision.CurrentUnreadable}
			})), Problem: "before the sensor has been read"},
		{Invariant: 7, Name: "waits for the sensor for seconds", Build: wrap(nil, func(_ *mutantHook, m *Moment) {
			if m.Event.Kind == supervision.LoopClosed {
				m.Deadline = m.Deadline.Add(3 * time.Second)
			}
		}), Problem: "guard time last too long"},
	}
}

// reading makes a mutant that takes readings of the kind is for readings of the kind taken.
func reading(is, taken supervision.Reading) Build {
	return event(func(ev *supervision.Event) {
		if ev.Reading == is {
			ev.Reading = taken
		}
	})
}

// afterClosing gives the machine one more event after each closing of the loop, as more returns it.
func afterClosing(more func(h *mutantHook) supervision.Event) func(h *mutantHook, m *Moment) {
	return func(h *mutantHook, m *Moment) {
		switch m.Event.Kind {
		case supervision.Seized, supervision.Released:
			h.current = m.Event.Kind
		case supervision.LoopClosed:
			effects, deadline := h.machine.Step(m.Now, more(h))
			m.Effects, m.Deadline = append(m.Effects, effects...), deadline
		}
	}
}
