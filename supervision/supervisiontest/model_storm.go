package supervisiontest

import (
	"fmt"
	"time"

	"clearback/supervision"
)

// breakerPause is how long no clearing opens the loop after too many openings. Like the other bounds, it is written
// down a second time.
const breakerPause = 5 * time.Minute

// stormModel follows the openings of clearings.
type stormModel struct {
	openings []supervision.Instant // those that were made, and those refused as too many
	by       supervision.Instant   // end of the pause; 0: none
	ended    bool                  // in this step
}

// within counts the openings in the minute before now.
func (s *stormModel) within(now supervision.Instant) int {
	n := 0
	for _, at := range s.openings {
		if now.Sub(at) < time.Minute {
			n++
		}
	}
	return n
}

func (s *stormModel) full(now supervision.Instant, p *supervision.Policy) bool {
	return s.within(now) >= p.OpeningsPerMinute
}

// paused reports whether no clearing may open the loop.
func (s *stormModel) paused(now supervision.Instant) bool { return s.by > now }

// own reports whether the operator asked for the opening, so that it does not count.
func (t *model) own(ef *supervision.Effect) bool {
	c := t.find(ef.Call)
	return ef.Call == 0 || c != nil && c.trial
}

func tooMany(ef *supervision.Effect) bool {
	return isReport(ef, supervision.ReportSuppressed) && ef.Suppression == supervision.SuppressedTooManyOpenings
}

// stormEvent starts the pause again if the storm continues.
func (t *model) stormEvent(now supervision.Instant, ev *supervision.Event) {
	s := &t.storm
	s.ended = false
	if ev.Kind == supervision.TimePassed && s.by > 0 && now >= s.by && s.full(now, &t.policy) {
		s.by = now.Add(breakerPause)
	}
}

func (t *model) stormEffect(now supervision.Instant, ef *supervision.Effect) {
	s := &t.storm
	switch {
	case ef.Kind == supervision.OpenLoop && !t.own(ef):
		s.openings = append(s.openings, now)
	case tooMany(ef):
		if !s.paused(now) {
			s.by = now.Add(breakerPause)
		}
		s.openings = append(s.openings, now)
	case isReport(ef, supervision.ReportIncidentEnded) && ef.Incident == supervision.IncidentTooManyOpenings:
		s.by, s.ended = 0, true
		if t.watch.pendingIncident.rule == supervision.SuppressedTooManyOpenings {
			t.watch.looked = false
		}
	}
}

// pendingIsUrgent reports whether off hook is an incident at once, since a rule may have left the line held.
func (t *model) pendingIsUrgent(now supervision.Instant) bool {
	d := &t.watch.pendingIncident
	return d.why == supervision.IncidentSuppressed && !(d.rule == supervision.SuppressedTooManyOpenings &&
		t.storm.by > 0)
}

// openingRate checks how often clearings open the loop.
func openingRate(t *model, m *Moment, ef *supervision.Effect) string {
	s := &t.storm
	switch {
	case ef.Kind == supervision.OpenLoop && !t.own(ef):
		c := t.find(ef.Call)
		switch {
		case s.paused(m.Now):
			return "opens in the pause after too many openings"
		case c == nil || c.interrupted && s.full(m.Now, &t.policy) || !c.interrupted && c.crowded:
			return fmt.Sprintf("opens again after %d openings in a minute", s.within(m.Now))
		}
	case isReport(ef, supervision.ReportIncidentEnded) && ef.Incident == supervision.IncidentTooManyOpenings:
		if s.paused(m.Now) || s.full(m.Now, &t.policy) {
			return "ends a storm that continues"
		}
	}
	return ""
}

func openingRateEnd(t *model, m *Moment) string {
	s := &t.storm
	doubt := t.watch.pendingIncident.rule == supervision.SuppressedTooManyOpenings
	switch {
	case s.by > 0 && !t.watch.hasIncident(supervision.IncidentTooManyOpenings):
		return "reports no incident although it refuses an opening as too many"
	case s.by > 0 && m.Event.Kind == supervision.TimePassed && m.Now >= s.by:
		return "does not end the incident of a storm after the pause"
	case s.by > 0 && m.Deadline > s.by && m.Now < s.by:
		return "sets no deadline for the end of the pause"
	case s.ended && doubt && t.idle() && t.policy.ProbeTrusted && t.sensorHook() == supervision.HookUnknown &&
		m.Deadline > max(m.Now.Add(t.policy.OnHookRecognition), t.loop.recognised).Add(probeLimit):
		return "does not look at the line after the pause"
	}
	return ""
}
