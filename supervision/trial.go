package supervision

import "time"

// A trial is a clearing whose interval is set by a tuning session, to find out which interval the line needs. It has
// the same bounds as any clearing, and the same events withdraw it. The differences:
//
//   - Its interval is never lengthened. If a leg is not confirmed cleared and the interval could be taken for a hook
//     flash, nothing is opened and the trial is suppressed as out of bounds. A longer interval would be another trial.
//   - It begins no incident of the line, leaves none pending, does not change the interval and is never repeated. If it
//     could not be made, its cancellation carries the reason. (A loop whose state is unknown is an incident even then.)
//   - With the interval 0 it is a catch trial: nothing is opened, but the line is checked as after an opening.

// A tuning session's call is marked from its start, so that its end is safe however the session ends, with a trial set
// or without. Its clearing opens nothing in the call-back window, or after the adapter has asked for another call
// during it. In the second case somebody is dialling, or an opening was read as dialling, and the session ends for that
// reason.

// trialCall marks a tuning session's call.
func (m *Machine) trialCall(ev *Event) {
	if c := m.find(ev.Call); c != nil && !c.far {
		c.tuning = true
	}
}

// adapterDialled notes, for each call of a tuning session, that the adapter asks for another call.
func (m *Machine) adapterDialled() {
	for i := range m.calls {
		c := &m.calls[i]
		c.dialled = c.dialled || c.tuning && !c.far
	}
}

// trialSet makes the clearing of a call a trial, or reports why that is refused.
func (m *Machine) trialSet(now Instant, ev *Event) {
	c := m.find(ev.Call)
	why := SuppressionNone
	switch {
	case c == nil || c.leg == legNone:
		why = SuppressedUnknownCall
	case !c.answered:
		why = SuppressedUnanswered
	case c.far:
		why = SuppressedLate // its far end has cleared already
	case c.emergency:
		why = SuppressedEmergency
	case c.resembles:
		why = SuppressedResembles
	case c.adoption != adoptionNone:
		why = SuppressedAdopted
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

// trialAllowed reports whether the interval d of a trial is within the bounds. 0 is a catch trial.
func (p *Policy) trialAllowed(d time.Duration, pulseDiallingOff bool) bool {
	floor := IntervalFloor
	if pulseDiallingOff {
		floor = trialFloor
	}
	return d == 0 || d >= floor && d <= p.Longest() && p.Lead+d <= dialWindow
}

// openTrial does for a trial what open does for other clearings.
func (m *Machine) openTrial(now Instant, w pendingOpening, d doubt) {
	closeBy := w.byeAt.Add(dialWindow)
	switch {
	case w.interval == 0:
		m.becomeCatching(now, w.call)
	case w.interval > m.policy.Longest(),
		(d == doubtLeg || m.otherLeg(w.call)) && m.policy.unconfirmed(w.interval) > w.interval:
		m.trialSuppressed(w.call, w.interval, SuppressedOutOfBounds)
	case now > writeBy(closeBy, w.interval):
		m.trialSuppressed(w.call, w.interval, SuppressedLate)
	default:
		o := opening{call: w.call, interval: w.interval, doubt: d, trial: true, closeBy: closeBy}
		m.becomeOpening(now, o, Never)
	}
}

// becomeCatching waits as long as after an opening, so that nobody can tell the difference, and then checks the line.
func (m *Machine) becomeCatching(now Instant, id CallID) {
	m.becomeChecking(checkCatch, max(now.Add(max(m.policy.GuardTime, m.policy.OnHookRecognition)), m.recognisedAt))
	m.check.call = id
}

// catchResult reports the result of a catch trial.
func (m *Machine) catchResult(now Instant, id CallID, s sighting) {
	m.out = append(m.out, Effect{
		Kind: Report, Report: ReportInterrupted, Call: id, Hook: s.hook, Verified: s.by, Trial: true,
	})
	m.pendingIncident = pendingIncident{}
	switch s.hook {
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
