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

// LineOptions are what a [Line] is made of.
type LineOptions struct {
	Name    string
	Policy  supervision.Policy
	Contact relay.Contact
	// Epoch is the zero of the machine's time line; all lines of a process share it.
	Epoch  time.Time
	Logger *zap.Logger
	// Saved is what an earlier machine of the line knew.
	Saved supervision.SavedState
	// Record, if not nil, takes every event and effect; it must not block. Keep, if not nil, takes what should outlive
	// the process whenever it changes; it must not block.
	Record func(callrecord.Entry)
	Save   func(supervision.SavedState)
	// Sense says that the contact's loop-current input is to be watched in service: Seized and Released are posted.
	Sense bool
	// Remind is how often an incident that lasts is told to the log again; 0: never.
	Remind time.Duration
}

// Line runs the machine of one line. Post may be called from any goroutine, before Start too.
type Line struct {
	// set once
	name           string
	epoch          time.Time
	log            *zap.Logger
	mailbox        *mailbox
	interrupter    *interrupter
	currentMonitor *currentMonitor // nil: nobody watches the loop current
	record         func(callrecord.Entry)
	save           func(supervision.SavedState)
	end            func()        // closes quit, once
	quit           chan struct{} // closed by Stop
	ended          chan struct{} // closed when run has returned
	calls          Calls

	closeFailing atomic.Bool // a close fails: see Notice

	// asks are run by run, so that the machine needs no lock. Unbuffered: who asks waits for the answer anyway.
	asks chan func()

	mu        sync.Mutex // before Start and after Stop it stands for run
	started   bool
	followers followers

	// owned by run
	machine          *supervision.Machine
	policy           supervision.Policy
	openedAt         supervision.Instant   // the loop, last
	inputUnreadable  bool                  // the loop-current input cannot be read
	currentStale     bool                  // what it said last is of before the last closing
	currentForgotten bool                  // the machine has forgotten what it said last
	closing          uint64                // the senser's number of that
	current          supervision.EventKind // Seized or Released, whichever the machine heard last; EventNone: neither
	deadline         supervision.Instant
	saved            supervision.SavedState
	incidents        incidents
	events           []supervision.Event
	text             []byte
}

// NewLine returns a line at rest. Nothing runs before Start.
func NewLine(o LineOptions) *Line {
	quit := make(chan struct{})
	l := &Line{
		name: o.Name, epoch: o.Epoch, log: o.Logger.With(zap.String("line", o.Name)),
		record: o.Record, save: o.Save,
		mailbox: newMailbox(), quit: quit, end: sync.OnceFunc(func() { close(quit) }), ended: make(chan struct{}),
		machine: supervision.New(o.Policy), policy: o.Policy, deadline: supervision.Never,
		asks: make(chan func()),
	}
	l.policy.Steps = slices.Clone(o.Policy.Steps)
	l.machine.Restore(o.Saved)
	l.saved = l.machine.SavedState()
	l.incidents = newIncidents(o.Name, o.Remind, l.log)
	l.interrupter = newInterrupter(o.Contact, l.Post)
	if sensor, ok := o.Contact.(relay.Sensor); ok && o.Sense {
		l.currentMonitor = newCurrentMonitor(sensor, l, l.interrupter.underWay, o.Epoch, l.log)
	}
	return l
}

// Name never changes.
func (l *Line) Name() string { return l.name }

// Post puts an event into the mailbox. It neither blocks nor drops.
func (l *Line) Post(ev supervision.Event) { l.mailbox.put(ev) }

// Notice takes what the driver has to say of the line's contact. That a close fails, also on an idle line, means that
// nobody knows whether the loop is closed, or that it is open (SAFETY.md S16). It may be called from any goroutine,
// before Start too, and does not block; one notice at a time.
func (l *Line) Notice(n relay.Notice) {
	switch {
	case n.Kind == relay.CloseFailing && !l.closeFailing.Swap(true): // it comes again and again
		l.Post(supervision.Event{Kind: supervision.LoopUnknown, Failure: failure(n.Err), Why: relay.Reason(n.Err)})
	case n.Kind == relay.CloseConfirmed && l.closeFailing.Swap(false):
		l.Post(supervision.Event{Kind: supervision.LoopClosed})
	}
}

// SetPolicy changes the settings; it returns when they are in use. What is under way goes on as it began. The policy
// must be sound. On a line that was stopped it does nothing. Not to be called from a follower.
func (l *Line) SetPolicy(p supervision.Policy) {
	p.Steps = slices.Clone(p.Steps)
	l.ask(func() {
		if !l.stopped() {
			l.policy = p
			l.usePolicy()
		}
	})
}

// usePolicy gives the machine its settings. An input that cannot be read, or was not since the loop closed, is none
// that can be trusted: what it said last may be wrong by now. (It saw no current in the opening; a slow controller must
// not let that pass for a hold that cleared.)
func (l *Line) usePolicy() {
	p := l.policy
	p.SenseTrusted = p.SenseTrusted && !l.inputUnreadable && !l.currentStale
	l.currentForgotten = l.currentForgotten || !p.SenseTrusted && l.machine.View().Loop == "guarding" // see [supervision.Machine.SetPolicy]
	l.deadline = l.machine.SetPolicy(l.now(), p)
	l.saveIfChanged()
	l.paceSense()
}

// inputLost and sensed are called by the senser.
func (l *Line) inputLost() {
	l.ask(func() {
		l.inputUnreadable = true
		l.usePolicy()
	})
}

func (l *Line) currentRead(ev supervision.Event, closing uint64) {
	l.ask(func() {
		if l.stopped() {
			return
		}
		l.takeAll() // what was posted came first; a LoopClosed among it makes this word an old one
		old := closing != l.closing
		if !old && (l.inputUnreadable || l.currentStale) {
			l.inputUnreadable, l.currentStale = false, false
			l.usePolicy()
			if l.currentForgotten {
				l.current, l.currentForgotten = supervision.EventNone, false
			}
		}
		// An old word is not trusted; but that no current flowed shows that the contact did move.
		if ev.Kind != l.current && (!old || ev.Kind == supervision.Released) {
			l.current = ev.Kind
			l.step(ev)
		}
	})
}

// closedAgain is called when the loop has closed, before anything is judged by its current.
func (l *Line) closedAgain() {
	if l.currentMonitor == nil || !l.policy.SenseTrusted || l.machine.View().Loop != "guarding" {
		return
	}
	l.currentStale, l.closing = true, l.currentMonitor.renew()
	l.usePolicy()
}

// Policy returns the settings in use. Not to be called from a follower.
func (l *Line) Policy() supervision.Policy {
	var p supervision.Policy
	l.ask(func() {
		p = l.policy
		p.Steps = slices.Clone(p.Steps)
	})
	return p
}

// View returns what the machine knows; after Stop, what it knew. Not to be called from a follower.
func (l *Line) View() supervision.View {
	var v supervision.View
	l.ask(func() { v = l.machine.View() })
	return v
}

// Follow calls f with every event and effect from now on, from the line's goroutine: f must not block. stop ends it; it
// may be called at any time, from f too, and does not wait: a call of f that has begun may still be under way when it
// returns.
func (l *Line) Follow(f func(callrecord.Entry)) (stop func()) { return l.followers.add(f) }

// Start starts the line's goroutine. The machine's first step is TimePassed, with which its watching begins.
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

// Stop ends the goroutine and whatever the contact is doing (an opening is closed) and waits for both.
// Closing the contact for good, last of all, is the driver's shutdown.
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
	l.mailbox.shut()
}

// AtRest reports whether the machine waits for nothing but the watching of an idle line, and the contact is idle. After
// Stop it is true.
func (l *Line) AtRest() bool {
	rest := true
	l.ask(func() {
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

// ask runs f where the machine may be looked at, and returns when f has returned.
func (l *Line) ask(f func()) {
	l.mu.Lock()
	if !l.started {
		defer l.mu.Unlock()
		f()
		return
	}
	l.mu.Unlock()
	done := make(chan struct{})
	select {
	case l.asks <- func() { f(); close(done) }:
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
		case f := <-l.asks:
			f()
		case <-timer.C:
			now := l.now()
			if now >= l.due() { // else the timer was set for an earlier deadline, or for a reminder
				l.step(supervision.Event{Kind: supervision.TimePassed})
			}
			if l.incidents.due(now) {
				l.incidents.remind(now, l.machine.View())
			}
		case <-l.mailbox.wake:
			l.takeAll()
		}
	}
}

// takeAll takes what is in the mailbox.
func (l *Line) takeAll() {
	l.events = l.mailbox.take(l.events)
	for _, ev := range l.events {
		l.step(ev)
	}
}

// set sets the line's one timer.
func (l *Line) set(timer *time.Timer) {
	next := min(l.due(), l.incidents.next) // Never is in 292 years
	timer.Reset(time.Until(l.epoch.Add(time.Duration(next))))
}

// due is when the machine is to be told that time has passed. The end of the guard time waits for what the loop current
// says since the closing, by which the machine judges; but no longer than until the adapter surely reads on hook, for
// which calls wait anyway.
func (l *Line) due() supervision.Instant {
	if l.currentStale && !l.inputUnreadable && l.machine.View().Loop == "guarding" {
		return max(l.deadline, l.openedAt.Add(l.policy.OnHookRecognition))
	}
	return l.deadline
}

func (l *Line) now() supervision.Instant { return supervision.Instant(time.Since(l.epoch)) }

// step carries out the effects first and writes about them afterwards: neither a slow log nor the record delays an
// effect. Log and record have the instant of the step, so that what an effect led to never seems to have come before
// it.
func (l *Line) step(ev supervision.Event) {
	at := time.Now() // its wall clock is that of now, also where a clock was set right after the start
	now := supervision.Instant(at.Sub(l.epoch))
	effects, deadline := l.machine.Step(now, ev)
	l.deadline = deadline
	for i := range effects {
		l.do(&effects[i])
	}
	runtime.Gosched() // what the effects started runs now, on this processor, instead of after the writing
	l.paceSense()
	switch ev.Kind {
	case supervision.LoopOpened:
		l.openedAt = now
	case supervision.LoopClosed:
		l.closedAgain()
	}
	if ev.Kind != supervision.TimePassed {
		l.publish(callrecord.Entry{At: at, Line: l.name, Event: ev})
		l.write(at, "event", zap.InfoLevel, ev.Call, ev.Append)
	}
	for i := range effects {
		e := &effects[i]
		l.publish(callrecord.Entry{At: at, Line: l.name, Effect: *e})
		switch {
		case e.Kind == supervision.OpenLoop: // its not-after counts from the process's start: people are told the time of day
			l.write(at, "effect", level(e), e.Call, e.AppendTimeless,
				zap.Time("not_after", l.epoch.Add(time.Duration(e.NotAfter))))
		case e.Kind == supervision.Report && e.Report == supervision.ReportIncident:
			l.write(at, "effect", level(e), e.Call, e.Append, zap.String("advice",
				advice(l.name, e.Incident, e.Suppression, e.Flash)))
		default:
			l.write(at, "effect", level(e), e.Call, e.Append)
		}
		if e.Kind == supervision.Report {
			l.incidents.take(now, at, e, l.machine)
		}
	}
	l.saveIfChanged()
}

// publish gives an entry to the record and to who follows.
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

// paceSense has the loop current looked at often while the line does something.
func (l *Line) paceSense() {
	if l.currentMonitor != nil {
		l.currentMonitor.pace(!l.machine.AtRest())
	}
}

// do carries out an effect; a report is only written down.
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

// level: a failed call for help is an error, another incident a warning, and so is a clearing that may leave a hold
// behind for another reason than the line's own rules.
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
	if e.Report == supervision.ReportSuppressed {
		switch e.Suppression {
		case supervision.SuppressedOtherCall, supervision.SuppressedLate, supervision.SuppressedUnknownCall,
			supervision.SuppressedLoopBusy, supervision.SuppressedLoopFaulted:
			return zap.WarnLevel
		}
	}
	return zap.InfoLevel
}
