package supervision

import "time"

// wait is what a pending interruption waits for.
type wait uint8

const (
	waitNothing wait = iota // no interruption is pending
	waitLeg                 // the adapter's answer to our BYE
	waitProbe               // after a 481: the answer of a probe
)

// pendingOpening is an interruption that has not begun; the loop is closed. Its zero value, with by set to Never, means
// that none is pending.
type pendingOpening struct {
	wait     wait
	trial    bool // of interval; 0: a catch trial
	adopted  bool // of an adopted call
	call     CallID
	byeAt    Instant // when our BYE was sent; invariant 11 counts from here
	by       Instant // deadline
	interval time.Duration
}

// considerOpening is called when c is answered and its far end has cleared. It makes an interruption pending, or
// reports why the loop stays closed.
func (m *Machine) considerOpening(now Instant, c *call) {
	if c.dialled {
		m.cancelled(c.id, 0, c.trial)
		if !c.trial {
			m.setPendingSeized(c.id)
		}
		return
	}
	why := m.forbidden(now, c)
	if why == SuppressionNone && c.adoption == adoptionUnheard {
		m.suppressAdopted(c.id)
		return
	}
	if why == SuppressionNone && !c.trial && m.refuse(now) {
		why = SuppressedTooManyOpenings
	}
	if why == SuppressionNone {
		m.becomePending(now, c)
		return
	}
	if c.trial {
		m.trialSuppressed(c.id, c.interval, why)
		return
	}
	m.suppress(c.id, why)
	if why == SuppressedTooManyOpenings {
		m.beginStorm(c.id)
	}
	if c.late > lateMax && why == SuppressedLate {
		m.beginIncident(c.id, IncidentNeverSignalled)
		return
	}
	m.setPendingSuppressed(c.id, why)
}

// forbidden returns the rule that keeps the loop closed although the far end of c has cleared, or SuppressionNone.
func (m *Machine) forbidden(now Instant, c *call) Suppression {
	switch {
	case c.emergency:
		return SuppressedEmergency
	case c.resembles:
		return SuppressedResembles
	case m.policy.LifeSafety:
		return SuppressedLifeSafety
	case m.otherOnLine(c.id):
		return SuppressedOtherCall
	case c.late > lateMax || now > c.byeAt.Add(dialWindow-m.intervalOf(c)):
		return SuppressedLate
	case m.loop == StateFaulted:
		return SuppressedLoopFaulted
	case m.loop != StateClosed || m.pendingOpening.wait != waitNothing:
		return SuppressedLoopBusy
	case (c.trial || c.tuning) && m.inCallbackWindow(now):
		return SuppressedCallback
	default:
		return SuppressionNone
	}
}

// intervalOf returns the interval of c's clearing.
func (m *Machine) intervalOf(c *call) time.Duration {
	if c.trial {
		return c.interval
	}
	return m.policy.interval(m.stayed)
}

func (m *Machine) becomePending(now Instant, c *call) {
	m.dropCheck(now)
	m.pendingOpening = pendingOpening{wait: waitLeg, trial: c.trial, adopted: c.adoption != adoptionNone, call: c.id,
		byeAt: c.byeAt, by: now.Add(m.policy.Lead), interval: c.interval}
	m.beginDisturbance(now)
}

func (m *Machine) dropPending() {
	m.pendingOpening = pendingOpening{by: Never}
}

// beginDisturbance sets the time until which calls wait for the line at most.
func (m *Machine) beginDisturbance(now Instant) {
	m.offerBy = now.Add(m.policy.longestWait())
}

// pendingLegCleared handles the adapter's answer to our BYE.
func (m *Machine) pendingLegCleared(now Instant, a Answer) {
	w := &m.pendingOpening
	switch {
	case w.adopted && (a != AnswerConfirmed || now > w.by):
		m.suppressAdopted(w.call)
	case a.legEnded():
		m.open(now, doubtNone)
	case a == AnswerUnknown && m.sensorHook() == HookOff:
		m.open(now, doubtLeg)
	case a == AnswerUnknown && m.sensorHook() == HookOn:
		m.suppressUnknownCall(sighting{HookOn, VerificationSense})
	case a == AnswerUnknown && m.policy.ProbeTrusted && now >= m.recognisedAt:
		m.becomeProbing(now)
	case a == AnswerUnknown:
		m.suppressPending(SuppressedUnknownCall)
	default:
		m.open(now, doubtLeg) // no answer, and none will follow
	}
}

// becomeProbing probes the line, since the adapter does not know the call.
func (m *Machine) becomeProbing(now Instant) {
	m.pendingOpening.wait, m.pendingOpening.by = waitProbe, now.Add(probeWait)
	m.probe(now)
}

// pendingDue: the adapter did not answer our BYE within the lead, or did not answer the probe.
func (m *Machine) pendingDue(now Instant) {
	switch w := &m.pendingOpening; {
	case w.adopted:
		m.suppressAdopted(w.call)
	case w.wait == waitLeg:
		m.open(now, doubtLeg)
	default:
		m.suppressPending(SuppressedUnknownCall)
	}
}

func (m *Machine) suppressPending(why Suppression) {
	w := m.pendingOpening
	m.dropPending()
	if w.trial {
		m.trialSuppressed(w.call, w.interval, why)
		return
	}
	m.suppress(w.call, why)
	m.setPendingSuppressed(w.call, why)
}

// suppressUnknownCall: the adapter does not know the call, and the line was not seen off hook.
func (m *Machine) suppressUnknownCall(s sighting) {
	m.suppressPending(SuppressedUnknownCall)
	report := &m.out[len(m.out)-1]
	report.Hook, report.Verified = s.hook, s.by
}

// open turns the pending interruption into an opening, if the opening can still end in time.
func (m *Machine) open(now Instant, d doubt) {
	if m.policy.LifeSafety { // the policy has changed since the interruption became pending
		m.suppressPending(SuppressedLifeSafety)
		return
	}
	w := m.pendingOpening
	m.dropPending()
	if w.trial {
		m.openTrial(now, w, d)
		return
	}
	interval := m.policy.interval(m.stayed)
	why := IncidentMissedNotAfter
	if d == doubtLeg || m.otherLeg(w.call) {
		if longer := m.policy.unconfirmed(interval); longer > interval {
			interval = longer
			if d == doubtLeg {
				why = IncidentByeUnanswered
			}
		}
	}
	closeBy := w.byeAt.Add(dialWindow)
	if interval <= 0 || interval > m.policy.MaxInterval || now > writeBy(closeBy, interval) {
		m.beginIncident(w.call, why)
		return
	}
	o := opening{call: w.call, interval: interval, doubt: d, closeBy: closeBy}
	if w.adopted {
		o.makeUnclear()
	}
	m.becomeOpening(now, o, Never)
}

// becomeOpening hands out OpenLoop. The controller times the interval; loopBy is only the limit in case it does not.
// The command may be written until notAfter, or earlier if closeBy or max_interval would cut the opening short.
func (m *Machine) becomeOpening(now Instant, o opening, notAfter Instant) {
	if o.call != 0 && !o.trial {
		m.breaker.count(now)
	}
	o.seq = m.last.seq + 1
	o.closeBy = min(o.closeBy, now.Add(m.policy.MaxInterval))
	notAfter = min(notAfter, writeBy(o.closeBy, o.interval))
	o.before, o.openedAt = m.recognisedAt, Never
	if m.sensorHook() == HookOff {
		o.contact = contactUnmoved
	}
	m.last = o
	m.recognisedAt = now.Add(m.policy.OnHookRecognition)
	m.loop = StateOpening
	m.loopBy = min(now.Add(o.interval+closeMargin), o.closeBy)
	m.out = append(m.out, Effect{Kind: OpenLoop, Call: o.call, Seq: o.seq, Interval: o.interval, NotAfter: notAfter,
		Trial: o.trial})
}

// cancel is what a seizure or the adapter's own BYE does to an interruption. A pending one is withdrawn; one that has
// begun is ended (invariant 6). cancel returns the call of that interruption. It returns 0 if there was none, or if it
// was an operator's pulse or a trial.
func (m *Machine) cancel(now Instant) (of CallID) {
	m.last.makeUnclear()
	switch {
	case m.pendingOpening.wait != waitNothing:
		w := m.pendingOpening
		m.dropPending()
		m.cancelled(w.call, 0, w.trial)
		if !w.trial {
			of = w.call
		}
	case m.loop == StateOpening || m.loop == StateOpen:
		if m.last.stage != stageClosing {
			m.becomeClosing(now)
		}
		if m.last.toVerify() {
			m.last.followUp = followUpNone
			m.cancelled(m.last.call, m.last.pulse(), m.last.trial)
			m.out[len(m.out)-1].Flash = m.last.flash
			if !m.last.trial {
				of = m.last.call
			}
		}
	case m.loop == StateFaulted:
		m.last.followUp = followUpNone // the answer to a later probe could concern the new call
	case m.check.kind == checkCatch:
		id := m.check.call
		m.check = check{by: Never}
		m.cancelled(id, 0, true)
	}
	return of
}

// becomeClosing ends an opening. The state does not change until the outcome is known.
func (m *Machine) becomeClosing(now Instant) {
	m.last.stage = stageClosing
	m.loopBy = now.Add(closeWait)
	m.out = append(m.out, Effect{Kind: CloseLoop, Call: m.last.call, Seq: m.last.seq})
}

func (m *Machine) loopOpened(now Instant, ev *Event) {
	if m.loop != StateOpening || ev.Seq != m.last.seq {
		return // unexpected, or of an earlier interruption
	}
	m.becomeOpen(now)
}

// becomeOpen sets the limit anew, since the interval counts from the confirmation. If CloseLoop was sent already, its
// deadline stays.
func (m *Machine) becomeOpen(now Instant) {
	m.loop, m.last.openedAt = StateOpen, now
	m.recognisedAt = now.Add(m.policy.OnHookRecognition)
	if m.last.stage != stageClosing {
		m.loopBy = min(now.Add(m.last.interval+closeMargin), m.last.closeBy)
	}
}

func (m *Machine) loopClosed(now Instant, ev *Event) {
	switch {
	case m.loop == StateFaulted:
		m.faultEnded()
		m.becomeGuarding(now)
	case (m.loop == StateOpening || m.loop == StateOpen) && ev.Seq == m.last.seq:
		m.becomeGuarding(now)
	default:
		// already closed, or closed before the command of a later opening was written; that opening has its own outcome
	}
}

// loopFailed: the loop is closed and was not opened, so there is no guard time and nothing to check.
func (m *Machine) loopFailed(now Instant, ev *Event) {
	if ev.Seq != m.last.seq || m.last.stage >= stageSettled {
		return // of an earlier interruption, or its outcome is known
	}
	if m.loop == StateFaulted {
		m.faultEnded()
	}
	if m.last.toVerify() {
		m.last.followUp = followUpNone
		m.failed(ev.Failure)
	}
	if m.last.opened() {
		m.becomeGuarding(now) // LoopOpened came, so assume that the loop was open
		return
	}
	m.last.stage, m.recognisedAt = stageSettled, m.last.before
	m.becomeClosed(now)
}

// failed reports an interruption that was not made.
func (m *Machine) failed(f Failure) {
	o := &m.last
	why := IncidentUnreachable
	switch {
	case f == FailureNoContact:
		m.out = append(m.out, Effect{
			Kind: Report, Report: ReportSuppressed, Call: o.call, Seq: o.seq,
			Interval: o.interval, Suppression: SuppressedNoContact, Trial: o.trial,
		})
		if !o.trial {
			m.setPendingSuppressed(o.call, SuppressedNoContact)
		}
		return
	case f == FailureStopped && o.stage != stageClosing:
		m.cancelled(o.call, o.pulse(), o.trial) // package bridge withdrew it
		return
	case f == FailureLate || f == FailureStopped: // CloseLoop withdrew what was not written in time
		why = IncidentMissedNotAfter
	case f == FailureNotMoved:
		why = IncidentContactStuck
	case f == FailureRefused:
		why = IncidentRefused
	}
	if o.trial {
		m.trialFailed(o.call, why)
		return
	}
	if o.call == 0 && m.incident == why {
		m.endIncident() // let the operator see the outcome of this pulse, even if it equals that of an earlier one
	}
	m.beginOpeningIncident(why)
}

func (m *Machine) loopUnknown(now Instant, ev *Event) {
	begun := m.loop == StateOpening || m.loop == StateOpen
	if m.loop == StateFaulted || ev.Seq != 0 && (ev.Seq != m.last.seq || !begun) {
		return // known already, or of an interruption whose outcome is known
	}
	why := IncidentUnreachable
	if ev.Failure == FailureNotMoved {
		why = IncidentLoopOpen
	}
	m.becomeFaulted(now, why)
}

// loopDue ends an opening that was not reported closed, or ends the guard time.
func (m *Machine) loopDue(now Instant) {
	switch m.loop {
	case StateOpening, StateOpen:
		if m.last.stage == stageClosing {
			m.becomeFaulted(now, IncidentUnreachable)
			return
		}
		m.becomeClosing(now)
	case StateGuarding:
		m.becomeClosed(now)
	default:
		m.loopBy = Never // no deadline in closed and faulted
	}
}

// becomeFaulted: package bridge keeps trying to close the contact until LoopClosed. A pending opening is withdrawn.
func (m *Machine) becomeFaulted(now Instant, why Incident) {
	id, pulse := m.pendingOpening.call, Seq(0)
	if m.last.toVerify() || m.check.kind == checkInterruption {
		pulse = m.last.pulse()
	}
	switch m.loop {
	case StateOpening, StateOpen: // the disturbance began with the opening or earlier
		id = m.last.call
		if m.last.stage != stageClosing {
			m.becomeClosing(now)
		}
		m.last.doubt = doubtLength
		if !m.last.opened() {
			m.last.followUp = followUpNone
		}
	case StateGuarding:
		m.beginDisturbance(now)
	default: // nothing was opened: calls need not wait
	}
	m.loop, m.loopBy = StateFaulted, Never
	m.faultBegun(id, pulse, why)
	if m.pendingOpening.wait != waitNothing {
		m.suppressPending(SuppressedLoopFaulted)
	}
	m.dropCheck(now)
	if m.last.stage == stageSettled && m.last.toVerify() { // the guard time that the fault cut short starts again later
		m.last.stage = stageJudged
		m.interrupted(now, sighting{})
	}
}

func (m *Machine) becomeGuarding(now Instant) {
	m.loop, m.loopBy = StateGuarding, now.Add(m.policy.GuardTime)
	m.last.stage = max(m.last.stage, stageSettled)
	m.currentOutdated(now)
	if m.waiting == 0 {
		m.beginDisturbance(now) // an earlier deadline may be long past: a new call gets the full waiting time
	}
}

func (m *Machine) becomeClosed(now Instant) {
	m.loop, m.loopBy = StateClosed, Never
	if m.last.toVerify() {
		m.last.stage = stageJudged
		m.verify(now)
	}
}

// pulseRequested opens the loop for an operator, on a line without any call (invariant 1).
func (m *Machine) pulseRequested(now Instant, ev *Event) {
	interval := ev.Interval
	if interval == 0 {
		interval = m.policy.interval(m.stayed)
	}
	why := SuppressionNone
	switch {
	case m.policy.LifeSafety:
		why = SuppressedLifeSafety
	case m.inCallbackWindow(now):
		why = SuppressedCallback
	case interval < IntervalFloor || interval > m.policy.Longest():
		why = SuppressedOutOfBounds
	case m.loop == StateFaulted:
		why = SuppressedLoopFaulted
	case m.loop != StateClosed || m.pendingOpening.wait != waitNothing || m.verifying():
		why = SuppressedLoopBusy
	case len(m.calls) > 0:
		why = SuppressedOtherCall
	}
	if why != SuppressionNone {
		m.out = append(m.out, Effect{Kind: Report, Report: ReportRefused, Suppression: why})
		return
	}
	m.dropCheck(now)
	m.beginDisturbance(now)
	m.becomeOpening(now, opening{interval: interval, closeBy: Never}, now.Add(pulseWait))
}
