package supervisiontest

import (
	"fmt"
	"time"

	"clearback/supervision"
)

// A rule is an invariant as a check. Both functions return the problem, or "".
type rule struct {
	number int // of the invariant; 0: bookkeeping that all invariants need
	says   string
	// effect checks one effect before it takes place.
	effect func(t *model, m *Moment, ef *supervision.Effect) string
	// end checks the line after the whole step.
	end func(t *model, m *Moment) string
}

// rules returns the checks in the order of their numbers.
func rules() []rule {
	return []rule{
		{0, "both ends are cleared, and every far-end clearing has an outcome with a true reason", accountEffect,
			accountEnd},
		{0, "an incident begins once, for a true reason, and ends once", incidents, nil},
		{0, "every operator's pulse has exactly one outcome", nil, checkPulseEnd},
		{1, "opens only after the far end cleared an answered call and no other call is on the line, or for a pulse",
			checkOpening, nil},
		{1, "opens for an adopted call only if the adapter was heard in it and confirms our BYE in time", checkAdopted, nil},
		{2, "never while ringing or talking, never for an emergency call, never on a life-safety line", checkForbidden,
			neverEnd},
		{3, "clears the adapter's leg first and waits at most lead for its answer", legFirst, leadEnd},
		{4, "no event lengthens an interval; never longer than max_interval; every opening has its closing",
			checkBounds,
			boundedEnd},
		{4, "a trial keeps within the bounds and has the interval that was set", trials, trialsEnd},
		{5, "a new incoming call waits and is then offered; the wait neither refuses nor loses it, and it cancels " +
			"nothing", checkOffers,
			waitingEnd},
		{6, "a seizure or the adapter's own BYE cancels a pending interruption and closes an open loop", nil,
			seizureEnd},
		{7, "a line that was off hook at first is looked at again after the grace", checkListens, listensEnd},
		{7, "after the guard time a probe; a hold that stayed is an incident and lengthens the next interval",
			checkProbes,
			probingEnd},
		{7, "the end of the guard time waits for the sensor, until the adapter recognises on hook", checkReadings,
			readingsEnd},
		{7, "a line without a call is watched", nil, watchedEnd},
		{7, "answers to probes that are shown to be wrong never count again", checkTrust, trustEnd},
		{8, "near-end clearing and unanswered calls never open", answeredOnly, nil},
		{11, "no opening ends later than 2 s after our BYE, and none after a clearing learnt late", checkInTime,
			inTimeEnd},
		{12, "no stale opening, and a close never queues behind an open", checkFresh, nil},
		{13, "no more openings for clearings within a minute than people can make", openingRate, openingRateEnd},
	}
}

func isReport(ef *supervision.Effect, k supervision.ReportKind) bool {
	return ef.Kind == supervision.Report && ef.Report == k
}

func accountEffect(t *model, m *Moment, ef *supervision.Effect) string {
	c := t.find(ef.Call)
	switch {
	case ef.Kind == supervision.ClearAdapterLeg:
		if c == nil || !c.far || !c.offered || c.legAsked {
			return "clears an adapter leg that is not there, or whose far end did not clear, or twice"
		}
	case ef.Kind == supervision.ClearFarEnd:
		far := m.Event.Kind == supervision.FarEndCleared && m.Event.Evidence != supervision.EvidenceBye
		near := m.Event.Kind == supervision.NearEndCleared || m.Event.Kind == supervision.AdapterLost
		if c == nil || ef.Call != m.Event.Call || !far && !near {
			return "clears a far end for no reason"
		}
	case isReport(ef, supervision.ReportSuppressed) && t.known && c != nil:
		if !suppressionIsTrue(t, m, c, ef) {
			return "gives a reason that is not true: " + ef.Suppression.String()
		}
	case isReport(ef, supervision.ReportRefused):
		if m.Event.Kind != supervision.PulseRequested && m.Event.Kind != supervision.TrialSet {
			return "refuses what nobody asked for"
		}
	}
	return ""
}

// suppressionIsTrue is a simple second implementation: it reports whether the reason for a suppression is true.
func suppressionIsTrue(t *model, m *Moment, c *callModel, ef *supervision.Effect) bool {
	switch ef.Suppression {
	case supervision.SuppressedUnanswered:
		return c.wasUnanswered
	case supervision.SuppressedNearEnd:
		return c.near || c.lost
	case supervision.SuppressedEmergency:
		return c.emergency
	case supervision.SuppressedResembles:
		return c.resembles && !c.emergency
	case supervision.SuppressedLifeSafety:
		return t.policy.LifeSafety
	case supervision.SuppressedOtherCall:
		return t.anyLeg(c.id)
	case supervision.SuppressedLate:
		return c.late > lateLimit || m.Now > c.byeAt.Add(dialWindow-max(longest(&t.policy), c.trialInterval))
	case supervision.SuppressedUnknownCall:
		return c.leg == supervision.AnswerUnknown && !c.adopted
	case supervision.SuppressedLoopBusy:
		return t.loop.begun || m.Now <= t.loop.quietBy
	case supervision.SuppressedLoopFaulted:
		return t.loop.faulted
	case supervision.SuppressedNoContact:
		return m.Event.Failure == supervision.FailureNoContact
	case supervision.SuppressedCallback:
		return (c.trial || c.tuning) && t.inWindow(m.Now)
	case supervision.SuppressedOutOfBounds:
		confirmed := c.legEnded() && !t.anyLeg(c.id)
		return c.trial && (c.trialInterval > t.policy.MaxInterval-openRoom || !confirmed &&
			c.trialInterval < t.policy.FlashMax+flashMargin)
	case supervision.SuppressedTooManyOpenings:
		return !c.trial && (t.storm.paused(m.Now) || t.storm.full(m.Now, &t.policy))
	case supervision.SuppressedAdopted:
		waits := c.heard && !c.legDone && m.Now < c.byeAt.Add(t.policy.Lead)
		return c.adopted && !waits && unconfirmed(t, c) != ""
	default:
		return false
	}
}

func longest(p *supervision.Policy) time.Duration {
	d := p.Interval
	for _, s := range p.Steps {
		d = max(d, s)
	}
	return d
}

func accountEnd(t *model, m *Moment) string {
	if m.Event.Kind == supervision.TimePassed && m.Deadline <= m.Now {
		return "returns a deadline in the past after TimePassed"
	}
	c := t.find(m.Event.Call)
	if !t.known || c == nil {
		return ""
	}
	if why := c.emergencyIncident(m); why != supervision.IncidentNone && !isIncident(m, why, c.id) {
		return "reports no incident although an emergency call ended without an answer"
	}
	if r := reported(m, supervision.ReportSuppressed); r != nil && r.Suppression == supervision.SuppressedAdopted &&
		!isIncident(m, supervision.IncidentAdopted, r.Call) {
		return "reports no incident although the loop stayed closed for an adopted call"
	}
	switch m.Event.Kind {
	case supervision.FarEndCleared:
		if c.offered && !c.legAsked {
			return "does not clear the adapter's leg after the far end has cleared"
		}
		if m.Event.Evidence != supervision.EvidenceBye && !hasEffect(m, supervision.ClearFarEnd, c.id) {
			return "does not clear the far end's leg after a clearing without a BYE"
		}
		withdrawn := c.dialled && reported(m, supervision.ReportCancelled) != nil
		if c.offered && !c.clearing && !c.interrupted && !accounted(m, c.id) && !withdrawn {
			return "reports no outcome of a far-end clearing"
		}
	case supervision.NearEndCleared, supervision.AdapterLost:
		if !c.far && !hasEffect(m, supervision.ClearFarEnd, c.id) {
			return "does not clear the far end's leg after the near end has cleared"
		}
	}
	return ""
}

func hasEffect(m *Moment, k supervision.EffectKind, id supervision.CallID) bool {
	for i := range m.Effects {
		if m.Effects[i].Kind == k && m.Effects[i].Call == id {
			return true
		}
	}
	return false
}

func isIncident(m *Moment, why supervision.Incident, id supervision.CallID) bool {
	for i := range m.Effects {
		if ef := &m.Effects[i]; isReport(ef, supervision.ReportIncident) && ef.Call == id && ef.Incident == why {
			return true
		}
	}
	return false
}

func accounted(m *Moment, id supervision.CallID) bool {
	for i := range m.Effects {
		ef := &m.Effects[i]
		if isReport(ef, supervision.ReportSuppressed) && ef.Call == id {
			return true
		}
	}
	return false
}

func checkOpening(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.OpenLoop {
		return ""
	}
	if ef.Call == 0 {
		switch {
		case m.Event.Kind != supervision.PulseRequested:
			return "opens by hand and nobody asked"
		case t.anyOnLine(0) || t.anyLeg(0):
			return "opens by hand while a call is on the line"
		case t.inWindow(m.Now):
			return "opens by hand in the call-back window"
		}
		return ""
	}
	c := t.find(ef.Call)
	switch {
	case c == nil:
		return "opens for a call that is not known"
	case !c.far:
		return "opens though the far end did not clear"
	case t.anyOnLine(c.id):
		return "opens while another call is on the line"
	case c.tuning && t.inWindow(m.Now):
		return "opens for a tuning session's call in the call-back window"
	case c.dialled && !c.interrupted:
		return "opens for a tuning session's call although the adapter asked for another"
	case c.interrupted:
		return consent(t, m, c, ef)
	case !c.clearing:
		return "opens for a clearing that was withdrawn or suppressed"
	case c.leg == supervision.AnswerUnknown && !probedOff(t, m):
		return "opens for a call that the adapter does not know, without a trusted off hook"
	}
	return ""
}

func probedOff(t *model, m *Moment) bool {
	if t.sensorHook() == supervision.HookOff && m.Event.Kind == supervision.AdapterLegCleared {
		return true
	}
	return m.Event.Kind == supervision.ProbeAnswered && t.hookOf(&m.Event) == supervision.HookOff
}

func checkForbidden(t *model, m *Moment, ef *supervision.Effect) string {
	switch ef.Kind {
	case supervision.OpenLoop:
		c := t.find(ef.Call)
		switch {
		case t.policy.LifeSafety:
			return "opens the loop of a life-safety line"
		case ef.Call != 0 && c != nil && c.emergency:
			return "opens for an emergency call"
		case ef.Call != 0 && c != nil && c.resembles:
			return "opens for a call that may be an emergency call"
		case t.anyOnLine(0):
			return "opens while a call rings or talks"
		}
	case supervision.OfferCall:
		if t.loop.begun && !t.loop.faulted {
			return "rings while the loop is open"
		}
	}
	return ""
}

func neverEnd(t *model, _ *Moment) string {
	if t.loop.begun && !t.loop.closing && !t.loop.faulted && t.anyOnLine(0) {
		return "leaves the loop open while a call rings or talks"
	}
	return ""
}

func legFirst(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.OpenLoop || ef.Call == 0 {
		return ""
	}
	c := t.find(ef.Call)
	switch {
	case c == nil:
		return ""
	case !c.legAsked:
		return "opens before the adapter's leg is cleared"
	case hasEffect(m, supervision.ClearAdapterLeg, c.id):
		return "hands out the opening together with the BYE it must wait for"
	case !c.legDone && m.Now < c.clearedAt.Add(t.policy.Lead):
		return "opens before lead is over, and the adapter has not answered"
	}
	confirmed := c.legEnded() && !t.anyLeg(c.id)
	if !confirmed && t.policy.FlashMax > 0 && ef.Interval < t.policy.FlashMax+flashMargin {
		return fmt.Sprintf("opens for %v, which can be read as a flash, although the leg is not confirmed cleared",
			ef.Interval)
	}
	return ""
}

func leadEnd(t *model, m *Moment) string {
	c := t.pendingClearing()
	if c == nil {
		return ""
	}
	by := c.clearedAt.Add(t.policy.Lead)
	if c.legDone {
		if c.leg != supervision.AnswerUnknown || c.adopted {
			return "does nothing after the adapter's answer"
		}
		by = c.legDoneAt.Add(probeLimit)
	}
	if m.Deadline > by || m.Event.Kind == supervision.TimePassed && m.Now >= by {
		return "waits longer than lead for the adapter"
	}
	return ""
}

func checkBounds(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.OpenLoop {
		return ""
	}
	switch {
	case t.loop.begun:
		return "opens again before the outcome of the last opening is known"
	case t.loop.faulted:
		return "opens a loop whose state is unknown"
	case ef.Interval <= 0 || ef.Interval > t.policy.MaxInterval || ef.Interval > absoluteMax:
		return fmt.Sprintf("opens for %v", ef.Interval)
	case ef.NotAfter.Add(ef.Interval) > m.Now.Add(t.policy.MaxInterval),
		ef.NotAfter.Add(min(ef.Interval, supervision.IntervalFloor)+moves) > m.Now.Add(t.policy.MaxInterval):
		return "may be written so late that max_interval cuts it short"
	case m.Now < t.loop.quietBy:
		return "opens again within the guard time"
	case ef.Seq <= t.loop.seq:
		return "uses a number twice"
	}
	return ""
}

func boundedEnd(t *model, m *Moment) string {
	l := &t.loop
	if !l.begun || l.closing || l.faulted {
		return ""
	}
	by := l.maxBy
	if m.Deadline > by || m.Event.Kind == supervision.TimePassed && m.Now >= by {
		return "does not close the loop after max_interval"
	}
	return ""
}

func answeredOnly(t *model, _ *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.OpenLoop || ef.Call == 0 {
		return ""
	}
	c := t.find(ef.Call)
	switch {
	case c == nil:
		return ""
	case !c.answered:
		return "opens after an unanswered call"
	case c.near || c.lost:
		return "opens after near-end clearing"
	}
	return ""
}

func checkInTime(t *model, m *Moment, ef *supervision.Effect) string {
	if ef.Kind != supervision.OpenLoop || ef.Call == 0 {
		return ""
	}
	c := t.find(ef.Call)
	switch {
	case c == nil || c.interrupted:
		return "" // or a repeat, which ends later with the user's consent
	case ef.NotAfter.Add(max(ef.Interval, min(ef.Interval, supervision.IntervalFloor)+moves)) > c.byeAt.Add(dialWindow):
		return fmt.Sprintf("may end %v after our BYE", ef.NotAfter.Add(ef.Interval).Sub(c.byeAt))
	case c.late > lateLimit:
		return fmt.Sprintf("opens after a clearing that is %v old", c.late)
	}
	return ""
}

func inTimeEnd(t *model, m *Moment) string {
	l := &t.loop
	if !l.begun || l.closing || l.faulted {
		return ""
	}
	if m.Deadline > l.closeBy || m.Event.Kind == supervision.TimePassed && m.Now >= l.closeBy {
		return "lets the loop stay open later than 2 s after our BYE"
	}
	return ""
}

func checkFresh(t *model, m *Moment, ef *supervision.Effect) string {
	switch ef.Kind {
	case supervision.OpenLoop:
		switch {
		case ef.NotAfter == supervision.Never || ef.NotAfter == 0 && m.Now > 0:
			return "opens without a not-after time"
		case m.Now > ef.NotAfter:
			return "hands out a stale opening"
		case ef.NotAfter.Sub(m.Now) > dialWindow:
			return "hands out an opening that may come seconds later"
		case closes(m):
			return "opens and closes in one step"
		}
	case supervision.CloseLoop:
		if t.loop.begun && ef.Seq != 0 && ef.Seq != t.loop.seq {
			return "closes something else than what is open"
		}
	}
	return ""
}

func closes(m *Moment) bool {
	for i := range m.Effects {
		if m.Effects[i].Kind == supervision.CloseLoop {
			return true
		}
	}
	return false
}
