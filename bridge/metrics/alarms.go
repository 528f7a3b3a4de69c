package metrics

import (
	"maps"
	"slices"
	"time"
)

// The numbers of the alarms. They are read-only.
var (
	alarmsStandingDesc = desc("alarms_standing", "Alarms that stand, including those not sent yet.", "class")
	alarmAttemptsDesc  = desc("alarm_attempts_total",
		"Attempts to send a message on a way. refused: the other side refused the message permanently.", "way", "result")
	alarmDroppedDesc = desc("alarm_messages_dropped_total",
		"Messages dropped: too many were waiting, or they were not accepted for a week.", "way")
	alarmWaitingDesc = desc("alarm_messages_waiting", "Messages that the way has not accepted, including those that it refused.",
		"way")
	alarmOldestDesc = desc("alarm_oldest_waiting_seconds",
		"Age of the oldest message that the way has not accepted, by the machine's clock. 0 if there is none.", "way")
	alarmFailingDesc = desc("alarm_way_failing", "1 if the last attempt on the way failed.", "way")
)

func (s sink) alarms(state *State) {
	for _, class := range slices.Sorted(maps.Keys(state.Standing)) {
		s.gauge(alarmsStandingDesc, float64(state.Standing[class]), string(class))
	}
	for _, name := range slices.Sorted(maps.Keys(state.Ways)) {
		w := state.Ways[name]
		s.counter(alarmAttemptsDesc, w.Attempts.Accepted, name, "accepted")
		s.counter(alarmAttemptsDesc, w.Attempts.Failed, name, "failed")
		s.counter(alarmAttemptsDesc, w.Attempts.Refused, name, "refused")
		s.counter(alarmDroppedDesc, uint64(w.Dropped), name)
		s.gauge(alarmWaitingDesc, float64(w.Waiting+w.Refused), name)
		age := 0.0
		if !w.Oldest.IsZero() {
			age = max(time.Since(w.Oldest).Seconds(), 0) // the clock may have been set back
		}
		s.gauge(alarmOldestDesc, age, name)
		s.is(alarmFailingDesc, !w.Since.IsZero(), name)
	}
}
