package bridge

import (
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/bridge/relay"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// LineOptions are the settings of a [Line] and the parts that it uses.
type LineOptions struct {
	Name    string
	Policy  supervision.Policy
	Contact relay.Contact
	// Epoch is the zero of the machine's time line. All lines of a process share it.
	Epoch  time.Time
	Logger *zap.Logger
	// Saved is the state that an earlier machine of the line saved.
	Saved supervision.SavedState
	// Record, if not nil, receives every event and effect. Save, if not nil, receives the state that must outlive the
	// process, whenever that state changes. Neither may block.
	Record func(callrecord.Entry)
	Save   func(supervision.SavedState)
	// Sense makes the line watch the contact's loop-current input while it is in service. It then posts Seized,
	// Released and CurrentUnreadable.
	Sense bool
	// Remind is the interval at which an incident that lasts is logged again. 0 means never.
	Remind time.Duration
}

// Line runs the machine of one line. Post may be called from any goroutine, also before Start.
type Line struct {
	// set once
	name           string
	epoch          time.Time
	log            *zap.Logger
	mailbox        *mailbox
	interrupter    *interrupter
	currentMonitor *currentMonitor // nil: the loop current is not watched
	record         func(callrecord.Entry)
	save           func(supervision.SavedState)
	end            func()        // closes quit, once
	quit           chan struct{} // closed by Stop
	ended          chan struct{} // closed when run has returned
	calls          Calls

	closeFailing atomic.Bool // an attempt to close has failed and none has succeeded since: see Notice

	// run executes the functions sent here, so that the machine needs no lock. Unbuffered: the sender waits for the
	// answer anyway.
	requests chan func()

	mu        sync.Mutex // before Start and after Stop, its holder may use what run owns
	started   bool
	followers followers

	// owned by run
	machine   *supervision.Machine
	policy    supervision.Policy
	deadline  supervision.Instant
	saved     supervision.SavedState
	incidents incidents
	events    []supervision.Event
	text      []byte
}

// NewLine returns an idle line. Nothing runs before Start.
func NewLine(o LineOptions) *Line {
	quit := make(chan struct{})
	l := &Line{
		name: o.Name, epoch: o.Epoch, log: o.Logger.With(zap.String("line", o.Name)),
		record: o.Record, save: o.Save,
		mailbox: newMailbox(), quit: quit, end: sync.OnceFunc(func() { close(quit) }), ended: make(chan struct{}),
		machine: supervision.New(o.Policy), policy: o.Policy, deadline: supervision.Never,
		requests: make(chan func()),
	}
	l.policy.Steps = slices.Clone(o.Policy.Steps)
	l.machine.Restore(o.Saved)
	l.saved = l.machine.SavedState()
	l.incidents = newIncidents(o.Name, o.Remind, l.log)
	l.interrupter = newInterrupter(o.Contact, l.Post)
	if sensor, ok := o.Contact.(relay.Sensor); ok && o.Sense {
		l.currentMonitor = newCurrentMonitor(sensor, l.mailbox, l.interrupter.underWay, o.Epoch, l.log)
	}
	return l
}

// Name returns the line's name, which never changes.
func (l *Line) Name() string { return l.name }

// Post puts an event into the mailbox. It neither blocks nor drops.
func (l *Line) Post(ev supervision.Event) {
	if l.mailbox.put(ev) && l.currentMonitor != nil {
		l.currentMonitor.awaken()
	}
}

// Notice receives the driver's notices about the line's contact. A failed close, also on an idle line, means that the
// loop is open or its state is unknown (SAFETY.md S16). Notice may be called from any goroutine, also before Start, but
// not concurrently. It does not block.
func (l *Line) Notice(n relay.Notice) {
	switch {
	case n.Kind == relay.CloseFailing && !l.closeFailing.Swap(true): // the driver repeats this notice
		l.Post(supervision.Event{Kind: supervision.LoopUnknown, Failure: failure(n.Err), Why: relay.Reason(n.Err)})
	case n.Kind == relay.CloseConfirmed && l.closeFailing.Swap(false):
		l.Post(supervision.Event{Kind: supervision.LoopClosed})
	}
}

// SetPolicy changes the settings and returns when they are in use. What is under way continues with the old settings.
// The policy must be valid. On a stopped line SetPolicy does nothing. Do not call it from a follower.
func (l *Line) SetPolicy(p supervision.Policy) {
	p.Steps = slices.Clone(p.Steps)
	l.runInLoop(func() {
		if !l.stopped() {
			l.policy = p
			l.deadline = l.machine.SetPolicy(l.now(), p)
			l.saveIfChanged()
			l.paceSense()
		}
	})
}

// Policy returns the settings in use. Do not call it from a follower.
func (l *Line) Policy() supervision.Policy {
	var p supervision.Policy
	l.runInLoop(func() {
		p = l.policy
		p.Steps = slices.Clone(p.Steps)
	})
	return p
}

// View returns the state of the machine. After Stop it returns the last state. Do not call it from a follower.
func (l *Line) View() supervision.View {
	var v supervision.View
	l.runInLoop(func() { v = l.machine.View() })
	return v
}

// Follow calls f with every later event and effect, from the line's goroutine: f must not block. stop ends the calls.
// It may be called at any time, also from f. It does not wait: a call of f that has begun may still be running when
// stop returns.
func (l *Line) Follow(f func(callrecord.Entry)) (stop func()) { return l.followers.add(f) }

// Start starts the line's goroutine. The machine's first event is TimePassed, with which it begins to monitor the line.
func (l *Line) Start(calls Calls) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.started = true
	l.calls = calls
	go l.run()
	if l.currentMonitor != nil {
		l.currentMonitor.start()
	}
}

// Stop ends the goroutine and what the contact is doing (an opening is closed), and waits for both. The final close of
// the contact is part of the driver's shutdown.
func (l *Line) Stop() {
	l.mu.Lock()
	if !l.started {
		l.started = true
		close(l.ended)
	}
	l.mu.Unlock()
	l.end()
	<-l.ended
	l.interrupter.end()
	if l.currentMonitor != nil {
		l.currentMonitor.end()
	}
	l.mailbox.end()
}

// AtRest reports whether the machine waits for nothing but the next check of an idle line, and the contact is idle.
// After Stop it returns true.
func (l *Line) AtRest() bool {
	rest := true
	l.runInLoop(func() {
		if !l.stopped() {
			rest = l.machine.AtRest() && l.mailbox.empty() && !l.interrupter.busy()
		}
	})
	return rest
}

func (l *Line) stopped() bool {
	select {
	case <-l.ended:
		return true
	default:
		return false
	}
}

// runInLoop runs f in the line's goroutine, or under mu if that goroutine is not running, and returns when f has
// returned.
func (l *Line) runInLoop(f func()) {
	l.mu.Lock()
	if !l.started {
		defer l.mu.Unlock()
		f()
		return
	}
	l.mu.Unlock()
	done := make(chan struct{})
	select {
	case l.requests <- func() { f(); close(done) }:
		<-done
	case <-l.ended:
		l.mu.Lock()
		defer l.mu.Unlock()
		f()
	}
}

func (l *Line) run() {
	defer close(l.ended)
	timer := time.NewTimer(time.Hour)
	l.step(supervision.Event{Kind: supervision.TimePassed})
	for {
		l.set(timer)
		select {
		case <-l.quit:
			return
		case f := <-l.requests:
			f()
		case <-timer.C:
			now := l.now()
			if now >= l.deadline { // if not, the timer was set for an earlier deadline or for a reminder
				l.step(supervision.Event{Kind: supervision.TimePassed})
			}
			if l.incidents.due(now) {
				l.incidents.remind(now)
			}
		case <-l.mailbox.wake:
			l.events = l.mailbox.take(l.events)
			for _, ev := range l.events {
				l.step(ev)
			}
		}
	}
}

// set sets the line's one timer.
func (l *Line) set(timer *time.Timer) {
	next := min(l.deadline, l.incidents.next) // Never is 292 years away
	timer.Reset(time.Until(l.epoch.Add(time.Duration(next))))
}

func (l *Line) now() supervision.Instant { return supervision.Instant(time.Since(l.epoch)) }

// step carries out the effects first and logs and records them afterwards, so that neither a slow log nor the record
// delays an effect. Log and record get the time of the step, so that no consequence of an effect appears to precede it.
func (l *Line) step(ev supervision.Event) {
	at := time.Now() // its wall-clock time is the current one, even if the clock was set right after the start
	now := supervision.Instant(at.Sub(l.epoch))
	effects, deadline := l.machine.Step(now, ev)
	l.deadline = deadline
	for i := range effects {
		l.do(&effects[i])
	}
	runtime.Gosched() // what the effects started runs now, on this processor, and not only after the logging
	l.paceSense()
	if ev.Kind != supervision.TimePassed {
		l.publish(callrecord.Entry{At: at, Line: l.name, Event: ev})
		l.write(at, "event", zap.InfoLevel, ev.Call, ev.Append)
	}
	for i := range effects {
		e := &effects[i]
		l.publish(callrecord.Entry{At: at, Line: l.name, Effect: *e})
		switch {
		case e.Kind == supervision.OpenLoop: // not-after counts from the process's start; people need the time of day
			l.write(at, "effect", level(e), e.Call, e.AppendTimeless,
				zap.Time("not_after", l.epoch.Add(time.Duration(e.NotAfter))))
		case e.Kind == supervision.Report && e.Report == supervision.ReportIncident:
			l.write(at, "effect", level(e), e.Call, e.Append, zap.String("advice",
				advice(l.name, e.Incident, e.Suppression, e.Flash)))
		default:
			l.write(at, "effect", level(e), e.Call, e.Append)
		}
		if e.Kind == supervision.Report {
			l.incidents.take(now, at, e)
		}
	}
	l.saveIfChanged()
}

// publish gives an entry to the record and to the followers.
func (l *Line) publish(e callrecord.Entry) {
	if l.record != nil {
		l.record(e)
	}
	l.followers.publish(e)
}

func (l *Line) saveIfChanged() {
	k := l.machine.SavedState()
	if k == l.saved {
		return
	}
	l.saved = k
	if l.save != nil {
		l.save(k)
	}
}

// paceSense has the loop current read often while the line is busy.
func (l *Line) paceSense() {
	if l.currentMonitor != nil {
		l.currentMonitor.pace(!l.machine.AtRest())
	}
}

// do carries out an effect. A report needs nothing here: it is only logged and recorded.
func (l *Line) do(e *supervision.Effect) {
	switch e.Kind {
	case supervision.OfferCall:
		l.calls.Offer(e.Call)
	case supervision.RefuseCall:
		l.calls.Refuse(e.Call, e.Code)
	case supervision.ClearAdapterLeg:
		l.calls.ClearAdapterLeg(e.Call)
	case supervision.ClearFarEnd:
		l.calls.ClearFarEnd(e.Call)
	case supervision.OpenLoop:
		l.interrupter.open(e.Seq, e.Interval, l.epoch.Add(time.Duration(e.NotAfter)))
	case supervision.CloseLoop:
		l.interrupter.withdraw(e.Seq)
	case supervision.ProbeLine:
		l.calls.Probe()
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
