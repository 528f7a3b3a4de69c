package bridge

import (
	"fmt"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

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
	// process, whenever that state changes. The line's goroutine calls both. Neither may block.
	Record func(callrecord.Entry)
	Save   func(supervision.SavedState)
	// Fault, if not nil, receives the reason for which the loop is open or unknown, and IncidentNone once it is known
	// to be closed. It comes before the reports of that step. The line's goroutine calls it, and it must not block.
	Fault func(at time.Time, why supervision.Incident)
	// Sense makes the line watch the contact's loop-current input while it is in service. It then posts Seized,
	// Released and CurrentUnreadable.
	Sense bool
	// Remind is the interval at which an incident that lasts is logged again. 0 means never.
	Remind time.Duration
}

// Line runs the machine of one line. Its methods may be called from any goroutine, Post also before Start.
//
// A step of the machine runs in the goroutine that posts the event, so that no event waits for another goroutine to be
// scheduled. If another goroutine uses the machine, the event waits in the mailbox and the line's goroutine takes it.
// A poster therefore never waits, and never runs more than one step. The line's goroutine also keeps the timer, and
// logs and records the steps.
type Line struct {
	// set once
	name        string
	epoch       time.Time
	log         *zap.Logger
	mailbox     *mailbox
	interrupter *interrupter
	record      func(callrecord.Entry)
	save        func(supervision.SavedState)
	faulted     func(time.Time, supervision.Incident)
	end         func()        // closes quit, once
	quit        chan struct{} // closed by Stop
	ended       chan struct{} // closed when run has returned
	calls       Calls         // set by Start
	// wake makes run look at the mailbox, the steps and the deadline. One slot: a pending wake-up stands for all of
	// them.
	wake chan struct{}
	// pings is what Ping sends to. Unbuffered, so that Ping waits for run.
	pings chan struct{}

	closeFailing atomic.Bool  // an attempt to close has failed and none has succeeded since: see Notice
	deadline     atomic.Int64 // the machine's, a supervision.Instant; written by the holder of turn
	steps        pastSteps
	followers    followers
	// currentMonitor is nil if the loop current is not watched. SetContact replaces it.
	currentMonitor atomic.Pointer[currentMonitor]

	// turn is held while the machine is used. Unlock it with release.
	turn    sync.Mutex
	started bool
	stopped bool
	machine *supervision.Machine
	policy  supervision.Policy
	saved   supervision.SavedState
	events  []supervision.Event

	// owned by run
	incidents incidents
	fault     supervision.Incident // the last one that faulted received
	text      []byte
}

// NewLine returns an idle line. Nothing runs before Start.
func NewLine(o LineOptions) *Line {
	quit := make(chan struct{})
	l := &Line{
		name: o.Name, epoch: o.Epoch, log: o.Logger.With(zap.String("line", o.Name)),
		record: o.Record, save: o.Save, faulted: o.Fault,
		mailbox: &mailbox{}, quit: quit, end: sync.OnceFunc(func() { close(quit) }), ended: make(chan struct{}),
		wake:    make(chan struct{}, 1), // see wake
		pings:   make(chan struct{}),    // see pings
		machine: supervision.New(o.Policy), policy: o.Policy,
	}
	l.steps.changed.L = &l.steps.mu
	l.deadline.Store(int64(supervision.Never))
	l.policy.Steps = slices.Clone(o.Policy.Steps)
	l.machine.Restore(o.Saved)
	l.saved = l.machine.SavedState()
	l.incidents = newIncidents(o.Name, o.Remind, l.log)
	l.interrupter = newInterrupter(o.Contact, l.Post)
	l.currentMonitor.Store(l.monitorOf(o.Contact, o.Sense))
	return l
}

// Name returns the line's name, which never changes.
func (l *Line) Name() string { return l.name }

// Post gives an event to the machine, or puts it into the mailbox if the machine is in use. It neither blocks nor drops
// the event. The caller may hold locks, except those that the effects take (see [Calls]).
func (l *Line) Post(ev supervision.Event) {
	if m := l.currentMonitor.Load(); l.mailbox.put(ev) && m != nil {
		m.awaken()
	}
	l.stepFirst()
}

// closings is [mailbox.closings].
func (l *Line) closings() uint64 { return l.mailbox.closings() }

// postReading is Post for a reading of the loop current. See [mailbox.putReading].
func (l *Line) postReading(ev supervision.Event, closings uint64) (outdated bool) {
	outdated = l.mailbox.putReading(ev, closings)
	l.stepFirst()
	return outdated
}

// stepFirst gives the machine the event that has waited longest. If another goroutine uses the machine, that one wakes
// run for the event.
func (l *Line) stepFirst() {
	if !l.turn.TryLock() {
		return
	}
	defer l.release()
	if l.started {
		if ev, ok := l.mailbox.first(); ok {
			l.step(ev)
		}
	}
}

// release unlocks turn. An event posted meanwhile found turn locked, so release then looks at the mailbox.
func (l *Line) release() {
	l.turn.Unlock()
	if !l.mailbox.empty() {
		l.awaken()
	}
}

func (l *Line) awaken() {
	select {
	case l.wake <- struct{}{}:
	default: // a wake-up is pending
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

// SetPolicy changes the settings. They are in use when it returns. What is under way continues with the old settings.
// The policy must be valid. On a stopped line SetPolicy does nothing.
func (l *Line) SetPolicy(p supervision.Policy) {
	p.Steps = slices.Clone(p.Steps)
	l.turn.Lock()
	defer l.release()
	if l.stopped {
		return
	}
	l.policy = p
	now := time.Now()
	l.deadline.Store(int64(l.machine.SetPolicy(l.instant(now), p)))
	l.queueStep(pastStep{at: now})
	l.paceSense()
}

// Policy returns the settings in use.
func (l *Line) Policy() supervision.Policy {
	l.turn.Lock()
	defer l.release()
	p := l.policy
	p.Steps = slices.Clone(p.Steps)
	return p
}

// View returns the machine's state, once everything that led to it has been recorded. After Stop it returns the last
// state. Do not call it from a follower.
func (l *Line) View() supervision.View {
	l.turn.Lock()
	v, started := l.machine.View(), l.started
	l.release()
	if started {
		l.steps.await()
	}
	return v
}

// Ping returns when the machine can be used and the line's goroutine has logged and recorded what was waiting. It
// returns at once if the line does not run. A Ping that does not return shows that the line is stuck.
func (l *Line) Ping() {
	l.turn.Lock()
	started := l.started
	l.release()
	if !started {
		return
	}
	select {
	case l.pings <- struct{}{}:
	case <-l.ended:
	}
}

// Follow calls f with every event and effect of every later step, from the line's goroutine: f must not block. stop
// ends the calls. It may be called at any time, also from f. It does not wait: a call of f that has begun may still be
// running when stop returns.
func (l *Line) Follow(f func(callrecord.Entry)) (stop func()) { return l.followers.add(f) }

// Start starts the line. The machine's first event is TimePassed, with which it begins to monitor the line. Events that
// were posted before follow.
func (l *Line) Start(calls Calls) {
	l.turn.Lock()
	defer l.release()
	l.started = true
	l.calls = calls
	l.step(supervision.Event{Kind: supervision.TimePassed})
	go l.run()
	if m := l.currentMonitor.Load(); m != nil {
		m.start()
	}
}

// Stop ends the machine and what the contact is doing (an opening is closed), and waits until both have ended and all
// steps are recorded. The final close of the contact is part of the driver's shutdown.
func (l *Line) Stop() {
	l.turn.Lock()
	l.mailbox.end()
	l.stopped = true
	if !l.started {
		l.started = true
		go l.run() // records what SetPolicy has left
	}
	l.turn.Unlock()
	l.end()
	<-l.ended
	l.interrupter.end()
	if m := l.currentMonitor.Load(); m != nil {
		m.end()
	}
}

// AtRest reports whether the machine waits for nothing but the next check of an idle line, the contact is idle, and all
// steps are recorded. After Stop it returns true.
func (l *Line) AtRest() bool {
	l.turn.Lock()
	defer l.release()
	return l.atRest()
}

// atRest is AtRest. turn is held.
func (l *Line) atRest() bool {
	return l.stopped ||
		l.machine.AtRest() && l.mailbox.empty() && !l.interrupter.busy() && l.steps.empty()
}

func (l *Line) run() {
	defer close(l.ended)
	timer := time.NewTimer(time.Hour)
	for {
		l.publishAll()
		if now := l.instant(time.Now()); l.incidents.due(now) {
			l.incidents.remind(now)
		}
		l.set(timer)
		select {
		case <-l.quit:
			l.publishAll()
			return
		case <-timer.C:
			l.passTime()
		case <-l.wake:
			l.stepAll()
		case <-l.pings:
		}
	}
}

// stepAll gives the machine all events in the mailbox.
func (l *Line) stepAll() {
	if l.mailbox.empty() {
		return
	}
	l.turn.Lock()
	defer l.release()
	l.events = l.mailbox.take(l.events)
	for _, ev := range l.events {
		l.step(ev)
	}
}

// passTime steps the machine if its deadline has passed. It has not if the timer was set for an earlier deadline or for
// a reminder.
func (l *Line) passTime() {
	l.turn.Lock()
	defer l.release()
	if !l.stopped && l.instant(time.Now()) >= l.due() {
		l.step(supervision.Event{Kind: supervision.TimePassed})
	}
}

// set sets the line's one timer.
func (l *Line) set(timer *time.Timer) {
	next := min(l.due(), l.incidents.next) // Never is 292 years away
	timer.Reset(time.Until(l.epoch.Add(time.Duration(next))))
}

func (l *Line) due() supervision.Instant { return supervision.Instant(l.deadline.Load()) }

func (l *Line) instant(t time.Time) supervision.Instant { return supervision.Instant(t.Sub(l.epoch)) }

// step gives the machine an event and carries out the effects. Log and record get the time of the step, so that no
// consequence of an effect appears to precede it. run logs and records in its own goroutine, so that neither delays an
// effect. step wakes run before it carries out the effects, because the scheduler runs the most recently started
// goroutine first.
func (l *Line) step(ev supervision.Event) {
	defer l.crash()
	at := time.Now() // its wall-clock time is the current one, even if the clock was set right after the start
	effects, deadline := l.machine.Step(l.instant(at), ev)
	l.deadline.Store(int64(deadline))
	l.queueStep(pastStep{at: at, event: ev, effects: slices.Clone(effects)})
	l.paceSense()
	for i := range effects {
		l.do(&effects[i])
	}
}

// crash ends the process if the step panics. A poster may recover from panics of its own, and the line would then stay
// locked, perhaps with its loop open.
func (l *Line) crash() {
	if v := recover(); v != nil {
		text := fmt.Sprintf("line %s: %v\n%s", l.name, v, debug.Stack())
		go panic(text)
		select {}
	}
}

// queueStep queues for run what a step leaves to publish, and has run set the timer.
func (l *Line) queueStep(s pastStep) {
	if k := l.machine.SavedState(); k != l.saved {
		l.saved, s.saved, s.save = k, k, true
	}
	if s.save || len(s.effects) > 0 || s.hasEvent() {
		s.followers, s.fault = l.followers.list.Load(), l.machine.Fault()
		l.steps.put(s)
	}
	l.awaken()
}

// paceSense has the loop current read often while the line is busy.
func (l *Line) paceSense() {
	if m := l.currentMonitor.Load(); m != nil {
		m.pace(!l.machine.AtRest())
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
