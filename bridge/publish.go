package bridge

import (
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// pastStep is what one step of the machine leaves to be logged, recorded and saved.
type pastStep struct {
	at      time.Time
	event   supervision.Event // see hasEvent
	effects []supervision.Effect
	// saved is the state to be saved, if save is set.
	saved supervision.SavedState
	save  bool
	// fault is why the loop counts as faulted after the step.
	fault supervision.Incident
	// followers are those at the time of the step.
	followers *[]*follower
}

// hasEvent reports whether the step was caused by an event that is recorded.
func (s *pastStep) hasEvent() bool {
	return s.event.Kind != supervision.EventNone && s.event.Kind != supervision.TimePassed
}

// pastSteps is the queue of the steps that are not published yet, in their order. Publishing never blocks:
// the log drops lines when its reader is slow, and the journal has a bounded queue of its own. So the queue holds only
// what came since run was last scheduled. Safe for concurrent use.
type pastSteps struct {
	mu                sync.Mutex
	waiting, taken    []pastStep
	queued, published uint64
	changed           sync.Cond // published has grown; its L is mu
}

func (s *pastSteps) put(one pastStep) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting = append(s.waiting, one)
	s.queued++
}

// take returns the queued steps, valid until the next take. The steps of the last take count as published.
func (s *pastSteps) take() []pastStep {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.published += uint64(len(s.taken))
	s.changed.Broadcast()
	clear(s.taken)
	s.waiting, s.taken = s.taken[:0], s.waiting
	return s.taken
}

// await returns when every step that is queued now is published.
func (s *pastSteps) await() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := s.queued; s.published < n; {
		s.changed.Wait()
	}
}

// empty reports whether all steps are published.
func (s *pastSteps) empty() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.published == s.queued
}

// publishAll logs, records and saves what the steps have left.
func (l *Line) publishAll() {
	for done := l.steps.take(); len(done) > 0; done = l.steps.take() {
		for i := range done {
			l.publish(&done[i])
		}
	}
}

func (l *Line) publish(s *pastStep) {
	now := l.instant(s.at)
	if s.fault != l.fault && l.faulted != nil {
		l.faulted(s.at, s.fault)
	}
	l.fault = s.fault
	if s.hasEvent() {
		l.enter(s, callrecord.Entry{At: s.at, Line: l.name, Event: s.event})
		l.write(s.at, "event", zap.InfoLevel, s.event.Call, s.event.Append)
	}
	for i := range s.effects {
		e := &s.effects[i]
		l.enter(s, callrecord.Entry{At: s.at, Line: l.name, Effect: *e})
		switch {
		case e.Kind == supervision.OpenLoop: // not-after counts from the process's start; people need the time of day
			l.write(s.at, "effect", level(e), e.Call, e.AppendTimeless,
				zap.Time("not_after", l.epoch.Add(time.Duration(e.NotAfter))))
		case e.Kind == supervision.Report && e.Report == supervision.ReportIncident:
			l.write(s.at, "effect", level(e), e.Call, e.Append, zap.String("advice",
				advice(l.name, e.Incident, e.Suppression, e.Flash)))
		default:
			l.write(s.at, "effect", level(e), e.Call, e.Append)
		}
		if e.Kind == supervision.Report {
			l.incidents.take(now, s.at, e)
		}
	}
	if s.save && l.save != nil {
		l.save(s.saved)
	}
}

// enter gives an entry to the record and to the followers.
func (l *Line) enter(s *pastStep, e callrecord.Entry) {
	if l.record != nil {
		l.record(e)
	}
	if s.followers == nil {
		return
	}
	for _, one := range *s.followers {
		if !one.gone.Load() {
			one.f(e)
		}
	}
}

func (l *Line) write(at time.Time, message string, level zapcore.Level, call supervision.CallID,
	text func([]byte) []byte, more ...zap.Field) {
	entry := l.log.Check(level, message)
	if entry == nil {
		return
	}
	entry.Time = at
	l.text = text(l.text[:0])
	fields := make([]zap.Field, 0, 3)
	if call != 0 {
		fields = append(fields, zap.Uint64("call", uint64(call)))
	}
	fields = append(fields, zap.String("text", string(l.text)))
	entry.Write(append(fields, more...)...)
}

// level returns the log level of an effect. A failed emergency call is an error. Any other incident is a warning, and
// so is a clearing that may leave a hold behind for a reason other than the line's own rules.
func level(e *supervision.Effect) zapcore.Level {
	if e.Kind != supervision.Report {
		return zap.InfoLevel
	}
	if e.Report == supervision.ReportIncident {
		if e.Incident == supervision.IncidentEmergencyFailed {
			return zap.ErrorLevel
		}
		return zap.WarnLevel
	}
	if e.Report == supervision.ReportTrustWithdrawn {
		return zap.WarnLevel
	}
	if e.Report == supervision.ReportSuppressed {
		switch e.Suppression {
		case supervision.SuppressedOtherCall, supervision.SuppressedLate, supervision.SuppressedUnknownCall,
			supervision.SuppressedLoopBusy, supervision.SuppressedLoopFaulted:
			return zap.WarnLevel
		}
	}
	return zap.InfoLevel
}
