package supervision

// current is what a loop-current sensor said last.
type current uint8

const (
	currentUnknown current = iota // nothing yet
	currentFlows                  // Seized
	currentNone                   // Released
)

// sensorHook tells the hook state by a trusted sensor; unknown if there is none, or if it has said nothing yet. While
// the loop is open it says nothing of the near end, and nobody asks.
func (m *Machine) sensorHook() Hook {
	if !m.policy.SenseTrusted {
		return HookUnknown
	}
	switch m.current {
	case currentFlows:
		return HookOff
	case currentNone:
		return HookOn
	default:
		return HookUnknown
	}
}

// sensorReported takes what a sensor says; only one that is trusted counts.
func (m *Machine) sensorReported(c current) (before current) {
	before = m.current
	if m.policy.SenseTrusted {
		m.current = c
	}
	return before
}

// seized is told by a sensor. In the call-back window a line off hook without a call is an incident at once: nobody
// could call back.
func (m *Machine) seized(now Instant) {
	before := m.sensorReported(currentFlows)
	if !m.policy.SenseTrusted {
		m.seizure(now)
		return
	}
	if m.holdCameBack(now) || m.listening() && before != currentNone {
		return
	}
	if before == currentNone && m.loop == loopClosed {
		m.pendingIncident, m.watch.offSince = pendingIncident{}, Never // what was off hook or in doubt had let go, and somebody lifted
	}
	m.seizure(now)
	if m.idle() {
		m.lineOffHook(now)
		m.planNextLook()
		if m.inCallbackWindow(now) {
			m.beginOffHook()
		}
	}
}

// holdCameBack reports whether current that comes now is the hold that stayed, not somebody who lifts: the interruption
// is about over, or over and not judged yet.
func (m *Machine) holdCameBack(now Instant) bool {
	switch m.loop {
	case loopGuarding:
		return true
	case loopOpen:
		return now >= m.last.openedAt.Add(m.last.interval-earlyCurrent)
	default:
		return false
	}
}

// released is told by a sensor. In a call or an interruption nothing follows at once; while somebody may be listening,
// that was all.
func (m *Machine) released(now Instant) {
	m.sensorReported(currentNone)
	m.last.released = true // also by one that is not trusted: the contact did move
	switch {
	case !m.policy.SenseTrusted:
	case m.listening():
		m.checked(now, HookOn)
	case m.idle():
		m.lineOnHook()
		m.planNextLook()
	}
}
