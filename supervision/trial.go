package supervision

import "time"

// A trial is a clearing whose interval somebody else chose, to find out which interval the line needs. It is made as in
// service, with the same bounds and withdrawn by the same events, and differs in this:
//
//   - Its interval is never lengthened. Where the adapter did not confirm that each leg is cleared and the interval could be read as a
//     hook flash, nothing is opened, and it is suppressed as out of bounds: a longer one would be another trial.
//   - It raises no incident of the line, leaves no doubt, counts for no step and is never repeated. What kept it from being made is
//     the reason of its cancelling. (A loop of which nobody knows whether it is open is an incident all the same.)
//   - With the interval 0, a catch trial, nothing is opened, and the line is judged all the same.

// A tuning session's call is marked from its start, so that its end is safe however the session ends, with a trial set
// or without: it opens nothing in the call-back window, nor once the adapter has asked for another call. Then somebody
// dials, or a break was read as dialling, and the session ends for that very reason.

// trialCall marks a tuning session's call.
func (m *Machine) trialCall(ev *Event) {
	if c := m.find(ev.Call); c != nil && !c.far {
		c.tuning = true
	}
}

// adapterDialled notes for a tuning session's call that the adapter asks for another.
func (m *Machine) adapterDialled() {
	for i := range m.calls {
		c := &m.calls[i]
		c.dialled = c.dialled || c.tuning && !c.far
	}
}

// trialSet makes the clearing of a call a trial, or says why not.
func (m *Machine) trialSet(now Instant, ev *Event) {
	c := m.find(ev.Call)
	why := SuppressionNone
	switch {
	case c == nil || c.leg == legNone:
		why = SuppressedUnknownCall
	case !c.answered:
		why = SuppressedUnanswered
	case c.far:
		why = SuppressedLate // its clearing is under way
	case c.emergency:
		why = SuppressedEmergency
	case c.resembles:
		why = SuppressedResembles
	case m.policy.LifeSafety:
		why = SuppressedLifeSafety
	case m.inCallbackWindow(now):
		why = SuppressedCallback
	case !m.policy.trialAllowed(ev.Interval, ev.PulseDiallingOff):
		why = SuppressedOutOfBounds
	}
	if why != SuppressionNone {
		m.out = append(m.out, Effect{Kind: Report, Report: ReportRefused, Call: ev.Call, Suppression: why})
		return
	}
	c.trial, c.interval = true, ev.Interval
}

// trialAllowed reports whether a trial of that interval keeps within the bounds; 0 is a catch trial.
func (p *Policy) trialAllowed(d time.Duration, pulseDiallingOff bool) bool {
	floor := IntervalFloor
	if pulseDiallingOff {
		floor = trialFloor
	}
	return d == 0 || d >= floor && d <= p.Longest() && p.Lead+d <= dialWindow
}

// openTrial is what open is for a trial.
func (m *Machine) openTrial(now Instant, w pendingOpening, unconfirmed bool) {
	closeBy := w.byeAt.Add(dialWindow)
	switch {
	case w.interval == 0:
		m.becomeCatching(now, w.call)
	case w.interval > m.policy.Longest(),
		(unconfirmed || m.otherLeg(w.call)) && m.policy.unconfirmed(w.interval) > w.interval:
		m.trialSuppressed(w.call, w.interval, SuppressedOutOfBounds)
	case now > writeBy(closeBy, w.interval):
		m.trialSuppressed(w.call, w.interval, SuppressedLate)
	default:
		o := opening{call: w.call, interval: w.interval, unconfirmed: unconfirmed, trial: true, closeBy: closeBy}
		m.becomeOpening(now, o, Never)
	}
}

// becomeCatching waits as long as after an opening, so that nobody can tell the difference, then judges.
func (m *Machine) becomeCatching(now Instant, id CallID) {
	m.becomeChecking(checkCatch, max(now.Add(max(m.policy.GuardTime, m.policy.OnHookRecognition)), m.recognisedAt))
	m.check.call = id
}

// caught reports a catch trial.
func (m *Machine) caught(now Instant, id CallID, h Hook) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportInterrupted, Call: id, Hook: h, Trial: true})
	m.pendingIncident = pendingIncident{}
	switch h {
	case HookOn:
		m.lineOnHook()
	case HookOff:
		m.lineOffHook(now)
	}
}

func (m *Machine) trialSuppressed(id CallID, interval time.Duration, why Suppression) {
	m.out = append(m.out, Effect{
		Kind: Report, Report: ReportSuppressed, Call: id, Interval: interval, Suppression: why, Trial: true,
	})
}

func (m *Machine) trialFailed(id CallID, why Incident) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportCancelled, Call: id, Incident: why, Trial: true})
}
