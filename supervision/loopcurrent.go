package supervision

// The loop-current sensor counts only while the policy trusts it and its last reading is up to date. A reading from
// before the loop closed is out of date. During the opening no current flowed, so a late reading of that time could be
// taken for a hold that cleared. The guard time therefore does not end before there is a reading from after the
// closing. It does not wait for a sensor that cannot be read. Nor does it wait beyond the time at which the adapter
// surely recognises on hook; calls wait until then anyway.

// current is what a reading shows.
type current uint8

const (
	currentUnknown current = iota // no reading since the loop closed, or none at all
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
	last      current // the next reading is compared with it, even if the sensor became unreadable in between
}

// senseTrusted reports whether the sensor's last reading counts.
func (m *Machine) senseTrusted() bool {
	return m.policy.SenseTrusted && m.sensor.freshness == currentFresh
}

// sensorHook returns the hook state that a trusted sensor last reported, or HookUnknown if there is no trusted sensor
// or its last reading does not count. While the loop is open the sensor says nothing about the near end, and nothing
// uses the result.
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

// sensorRead records a reading. It returns the previous reading, or currentUnknown if the loop has closed since then.
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

// currentOutdated marks the last reading as out of date, because the loop has closed.
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
		return // the current may have flowed before the opening
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

// released handles a sensor's report that the current stopped. During a call or an interruption the report has no
// immediate effect. In the grace it ends the check: the line is on hook.
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
