package supervision

// checkOf says what a check is made for.
type checkOf uint8

const (
	checkNothing      checkOf = iota
	checkInterruption         // whether the hold cleared (invariant 7)
	checkOffHook              // whether the line is left off hook, in the call-back window
)

// check is a probe to come or under way. Its zero value, with by Never, is none.
type check struct {
	of    checkOf
	asked bool
	by    Instant // deadline: when to ask, then until when to wait for the answer
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

// judge begins the check of an interruption whose guard time is over.
func (m *Machine) judge(now Instant) {
	if !m.policy.ProbeTrusted || m.otherOnLine(0) {
		m.interrupted(HookUnknown) // nothing to ask, or a call that is on the line would answer for the hold
		return
	}
	m.becomeChecking(checkInterruption, max(now, m.recognisedAt))
	if now >= m.check.by {
		m.checkDue(now)
	}
}

func (m *Machine) becomeChecking(of checkOf, at Instant) {
	m.check = check{of: of, by: at}
}

// inCallbackWindow tells whether the emergency centre may be about to call back.
func (m *Machine) inCallbackWindow(now Instant) bool { return m.callbackBy > 0 && now <= m.callbackBy }

// watchHook is called when a call leaves the line. An emergency call opens the call-back window; in it the line is
// looked at once after each call, since a line left off hook cannot be called back.
func (m *Machine) watchHook(now Instant, c *call) {
	if c.emergency && m.policy.CallbackWindow > 0 {
		m.callbackBy = now.Add(m.policy.CallbackWindow)
	}
	if m.policy.ProbeTrusted && m.check.of == checkNothing && m.inCallbackWindow(now) {
		m.becomeChecking(checkOffHook, now.Add(m.policy.OnHookRecognition))
	}
}

func (m *Machine) checkDue(now Instant) {
	switch {
	case m.check.asked:
		m.checked(HookUnknown)
	case m.loop == loopGuarding:
		m.check.by = max(m.loopBy, m.recognisedAt)
	case m.loop != loopClosed || m.check.of == checkOffHook && len(m.calls) > 0:
		m.check = check{by: Never} // the line has something else to do, which shows its state
	case now < m.recognisedAt:
		m.check.by = m.recognisedAt // the adapter would still say off hook
	default:
		m.check.asked, m.check.by = true, now.Add(probeWait)
		m.probe(now)
	}
}

// dropCheck ends a check that can no longer tell anything.
func (m *Machine) dropCheck() {
	of := m.check.of
	m.check = check{by: Never}
	if of == checkInterruption {
		m.interrupted(HookUnknown)
	}
}

// probeAnswered takes the answer of the latest probe; a late answer of an earlier one is worth nothing.
func (m *Machine) probeAnswered(now Instant, ev Event) {
	asked := m.probes > 0
	if asked {
		m.probes--
	}
	switch {
	case m.probes > 0:
		// of an earlier probe
	case asked && m.wanted.wait == waitProbe:
		if ev.Hook == HookOff {
			m.open(now, true)
			return
		}
		m.suppressWanted(SuppressedUnknownCall)
	case asked && m.check.asked:
		m.checked(ev.Hook)
	case ev.Hook == HookOn:
		m.endIncident()
	case ev.Hook == HookOff && !asked && len(m.calls) == 0 && m.loop == loopClosed && m.wanted.wait == waitNothing && m.check.of == checkNothing:
		m.beginIncident(0, IncidentOffHookWithoutCall) // found by somebody else
	default:
		// nothing to learn: unknown, late, or the line is busy
	}
}

// checked ends the check with what was found.
func (m *Machine) checked(h Hook) {
	of := m.check.of
	m.check = check{by: Never}
	if of == checkInterruption {
		m.interrupted(h)
		return
	}
	switch h {
	case HookOn:
		m.endIncident()
	case HookOff:
		if !m.otherOnLine(0) {
			m.beginIncident(0, IncidentOffHookWithoutCall)
		}
	}
}

// interrupted reports the interruption; a hold that stayed makes the next clearing's interval longer (invariant 7).
func (m *Machine) interrupted(h Hook) {
	m.out = append(m.out, Effect{
		Kind: Report, Report: ReportInterrupted, Call: m.last.call, Seq: m.last.seq, Interval: m.last.interval, Hook: h,
	})
	switch {
	case h == HookOn:
		m.endIncident()
	case h == HookOff && m.last.call == 0:
		m.beginIncident(0, IncidentOffHookWithoutCall)
	case h == HookOff && m.last.faulted: // perhaps it was open for less than its interval: a power cut ends it early
		m.stayed = min(m.stayed+1, len(m.policy.Steps))
		m.beginIncident(m.last.call, IncidentUnreachable)
	case h == HookOff && m.last.unconfirmed:
		m.stayed = min(m.stayed+1, len(m.policy.Steps))
		m.beginIncident(m.last.call, IncidentByeUnanswered)
	case h == HookOff:
		m.stayed = min(m.stayed+1, len(m.policy.Steps))
		m.beginIncident(m.last.call, IncidentIntervalShort)
	}
}

// beginIncident reports an incident that lasts until the line is seen on hook or carries a call again. (A faulted loop's
// ends with LoopClosed.)
func (m *Machine) beginIncident(id CallID, why Incident) {
	m.incident = why
	m.report(ReportIncident, id, why)
}

// endIncident ends the line's incident, if there is one.
func (m *Machine) endIncident() {
	if m.incident != IncidentNone {
		m.report(ReportIncidentEnded, 0, m.incident)
		m.incident = IncidentNone
	}
}
