package bridge

import (
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// incidents are the incidents of a line that last. They are logged repeatedly while they last, and once when they end.
type incidents struct {
	// set once
	line  string
	every time.Duration // 0: never again
	log   *zap.Logger

	open []openIncident
	next supervision.Instant // of the next reminder; Never: no reminder is due
}

type openIncident struct {
	reason supervision.Incident
	rule   supervision.Suppression
	flash  bool
	call   supervision.CallID
	since  time.Time // wall-clock time
	from   supervision.Instant
}

func newIncidents(line string, every time.Duration, log *zap.Logger) incidents {
	return incidents{line: line, every: every, log: log, next: supervision.Never}
}

// take handles a report of the machine. The machine reports the end of every incident, even of one that another
// replaces.
func (s *incidents) take(now supervision.Instant, at time.Time, e *supervision.Effect) {
	switch e.Report {
	case supervision.ReportIncident:
		s.open = append(s.open, openIncident{reason: e.Incident, rule: e.Suppression, flash: e.Flash, call: e.Call,
			since: at, from: now})
	case supervision.ReportIncidentEnded:
		s.drop(now, e.Incident)
	}
	s.schedule(now)
}

// drop removes the incident with that reason.
func (s *incidents) drop(now supervision.Instant, reason supervision.Incident) {
	s.open = slices.DeleteFunc(s.open, func(i openIncident) bool {
		if i.reason != reason {
			return false
		}
		s.log.Info("incident is over", append(i.fields(now), zap.Time("since", i.since))...)
		return true
	})
}

// schedule sets the next reminder if an incident lasts and no reminder is set.
func (s *incidents) schedule(now supervision.Instant) {
	switch {
	case s.every == 0 || len(s.open) == 0:
		s.next = supervision.Never
	case s.next == supervision.Never:
		s.next = now.Add(s.every)
	}
}

func (s *incidents) due(now supervision.Instant) bool { return now >= s.next }

// remind logs each incident that lasts.
func (s *incidents) remind(now supervision.Instant) {
	for i := range s.open {
		one := &s.open[i]
		s.log.Warn("incident lasts", append(one.fields(now),
			zap.Time("since", one.since), zap.String("advice", advice(s.line, one.reason, one.rule, one.flash)))...)
	}
	s.next = supervision.Never
	s.schedule(now)
}

func (i *openIncident) fields(now supervision.Instant) []zap.Field {
	f := []zap.Field{zap.Stringer("reason", i.reason)}
	if i.call != 0 {
		f = append(f, zap.Uint64("call", uint64(i.call)))
	}
	if i.rule != supervision.SuppressionNone {
		f = append(f, zap.Stringer("rule", i.rule))
	}
	return append(f, zap.Stringer("lasted", now.Sub(i.from).Round(time.Second)))
}

// advice returns what the user has to do about an incident of the line.
func advice(line string, reason supervision.Incident, rule supervision.Suppression, flash bool) string {
	return strings.ReplaceAll(callrecord.Advice(reason, rule, flash), "LINE", line)
}
