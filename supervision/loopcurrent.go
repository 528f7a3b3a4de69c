package supervision

// The loop-current sensor counts only while the policy trusts it and its last reading is up to date. A reading is out
// of date once the loop has closed: during the opening no current flowed, and with a slow controller such a reading
// could be taken for a hold that cleared. So the end of the guard time waits for a reading since the closing. It does
// not wait beyond the time at which the adapter surely recognises on hook, since calls wait until then anyway, nor for
// a sensor that cannot be read.

// current is what a reading shows.
type current uint8

const (
	currentUnknown current = iota // no reading since the loop closed
	currentFlows                  // Seized
	currentNone                   // Released
)

// freshness says whether the last reading of the sensor is up to date.
type freshness uint8

const (
	currentUnread freshness = iota // never read, or unreadable now
	currentFresh
	currentStale // the loop has closed since
)

// currentSensor is what the machine knows of the loop-current sensor. The zero value has not been read.
type currentSensor struct {
	freshness freshness
	last      current // that later readings are compared with, even if the sensor became unreadable since
}

// senseTrusted reports whether the sensor's last reading counts.
func (m *Machine) senseTrusted() bool {
	return m.policy.SenseTrusted && m.sensor.freshness == currentFresh
}

// sensorHook returns the hook state that a trusted sensor last reported, or HookUnknown if there is no trusted sensor
// or its last reading does not count. While the loop is open the sensor says nothing about the near end, and sensorHook
// is not called.
func (m *Machine) sensorHook() Hook {
	if !m.senseTrusted() {
		return HookUnknown
	}
	switch m.sensor.last {
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

// awaitsReading reports whether the end of the guard time waits for a reading.
func (m *Machine) awaitsReading() bool {
	return m.loop == StateGuarding && m.policy.SenseTrusted && m.sensor.freshness == currentStale
}

// sensorRead records a reading. It returns the one before, currentUnknown if the loop has closed since.
func (m *Machine) sensorRead(now Instant, c current) (before current) {
	before, m.sensor.last = m.sensor.last, c
	m.setFreshness(now, currentFresh)
	return before
}

func (m *Machine) setFreshness(now Instant, f freshness) {
	if m.sensor.freshness == f {
		return
	}
	m.sensor.freshness = f
	m.trustChanged(now)
}

// currentOutdated: the loop has closed.
func (m *Machine) currentOutdated(now Instant) {
	m.sensor.last = currentUnknown
	if m.sensor.freshness == currentFresh {
		m.setFreshness(now, currentStale)
	}
}

// seized handles a sensor's report that the near end went off hook. In the call-back window a line that is off hook
// without a call is an incident at once, since the emergency centre could not call back.
func (m *Machine) seized(now Instant, ev *Event) {
	if ev.Reading == ReadingBeforeClosing {
		return // the current may have been that before the opening
	}
	before := m.sensorRead(now, currentFlows)
	switch {
	case ev.Reading == ReadingRepeated && (before == currentFlows || !m.policy.SenseTrusted):
		return
	case !m.policy.SenseTrusted:
		m.seizure(now)
		return
	case m.holdCameBack(now), m.listening() && before != currentNone:
		return
	}
	if before == currentNone && m.loop == StateClosed {
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
	case StateGuarding:
		return true
	case StateOpen:
		return now >= m.last.openedAt.Add(m.last.interval-earlyCurrent)
	default:
		return false
	}
}

// released handles a sensor's report that the current stopped. In a call or an interruption nothing follows at once. In
// the grace the report ends the check: the line is on hook.
func (m *Machine) released(now Instant, ev *Event) {
	m.last.contact = contactMoved // even a reading that does not count shows that the contact moved
	if ev.Reading == ReadingBeforeClosing {
		return
	}
	m.sensorRead(now, currentNone)
	switch {
	case !m.policy.SenseTrusted:
	case m.listening():
		m.checked(now, sighting{HookOn, VerificationSense})
	case m.idle():
		m.lineOnHook()
		m.planNextLook()
	}
}
