package supervisiontest

import "clearback/supervision"

// readingModel says whether the sensor's last reading counts.
type readingModel uint8

const (
	unread   readingModel = iota // never read, or unreadable now
	upToDate                     // read since the loop closed
	outdated                     // not read since then
)

// sensorCounts reports whether the sensor is trusted and its last reading is up to date.
func (t *model) sensorCounts() bool { return t.policy.SenseTrusted && t.watch.reading == upToDate }

// sensorHook returns the hook state by a trusted sensor.
func (t *model) sensorHook() supervision.Hook {
	switch {
	case t.sensorCounts() && t.watch.current == supervision.Seized:
		return supervision.HookOff
	case t.sensorCounts() && t.watch.current == supervision.Released:
		return supervision.HookOn
	default:
		return supervision.HookUnknown
	}
}

// news reports whether a report of the sensor may say something new about the near end.
func (t *model) news(ev *supervision.Event) bool {
	switch ev.Reading {
	case supervision.ReadingBeforeClosing:
		return false
	case supervision.ReadingRepeated:
		return t.policy.SenseTrusted && (ev.Kind != supervision.Seized || t.watch.current != supervision.Seized)
	default:
		return true
	}
}

// sensorEvent notes what the sensor reports.
func (t *model) sensorEvent(now supervision.Instant, ev *supervision.Event) {
	switch ev.Kind {
	case supervision.Released:
		t.loop.released = true
		fallthrough
	case supervision.Seized:
		if ev.Reading != supervision.ReadingBeforeClosing {
			t.watch.current = ev.Kind
			t.setReading(now, upToDate)
		}
	case supervision.CurrentUnreadable:
		t.setReading(now, unread)
	}
}

// sensorOutdated marks the last reading as out of date, because the loop has closed.
func (t *model) sensorOutdated(now supervision.Instant) {
	t.watch.current = supervision.EventNone
	if t.watch.reading == upToDate {
		t.setReading(now, outdated)
	}
}

func (t *model) setReading(now supervision.Instant, r readingModel) {
	if t.watch.reading != r {
		t.watch.reading = r
		t.trustChanged(now)
	}
}

// awaitsReading reports whether the end of the guard time waits for the sensor.
func (t *model) awaitsReading() bool {
	return t.loop.guarding && t.policy.SenseTrusted && t.watch.reading == outdated
}

// guardBy returns when the guard time ends if no reading comes.
func (t *model) guardBy() supervision.Instant {
	if t.awaitsReading() {
		return max(t.loop.quietBy, t.loop.recognised)
	}
	return t.loop.quietBy
}

// checkReadings checks that the result of an interruption is not reported while a reading may still come.
func checkReadings(t *model, m *Moment, ef *supervision.Effect) string {
	if isReport(ef, supervision.ReportInterrupted) && m.Event.Kind == supervision.TimePassed && t.awaitsReading() {
		return "judges an interruption before the sensor has been read"
	}
	return ""
}

// readingsEnd checks how long the guard time lasts.
func readingsEnd(t *model, m *Moment) string {
	if by := t.guardBy(); t.loop.guarding && (m.Deadline > max(by, m.Now) ||
		m.Event.Kind == supervision.TimePassed && m.Now >= by) {
		return "lets the guard time last too long"
	}
	return ""
}
