package supervision

import "time"

// checkKind says what a check is made for.
type checkKind uint8

const (
	checkNothing      checkKind = iota
	checkInterruption           // whether the hold cleared (invariant 7)
	checkListening              // the same once more, after a first look that said off hook; see listening.go
	checkCatch                  // the same, after a trial that opened nothing
	checkOffHook                // whether a line without a call is off hook; see idlewatch.go
)

// check is a look to come or a probe under way. Its zero value, with by Never, is none.
type check struct {
	kind      checkKind
	asked     bool
	trustLost bool    // the line was not to be trusted for a moment
	call      CallID  // of a catch trial
	by        Instant // deadline: when to look, then until when to wait for the answer
}

// trusted reports whether anything can say if the near end is off hook.
func (m *Machine) trusted() bool { return m.policy.ProbeTrusted || m.policy.SenseTrusted }

// verifying reports whether the success of an interruption is being checked; new calls wait for it.
func (m *Machine) verifying() bool {
	return m.check.kind == checkInterruption || m.check.kind == checkCatch
}

// probe asks whether the near end is off hook.
func (m *Machine) probe(now Instant) {
	if m.probes > 0 && now > m.probedAt.Add(probeForgotten) {
		m.probes = 0 // the answers of old probes were lost
	}
	m.probes++
	m.probedAt = now
	m.emit(ProbeLine, 0)
}

// verify begins the check of an interruption whose guard time is over.
func (m *Machine) verify(now Instant) {
	h := m.sensorHook()
	if h != HookUnknown || !m.policy.ProbeTrusted || m.otherOnLine(0) {
		if m.otherOnLine(0) {
			h = HookUnknown // a call that is on the line would answer for the hold
		}
		m.firstLook(now, h)
		return
	}
	m.becomeChecking(checkInterruption, max(now, m.recognisedAt))
	if now >= m.check.by {
		m.checkDue(now)
	}
}

func (m *Machine) becomeChecking(of checkKind, at Instant) {
	m.check = check{kind: of, by: at}
}

// checkDue looks at the line, or gives up waiting for the answer.
func (m *Machine) checkDue(now Instant) {
	h := m.sensorHook()
	switch {
	case m.check.trustLost:
		m.checked(now, HookUnknown)
	case m.listening() && m.otherOnLine(0):
		m.checked(now, h)
	case h != HookUnknown && now >= m.recognisedAt, m.check.asked, !m.policy.ProbeTrusted:
		m.checked(now, h)
	case now < m.recognisedAt:
		m.check.by = m.recognisedAt // the adapter would still say off hook
	default:
		m.check.asked, m.check.by = true, now.Add(probeWait)
		m.probe(now)
	}
}

// dropCheck ends the check of an interruption when it can no longer tell anything. (Looks at an idle line end by
// themselves; see watchIdle.)
func (m *Machine) dropCheck(now Instant) {
	if m.verifying() || m.listening() {
		m.checked(now, HookUnknown)
	}
}

// probeAnswered takes the answer of the latest probe in time; a late one, one of an earlier probe and one that nobody
// asked for are worth nothing.
func (m *Machine) probeAnswered(now Instant, ev *Event) {
	if m.probes == 0 {
		return
	}
	m.probes--
	h := m.sensorHook() // where both are trusted, the sensor decides
	if h == HookUnknown && m.policy.ProbeTrusted {
		h = ev.Hook
	}
	switch {
	case m.probes > 0:
		// of an earlier probe
	case m.pendingOpening.wait == waitProbe:
		if h == HookOff {
			m.open(now, true)
			return
		}
		m.suppressPending(SuppressedUnknownCall)
	case m.check.asked:
		m.checked(now, h)
	default:
		// late: who knows what has happened on the line since
	}
}

// checked ends the check with what was found.
func (m *Machine) checked(now Instant, h Hook) {
	c := m.check
	m.check = check{by: Never}
	if h == HookOff && m.otherOnLine(0) {
		h = HookUnknown // a call that is on the line answers for the hold
	}
	switch c.kind {
	case checkInterruption:
		m.firstLook(now, h)
	case checkListening:
		m.interrupted(now, h)
	case checkCatch:
		m.caught(now, c.call, h)
	default:
		m.noteLook(now, h)
	}
}

// interrupted reports the interruption; a hold that stayed makes the next clearing's interval longer (invariant 7).
func (m *Machine) interrupted(now Instant, h Hook) {
	o := &m.last
	if o.trial && o.faulted {
		h = HookUnknown // it tells nothing about the interval
	}
	m.out = append(m.out, Effect{
		Kind: Report, Report: ReportInterrupted, Call: o.call, Seq: o.seq, Interval: o.interval, Hook: h,
		Trial: o.trial,
	})
	m.pendingIncident = pendingIncident{}
	switch h {
	case HookOn:
		m.lineOnHook()
	case HookOff:
		m.lineOffHook(now)
		if !o.trial {
			m.holdStayed(now)
		}
	}
}

// holdStayed says why the hold stayed, or tries once more.
func (m *Machine) holdStayed(now Instant) {
	o := m.last
	why := IncidentIntervalShort
	switch {
	case m.contactStuck():
		m.beginIncident(o.call, IncidentContactStuck)
		return
	case o.call == 0:
		m.beginIncident(0, IncidentOffHookWithoutCall)
		return
	case o.faulted: // perhaps it was open for less than its interval: a power cut ends it early
		why = IncidentUnreachable
	case o.unconfirmed:
		why = IncidentByeUnanswered
	}
	before := m.policy.interval(m.stayed)
	m.stayed = m.nextStep()
	next := m.policy.interval(m.stayed)
	again := m.mayRepeat(now, m.stayed)
	if !again {
		flash := o.flash && why == IncidentIntervalShort
		m.beginLineIncident(Effect{Call: o.call, Incident: why, Flash: flash})
	}
	if next > before {
		m.out = append(m.out, Effect{Kind: Report, Report: ReportNextInterval, Interval: next})
	}
	if again {
		m.repeat(now)
	}
}

// nextStep counts one more hold that stayed. Where other settings came meanwhile, it is the first of their intervals
// that is longer than what was too short.
func (m *Machine) nextStep() int {
	n, last := m.stayed, len(m.policy.Steps)
	if !m.last.stale {
		return min(n+1, last)
	}
	for n < last && m.policy.interval(n) <= m.last.interval {
		n++
	}
	return n
}

// contactStuck reports whether the current never stopped.
func (m *Machine) contactStuck() bool {
	return m.last.flowed && !m.last.released && m.policy.SenseTrusted
}

// mayRepeat reports whether the user consented to another interruption of the same clearing, and nothing stands against
// it, after so many holds that stayed. No repeat follows in the call-back window, for the emergency centre must get
// through, or while a call waits.
func (m *Machine) mayRepeat(now Instant, stayed int) bool {
	o := &m.last
	return o.repeats < m.policy.Repeats && !o.faulted && !o.overtaken && m.loop == loopClosed &&
		m.pendingOpening.wait == waitNothing &&
		!m.policy.LifeSafety && !m.inCallbackWindow(now) && !m.otherOnLine(0) && m.waiting == 0 &&
		m.repeatInterval(stayed) <= m.policy.Longest() && !m.oneTooMany(now)
}

// repeatInterval is the next interval, long enough to be no flash if the adapter's leg is not known cleared (invariant
// 3).
func (m *Machine) repeatInterval(stayed int) time.Duration {
	interval := m.policy.interval(stayed)
	if m.last.unconfirmed || m.otherLeg(m.last.call) {
		return m.policy.unconfirmed(interval)
	}
	return interval
}

// repeat opens the loop once more for the same clearing. Its end lies beyond the 2 s of invariant 11: by then somebody
// may have hung up, lifted again and begun to dial, whose first digits are lost. That is what the user consents to in
// words (Policy.Repeats); everything else that bounds, ends or withdraws an interruption holds for this one too.
func (m *Machine) repeat(now Instant) {
	o := opening{
		call: m.last.call, interval: m.repeatInterval(m.stayed), unconfirmed: m.last.unconfirmed,
		repeats: m.last.repeats + 1, closeBy: Never,
	}
	m.beginDisturbance(now)
	m.becomeOpening(now, o, now.Add(repeatWait))
}

// flashReported marks the interruption that has not been judged yet: the adapter took it for a hook flash, or at least
// saw one then.
func (m *Machine) flashReported(ev *Event) {
	if c := m.find(ev.Call); c != nil && c.onLine() {
		return // somebody's recall in a call
	}
	if m.last.verify || m.check.kind == checkInterruption {
		m.last.flash = true
	}
}
