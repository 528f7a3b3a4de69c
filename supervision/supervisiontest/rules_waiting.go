package supervisiontest

import (
	"fmt"
	"time"

	"clearback/supervision"
)

const busyHere = 486

// checkOffers checks offers and refusals.
func checkOffers(t *model, m *Moment, ef *supervision.Effect) string {
	c := t.find(ef.Call)
	switch ef.Kind {
	case supervision.OfferCall:
		switch {
		case c == nil || !c.waits:
			return "offers a call that does not wait"
		case m.Now >= c.waitBound:
			return "" // the line is in trouble, and a line that does not ring is worse
		case t.pendingClearing() != nil:
			return "offers a call while an interruption is pending"
		case t.loop.begun && !t.loop.faulted:
			return "offers a call while the loop may be open"
		case t.loop.faulted && !t.loop.idle && m.Now < t.loop.since.Add(t.policy.GuardTime+t.policy.OnHookRecognition):
			return "offers a call on a faulted loop at once"
		case !t.loop.faulted && m.Now < t.loop.quietBy && (m.Now < t.loop.recognised || arrivedAlone(m)):
			return "offers a call before the guard time is over"
		case !t.loop.faulted && m.Now < t.loop.recognised:
			return "offers a call before the adapter recognises on hook"
		}
	case supervision.RefuseCall:
		switch {
		case c == nil || !c.waits:
			return "refuses a call that does not wait"
		case ef.Code != busyHere:
			return fmt.Sprintf("refuses with %d", ef.Code)
		case !refuses(m.Event.Kind) || !t.seizure:
			return "refuses a waiting call though the near end did not seize"
		}
	case supervision.CloseLoop:
		if m.Event.Kind == supervision.CallArrived {
			return "cuts an interruption short for an arriving call"
		}
	case supervision.Report:
		if m.Event.Kind == supervision.CallArrived && ef.Report == supervision.ReportCancelled {
			return "withdraws an interruption for an arriving call"
		}
	}
	return ""
}

// refuses reports whether the calls that wait are refused after an event of that kind, if it is a seizure.
func refuses(k supervision.EventKind) bool {
	return k == supervision.CallRequested || k == supervision.CallAdopted || k == supervision.Seized
}

// waitingEnd checks that no call waits without a reason or too long.
func waitingEnd(t *model, m *Moment) string {
	for i := range t.calls {
		c := &t.calls[i]
		if !c.waits {
			continue
		}
		free := !t.loop.begun && !t.loop.faulted && m.Now >= t.loop.quietBy && m.Now >= t.loop.recognised
		switch {
		case t.seizure && refuses(m.Event.Kind):
			return "does not refuse a waiting call after a seizure"
		case m.Deadline > c.waitBound:
			return "sets a deadline that lets a call wait too long"
		case m.Event.Kind == supervision.TimePassed && m.Now >= c.waitBound && !(t.loop.begun && !t.loop.faulted):
			return "lets a call wait too long"
		case free && t.pendingClearing() == nil && !t.verification.must && !t.verification.asked &&
			!t.verification.catch && !timeDue(t, m):
			return "lets a call wait for nothing"
		}
	}
	return ""
}

// arrivedAlone reports whether this step offers the call that has just arrived, and no other. If the longest wait of
// another call has passed without TimePassed, the new call is offered together with that one.
func arrivedAlone(m *Moment) bool {
	for i := range m.Effects {
		if ef := &m.Effects[i]; ef.Kind == supervision.OfferCall && ef.Call != m.Event.Call {
			return false
		}
	}
	return m.Event.Kind == supervision.CallArrived
}

// timeDue reports whether a deadline of the machine has passed without TimePassed.
func timeDue(t *model, m *Moment) bool {
	return m.Event.Kind != supervision.TimePassed && m.Deadline <= m.Now
}

// seizureEnd checks a step in which the near end came first.
func seizureEnd(t *model, m *Moment) string {
	if !t.known || !t.seizure {
		return ""
	}
	if t.wasBegun {
		if len(m.Effects) == 0 || m.Effects[0].Kind != supervision.CloseLoop {
			return "does not close the loop first when the near end comes"
		}
	}
	if t.pendingClearing() != nil {
		return "leaves the interruption pending when the near end comes"
	}
	if t.verification.catch {
		return "continues a catch trial when the near end comes"
	}
	for i := range m.Effects {
		if m.Effects[i].Kind == supervision.OpenLoop {
			return "opens the loop when the near end comes"
		}
	}
	if t.wasWanted {
		for i := range m.Effects {
			if isReport(&m.Effects[i], supervision.ReportCancelled) {
				return ""
			}
		}
		return "withdraws an interruption silently"
	}
	return ""
}

// checkProbes checks probes, and the interval of an opening.
func checkProbes(t *model, m *Moment, ef *supervision.Effect) string {
	switch ef.Kind {
	case supervision.ProbeLine:
		unknown := false
		if c := t.pendingClearing(); c != nil {
			unknown = c.legDone && c.leg == supervision.AnswerUnknown
		}
		judged := t.verification.may && !t.verification.asked && m.Now >= t.verification.due
		if t.verification.listen.on {
			judged = t.mayLookAgain(m.Now)
		}
		switch {
		case !t.policy.ProbeTrusted:
			return "probes a line that cannot be trusted to answer"
		case t.loop.begun || m.Now < t.loop.quietBy:
			return "probes before the guard time is over"
		case m.Now < t.loop.recognised:
			return "probes before the adapter recognises on hook"
		case judged || unknown:
			return ""
		default:
			return checkLooks(t, m)
		}
	case supervision.Report:
		judge := t.verification.must && t.sensorHook() == supervision.HookUnknown
		if ef.Report == supervision.ReportInterrupted && judge && t.pendingClearing() == nil && !t.anyLeg(0) {
			return "reports an interruption without a probe"
		}
	case supervision.OpenLoop:
		if want := t.interval(ef); ef.Interval != want && ef.Call != 0 {
			return fmt.Sprintf("opens for %v; %v is due after %d holds that stayed", ef.Interval, want, t.stayed)
		}
	}
	return ""
}

// checkLooks checks a probe of a line without a call.
func checkLooks(t *model, m *Moment) string {
	w := &t.watch
	recently := t.callbackBy > 0 && m.Now <= t.callbackBy.Add(t.policy.OnHookRecognition+10*time.Second)
	switch {
	case !t.idle():
		return "probes for no reason"
	case t.sensorHook() != supervision.HookUnknown:
		return "probes although the sensor has reported"
	case w.looked && m.Now < w.lookedAt.Add(t.policy.Watch):
		return "looks at a line more often than it should"
	case t.policy.Watch == 0 && w.pendingIncident.why == supervision.IncidentNone && !recently &&
		!w.hasIncident(supervision.IncidentAdopted):
		return "looks at a line that is not watched"
	}
	return ""
}

// interval returns the length that an opening should have.
func (t *model) interval(ef *supervision.Effect) time.Duration {
	p := &t.policy
	d := p.Interval
	if n := min(t.stayed, len(p.Steps)); n > 0 {
		d = p.Steps[n-1]
	}
	c := t.find(ef.Call)
	if c != nil && c.trial {
		return c.trialInterval
	}
	if c != nil && (!c.legEnded() || t.anyLeg(c.id)) && p.FlashMax > 0 {
		d = max(d, p.FlashMax+flashMargin)
	}
	return d
}

func probingEnd(t *model, m *Moment) string {
	must := t.verification.must && t.sensorHook() == supervision.HookUnknown
	if must && m.Event.Kind == supervision.TimePassed && m.Now >= t.verification.due && t.pendingClearing() == nil &&
		!t.anyOnLine(0) {
		return "does not probe the line after the guard time"
	}
	judged := reported(m, supervision.ReportInterrupted)
	off := t.hookOff && !t.verification.listen.on || judged != nil && judged.Hook == supervision.HookOff
	if !off || t.watch.hasLineIncident() || judged != nil && judged.Trial ||
		hasEffect(m, supervision.OpenLoop, t.loop.call) {
		return ""
	}
	return "reports no incident although the hold stayed"
}
