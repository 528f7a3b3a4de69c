package supervision

// current is the last report of a loop-current sensor.
type current uint8

const (
	currentUnknown current = iota // no report yet
	currentFlows                  // Seized
	currentNone                   // Released
)

// sensorHook returns the hook state that a trusted sensor last reported, or HookUnknown if there is no trusted sensor
// or no report yet. While the loop is open the sensor says nothing about the near end, and sensorHook is not called.
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

// sensed returns what a trusted sensor last reported.
func (m *Machine) sensed() sighting { return seen(m.sensorHook(), VerificationSense) }

// sensorReported records a sensor's report if the sensor is trusted. It returns the report before.
func (m *Machine) sensorReported(c current) (before current) {
	before = m.current
	if m.policy.SenseTrusted {
		m.current = c
	}
	return before
}

// seized handles a sensor's report that the near end went off hook. In the call-back window a line that is off hook
// without a call is an incident at once, since the emergency centre could not call back.
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
		// The line was on hook in between, so a hold before that is gone: somebody has lifted a handset.
		m.pendingIncident, m.watch.offSince = pendingIncident{}, Never
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

// holdCameBack reports whether current that starts now comes from a hold that stayed, and not from somebody who lifts a
// handset. That is so just before the end of an interruption and in its guard time.
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

// released handles a sensor's report that the current stopped. In a call or an interruption nothing follows at once. In
// the grace the report ends the check: the line is on hook.
func (m *Machine) released(now Instant) {
	m.sensorReported(currentNone)
	m.last.released = true // even an untrusted report shows that the contact moved
	switch {
	case !m.policy.SenseTrusted:
	case m.listening():
		m.checked(now, sighting{HookOn, VerificationSense})
	case m.idle():
		m.lineOnHook()
		m.planNextLook()
	}
}
