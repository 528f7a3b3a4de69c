package trial

import (
	"fmt"
	"time"

	"clearback/supervision"
	"clearback/supervision/story"
)

// This file reads what the line tells of a trial.

// follow takes an entry of the line.
func (s *Session) follow(e story.Entry) {
	s.change(func() {
		c := s.call
		if c == nil || c.id == 0 {
			return
		}
		c.event(&e.Event)
		c.effect(&e.Effect)
	})
}

func (c *call) event(ev *supervision.Event) {
	switch ev.Kind {
	case supervision.LoopClosed:
		if c.seq != 0 && ev.Seq == c.seq {
			c.took = ev.Took
		}
	case supervision.ProbeAnswered:
		c.probed = c.probed || c.far
	}
	if ev.Call != c.id {
		return
	}
	switch ev.Kind {
	case supervision.TrialSet:
		c.set = true
	case supervision.FarEndCleared:
		c.far = true
	case supervision.NearEndCleared:
		c.left(ErrGone)
	case supervision.AdapterLost:
		c.left(fmt.Errorf("%w: the adapter was lost", ErrGone))
	}
}

// left notes that the near end went first. After the far end it is the machine's to say what that means.
func (c *call) left(why error) {
	if !c.far && c.gone == nil {
		c.gone = why
	}
}

func (c *call) effect(e *supervision.Effect) {
	if e.Call != c.id {
		return
	}
	switch {
	case e.Kind == supervision.OpenLoop:
		c.seq = e.Seq
	case e.Kind != supervision.Report:
	case e.Report == supervision.ReportRefused:
		c.refused = e.Suppression
	case !c.far || c.outcome != nil:
	case e.Report == supervision.ReportInterrupted, e.Report == supervision.ReportSuppressed,
		e.Report == supervision.ReportCancelled, e.Report == supervision.ReportIncident:
		outcome := *e
		c.outcome = &outcome
	}
}

// result is what became of the clearing.
func (c *call) result(asked time.Duration) Result {
	r := Result{Call: c.id, Asked: asked}
	e := c.outcome
	switch e.Report {
	case supervision.ReportInterrupted:
		r.Measured, r.Hook = c.took, e.Hook
		switch {
		case e.Hook == supervision.HookUnknown:
		case c.probed:
			r.By = story.VerifiedByProbe
		default:
			r.By = story.VerifiedBySense
		}
	case supervision.ReportSuppressed:
		r.Why = "nothing was opened: " + rule(e.Suppression)
	case supervision.ReportCancelled:
		r.Why = "the near end came first"
		if e.Incident != supervision.IncidentNone {
			r.Why = fault(e.Incident)
		}
	default:
		r.Why = fault(e.Incident)
	}
	return r
}

func refusal(why supervision.Suppression) error { return fmt.Errorf("%w: %s", ErrRefused, rule(why)) }

// rule puts a rule that keeps the loop closed into words.
func rule(why supervision.Suppression) string {
	switch why {
	case supervision.SuppressedUnanswered:
		return "the call was not answered"
	case supervision.SuppressedNearEnd:
		return "the near end cleared, or the adapter was lost"
	case supervision.SuppressedEmergency:
		return "it is an emergency call"
	case supervision.SuppressedLifeSafety:
		return "the line is marked life_safety"
	case supervision.SuppressedOtherCall:
		return "another call is on the line"
	case supervision.SuppressedLate:
		return "the clearing was learnt too late, or is under way"
	case supervision.SuppressedUnknownCall:
		return "the adapter knows no such call"
	case supervision.SuppressedLoopBusy:
		return "an interruption or its guard time is under way"
	case supervision.SuppressedLoopFaulted:
		return "nobody knows whether the contact is closed"
	case supervision.SuppressedOutOfBounds:
		return "the interval is outside the line's bounds, or the adapter did not answer its BYE and would take it for a hook flash"
	case supervision.SuppressedNoContact:
		return "the line has no contact"
	case supervision.SuppressedCallback:
		return "the emergency centre may be about to call back"
	}
	return why.String()
}

// fault puts the reason into words for which an interruption was not made as asked.
func fault(why supervision.Incident) string {
	switch why {
	case supervision.IncidentUnreachable:
		return "the relay controller could not be reached, or did not say whether the loop is closed"
	case supervision.IncidentContactStuck:
		return "the contact did not move"
	case supervision.IncidentMissedNotAfter:
		return "the opening could not be written in time"
	case supervision.IncidentByeUnanswered:
		return "the adapter did not answer its BYE"
	}
	return why.String()
}
