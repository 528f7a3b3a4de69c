package daemon

import (
	"fmt"
	"strings"
	"time"

	"clearback/bridge/alarms"
	"clearback/supervision/alarm"
)

// wayLoss is the state of the alarm about messages that a way has dropped or refused.
type wayLoss struct {
	stands bool   // the alarm stands
	sent   uint64 // how many messages the way had accepted when the alarm began or, if later, when it was told
	over   int    // how many of the lost messages belong to alarms that have ended
}

// ends reports whether the alarm about the losses of a way that accepts messages is over: it was told, and since
// then the way has accepted a message.
func (l *wayLoss) ends(now alarms.Status, told bool) bool {
	lost := now.Dropped + now.Refused
	l.over = min(l.over, lost) // what was refused may have been accepted since
	switch {
	case lost == l.over:
		l.stands = false
	case !l.stands || !told:
		l.stands, l.sent = true, now.Attempts.Accepted
	case now.Attempts.Accepted > l.sent:
		l.stands, l.over = false, lost
	}
	return !l.stands
}

// ways returns the reports about ways, without those about losses that are over.
func (s *serving) ways() (all []alarm.Report) {
	states := s.queue.Status()
	for _, r := range wayReports(states) {
		name := strings.TrimPrefix(r.Alarm.Key, wayKey)
		if r.Alarm.Reason != lostAlarms || !s.loss(name).ends(states[name], s.n.Told(r.Alarm.Key)) {
			all = append(all, r)
		}
	}
	for name := range s.losses {
		if _, ok := states[name]; !ok {
			delete(s.losses, name)
		}
	}
	return all
}

func (s *serving) loss(name string) *wayLoss {
	if s.losses[name] == nil {
		s.losses[name] = &wayLoss{}
	}
	return s.losses[name]
}

// removedWay returns an alarm about messages that were dropped because their way was removed or renamed.
func removedWay(name string, n int) alarm.Report {
	what := fmt.Sprintf("The file no longer has the way %s, and %d messages that waited for it were dropped.", name, n)
	if n == 1 {
		what = "The file no longer has the way " + name + ", and a message that waited for it was dropped."
	}
	return alarm.Report{State: alarm.Event, Times: 1, Alarm: alarm.Alarm{Key: wayKey + name + "/removed",
		Class: alarm.ClassWay, Reason: "way-removed", Since: time.Now(), What: what,
		Do: "The log names the messages. Before you remove or rename a way, wait until no message waits for it."}}
}
