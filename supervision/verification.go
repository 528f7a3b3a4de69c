package supervision

import "time"

// checkKind is the purpose of a check.
type checkKind uint8

const (
	checkNothing      checkKind = iota
	checkInterruption           // whether the hold cleared (invariant 7)
	checkListening              // the same, at a second look; see listening.go
	checkCatch                  // whether the line is on hook after a trial that opened nothing
	checkOffHook                // whether a line without a call is off hook; see idlewatch.go
)

// check is a planned look at the line, or a probe under way. Its zero value, with by set to Never, means neither.
type check struct {
	kind      checkKind
	asked     bool    // a probe was sent
	trustLost bool    // neither probe nor sensor was trusted at some point during the check
	call      CallID  // of a catch trial
	by        Instant // deadline: when to look, and after that until when to wait for the probe's answer
}

// sighting is a hook state and how it was seen. Its zero value means that the state is unknown.
type sighting struct {
	hook Hook
	by   Verification
}

// seen returns the sighting of h. If h is unknown, it returns the zero value.
func seen(h Hook, by Verification) sighting {
	if h == HookUnknown {
		return sighting{}
	}
	return sighting{h, by}
}

// trusted reports whether a probe or a sensor can report reliably whether the near end is off hook.
func (m *Machine) trusted() bool { return m.policy.ProbeTrusted || m.senseTrusted() }

// verifying reports whether the result of an interruption is being checked. New calls wait for that.
func (m *Machine) verifying() bool {
	return m.check.kind == checkInterruption || m.check.kind == checkCatch
}

// probe asks the adapter whether the near end is off hook.
func (m *Machine) probe(now Instant) {
	if m.probes > 0 && now > m.probedAt.Add(probeTimeout) {
		m.probes = 0 // the answers of old probes were lost
	}
	m.probes++
	m.probedAt = now
	m.emit(ProbeLine, 0)
}

// verify begins the check of an interruption whose guard time is over.
func (m *Machine) verify(now Instant) {
	s := m.sensed()
	if s.hook != HookUnknown || !m.policy.ProbeTrusted || m.otherOnLine(0) {
		if m.otherOnLine(0) {
			s = sighting{} // a reading or an answer would only show the call that is on the line
		}
		m.firstLook(now, s)
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

// checkDue looks at the line, or stops waiting for the probe's answer.
func (m *Machine) checkDue(now Instant) {
	s := m.sensed()
	switch {
	case m.check.trustLost:
		m.checked(now, sighting{})
	case m.listening() && m.otherOnLine(0):
		m.checked(now, s)
	case s.hook != HookUnknown && now >= m.recognisedAt, m.check.asked, !m.policy.ProbeTrusted:
		m.checked(now, s)
	case now < m.recognisedAt:
		m.check.by = m.recognisedAt // until then the adapter would still say off hook
	default:
		m.check.asked, m.check.by = true, now.Add(probeWait)
		m.probe(now)
	}
}

// dropCheck ends the check of an interruption whose result would no longer mean anything. (Looks at an idle line end in
// watchIdle.)
func (m *Machine) dropCheck(now Instant) {
	if m.verifying() || m.listening() {
		m.checked(now, sighting{})
	}
}

// probeAnswered uses the answer to the latest probe if it comes in time. A late answer, the answer to an earlier probe
// and one without a probe are ignored.
func (m *Machine) probeAnswered(now Instant, ev *Event) {
	if m.probes == 0 {
		return
	}
	m.probes--
	s := m.sensed() // if both are trusted, the sensor decides
	if s.hook == HookUnknown && m.policy.ProbeTrusted {
		s = seen(ev.Hook, VerificationProbe)
	}
	switch {
	case m.probes > 0:
		// the answer to an earlier probe
	case m.pendingOpening.wait == waitProbe:
		if s.hook == HookOff {
			m.open(now, doubtLeg)
			return
		}
		m.suppressUnknownCall(s)
	case m.check.asked:
		m.checked(now, s)
	default:
		// late: the line may have changed since
	}
}

// checked ends the check with the hook state found.
func (m *Machine) checked(now Instant, s sighting) {
	c := m.check
	m.check = check{by: Never}
	if s.hook == HookOff && m.otherOnLine(0) {
		s = sighting{} // the reading or the answer shows the call that is on the line
	}
	switch c.kind {
	case checkInterruption:
		m.firstLook(now, s)
	case checkListening:
		m.interrupted(now, s)
	case checkCatch:
		m.catchResult(now, c.call, s)
	default:
		m.noteLook(now, s.hook)
	}
}

// interrupted reports the result of the interruption. A hold that stayed lengthens the next clearing's interval
// (invariant 7).
func (m *Machine) interrupted(now Instant, s sighting) {
	o := &m.last
	if o.trial && o.doubt == doubtLength {
		s = sighting{} // the result says nothing about the interval
	}
	m.out = append(m.out, Effect{
		Kind: Report, Report: ReportInterrupted, Call: o.call, Seq: o.seq, Interval: o.interval, Hook: s.hook,
		Verified: s.by, Flash: o.flash, Trial: o.trial,
	})
	m.pendingIncident = pendingIncident{}
	switch s.hook {
	case HookOn:
		m.lineOnHook()
	case HookOff:
		m.lineOffHook(now)
		if !o.trial {
			m.holdStayed(now)
		}
	}
}

// holdStayed reports why the hold stayed, or repeats the interruption.
func (m *Machine) holdStayed(now Instant) {
	o := m.last
	why := IncidentIntervalShort
	switch {
	case m.contactStuck():
		m.beginOpeningIncident(IncidentContactStuck)
		return
	case o.call == 0:
		m.beginOpeningIncident(IncidentOffHookWithoutCall)
		return
	case o.doubt == doubtLength: // the opening may have been shorter than its interval: a power cut ends it early
		why = IncidentUnreachable
	case o.doubt == doubtLeg:
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

// nextStep returns the step that follows another hold that stayed. If the intervals have changed meanwhile, it returns
// the first step that is longer than the interval that was too short.
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

// contactStuck reports whether a trusted sensor saw the current continue throughout the opening.
func (m *Machine) contactStuck() bool {
	return m.last.contact == contactUnmoved && m.senseTrusted()
}

// mayRepeat reports whether another interruption of the same clearing may follow, where stayed is the new count of
// holds that stayed. The user must have consented, and nothing may forbid it. No repeat is made in the call-back
// window, since the emergency centre must get through, or while a call waits.
func (m *Machine) mayRepeat(now Instant, stayed int) bool {
	o := &m.last
	return o.repeats < m.policy.Repeats && o.doubt != doubtLength && o.followUp == followUpRepeat &&
		m.loop == StateClosed && m.pendingOpening.wait == waitNothing &&
		!m.policy.LifeSafety && !m.inCallbackWindow(now) && !m.otherOnLine(0) && m.waiting == 0 &&
		m.repeatInterval(stayed) <= m.policy.Longest() && !m.limitReached(now)
}

// repeatInterval returns the interval of a repeat. If the adapter's leg is not known to be cleared, it is too long to
// be a hook flash (invariant 3).
func (m *Machine) repeatInterval(stayed int) time.Duration {
	interval := m.policy.interval(stayed)
	if m.last.doubt == doubtLeg || m.otherLeg(m.last.call) {
		return m.policy.unconfirmed(interval)
	}
	return interval
}

// repeat opens the loop again for the same clearing. The repeat ends after the 2 s of invariant 11. By then somebody
// may have hung up, lifted again and begun to dial, and the first digits are lost. The user consents to that in the
// configuration (Policy.Repeats). Everything else that bounds, ends or withdraws an interruption also applies to a
// repeat.
func (m *Machine) repeat(now Instant) {
	o := opening{
		call: m.last.call, interval: m.repeatInterval(m.stayed), doubt: m.last.doubt,
		repeats: m.last.repeats + 1, closeBy: Never,
	}
	m.beginDisturbance(now)
	m.becomeOpening(now, o, now.Add(repeatWait))
}

// flashReported marks an interruption whose result is not known yet: the adapter took it for a hook flash, or at least
// saw a flash at that time.
func (m *Machine) flashReported(ev *Event) {
	if c := m.find(ev.Call); c != nil && c.onLine() {
		return // a recall by somebody in a call
	}
	if m.last.toVerify() || m.check.kind == checkInterruption {
		m.last.flash = true
	}
}
