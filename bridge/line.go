package bridge

import (
	"runtime"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/bridge/relay"
	"clearback/supervision"
	"clearback/supervision/story"
)

// LineOptions are what a [Line] is made of.
type LineOptions struct {
	Name    string
	Policy  supervision.Policy
	Contact relay.Contact
	// Epoch is the zero of the machine's time line; all lines of a process share it.
	Epoch  time.Time
	Logger *zap.Logger
	// Kept is what an earlier machine of the line knew.
	Kept supervision.Kept
	// Record, if not nil, takes every event and effect; it must not block. Keep, if not nil, takes what should outlive the process
	// whenever it changes; it must not block.
	Record func(story.Entry)
	Keep   func(supervision.Kept)
	// Sense says that the contact's loop-current input is to be watched in service: Seized and Released are posted.
	Sense bool
	// Remind is how often an incident that lasts is told to the log again; 0: never.
	Remind time.Duration
}

// Line runs the machine of one line. Post may be called from any goroutine, before Start too.
type Line struct {
	// set once
	name  string
	epoch time.Time
	log   *zap.Logger
	box   *mailbox
	open  *opener
	quit  chan struct{} // closed by Stop
	ended chan struct{} // closed when run has returned
	calls Calls

	// owned by run
	machine  *supervision.Machine
	deadline supervision.Instant
	text     []byte

	// rest is asked by AwaitRest and answered by run, so that no lock is needed
	rest chan chan bool
}

// NewLine returns a line at rest. Nothing runs before Start.
func NewLine(o LineOptions) *Line {
	l := &Line{
		name: o.Name, epoch: o.Epoch, log: o.Logger.With(zap.String("line", o.Name)),
		box: newMailbox(), quit: make(chan struct{}), ended: make(chan struct{}),
		machine: supervision.New(o.Policy), deadline: supervision.Never,
		rest: make(chan chan bool),
	}
	l.open = newOpener(o.Contact, l.Post)
	return l
}

// Name never changes.
func (l *Line) Name() string { return l.name }

// Post puts an event into the mailbox. It neither blocks nor drops.
func (l *Line) Post(ev supervision.Event) { l.box.put(ev) }

// SetPolicy changes the settings; it returns when they are in use. What is under way goes on as it began. The policy must be sound.
func (l *Line) SetPolicy(p supervision.Policy) {}

// Policy returns the settings in use.
func (l *Line) Policy() supervision.Policy { return supervision.Policy{} }

// View returns what the machine knows.
func (l *Line) View() supervision.View { return supervision.View{} }

// Follow calls f with every event and effect from now on, from the line's goroutine: f must not block. stop ends it.
func (l *Line) Follow(f func(story.Entry)) (stop func()) { return func() {} }

// Start starts the line's goroutine.
func (l *Line) Start(calls Calls) {
	l.calls = calls
	go l.run()
}

// Stop ends the goroutine and whatever the contact is doing (an opening is closed) and waits for both.
// Closing the contact for good, last of all, is the driver's shutdown.
func (l *Line) Stop() {
	close(l.quit)
	<-l.ended
	l.open.end()
	l.box.shut()
}

// AtRest tells whether the machine waits for nothing and the contact is idle. After Stop it is true.
func (l *Line) AtRest() bool {
	ask := make(chan bool, 1) // one answer, and run must not wait for an asker that went away
	select {
	case l.rest <- ask:
		return <-ask
	case <-l.ended:
		return true
	}
}

func (l *Line) run() {
	defer close(l.ended)
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	defer timer.Stop()
	var evs []supervision.Event
	for {
		select {
		case <-l.quit:
			return
		case ask := <-l.rest:
			ask <- l.deadline == supervision.Never && l.box.empty() && !l.open.busy()
			continue
		case <-timer.C:
			if l.now() < l.deadline {
				break // the timer was set for an earlier deadline
			}
			l.step(supervision.Event{Kind: supervision.TimePassed})
		case <-l.box.wake:
			evs = l.box.take(evs)
			for _, ev := range evs {
				l.step(ev)
			}
		}
		if l.deadline == supervision.Never {
			timer.Stop()
		} else {
			timer.Reset(time.Until(l.epoch.Add(time.Duration(l.deadline))))
		}
	}
}

func (l *Line) now() supervision.Instant { return supervision.Instant(time.Since(l.epoch)) }

// step carries out the effects first and writes about them afterwards: a slow log does not delay an effect.
func (l *Line) step(ev supervision.Event) {
	effects, deadline := l.machine.Step(l.now(), ev)
	l.deadline = deadline
	for i := range effects {
		l.do(&effects[i])
	}
	if len(effects) > 0 {
		runtime.Gosched() // what the effects started runs now, on this processor, instead of after the writing
	}
	if ev.Kind != supervision.TimePassed {
		l.write("event", zap.InfoLevel, ev.Call, ev.Append)
	}
	for i := range effects {
		l.write("effect", level(&effects[i]), effects[i].Call, effects[i].Append)
	}
}

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
		l.open.open(e.Seq, e.Interval, l.epoch.Add(time.Duration(e.NotAfter)))
	case supervision.CloseLoop:
		l.open.withdraw(e.Seq)
	case supervision.ProbeLine:
		l.calls.Probe()
	case supervision.Report, supervision.EffectNone: // only written down
	}
}

func (l *Line) write(message string, at zapcore.Level, call supervision.CallID, text func([]byte) []byte) {
	entry := l.log.Check(at, message)
	if entry == nil {
		return
	}
	l.text = text(l.text[:0])
	if call == 0 {
		entry.Write(zap.String("text", string(l.text)))
		return
	}
	entry.Write(zap.Uint64("call", uint64(call)), zap.String("text", string(l.text)))
}

// level: an incident is a warning, and so is a clearing that may leave a hold behind for another reason than the line's
// own rules.
func level(e *supervision.Effect) zapcore.Level {
	if e.Kind != supervision.Report {
		return zap.InfoLevel
	}
	if e.Report == supervision.ReportIncident {
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
