package testcall

import (
	"fmt"
	"time"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// This file reads what the line reports about a trial.

// follow handles an entry of the line.
func (s *Session) follow(e callrecord.Entry) {
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
	if ev.Kind == supervision.LoopClosed && c.seq != 0 && ev.Seq == c.seq {
		c.took = ev.Took
	}
	if ev.Call != c.id {
		return
	}
	switch ev.Kind {
	case supervision.TrialSet:
		c.trialSet = true
	case supervision.FarEndCleared:
		c.farEndCleared = true
	case supervision.NearEndCleared:
		c.nearEndLeft(ErrNearEndHungUp)
	case supervision.AdapterLost:
		c.nearEndLeft(fmt.Errorf("%w: the adapter was lost", ErrNearEndHungUp))
	}
}

// nearEndLeft notes that the near end hung up first. If the far end has already cleared, the machine decides what that
// means.
func (c *call) nearEndLeft(why error) {
	if !c.farEndCleared && c.nearEndError == nil {
		c.nearEndError = why
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
	case !c.farEndCleared || c.outcome != nil:
	case e.Report == supervision.ReportInterrupted, e.Report == supervision.ReportSuppressed,
		e.Report == supervision.ReportCancelled, e.Report == supervision.ReportIncident:
		outcome := *e
		c.outcome = &outcome
	}
}

// result returns the outcome of the clearing.
func (c *call) result(asked time.Duration) Result {
	r := Result{Call: c.id, Asked: asked}
	e := c.outcome
	switch e.Report {
	case supervision.ReportInterrupted:
		r.Measured, r.Hook, r.By = c.took, e.Hook, e.Verified
	case supervision.ReportSuppressed:
		r.Why = callrecord.Observation(supervision.IncidentNone, e.Suppression, false)
		if e.Suppression == supervision.SuppressedOutOfBounds { // the interval itself was accepted
			r.Why = "The adapter did not answer its BYE and would take the opening for a hook flash, so nothing was opened."
		}
	case supervision.ReportCancelled:
		r.Why = "the near end came first"
		if e.Incident != supervision.IncidentNone {
			r.Why = callrecord.Observation(e.Incident, supervision.SuppressionNone, false)
		}
	default:
		r.Why = callrecord.Observation(e.Incident, supervision.SuppressionNone, false)
	}
	return r
}

func refusal(why supervision.Suppression) error {
	return fmt.Errorf("%w: %s", ErrRefused, callrecord.Observation(supervision.IncidentNone, why, false))
}
