package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// Rand is a small generator of random numbers (splitmix64, Steele, Lea, Flood 2014); its state is the seed.
type Rand uint64

// Next returns 64 random bits.
func (r *Rand) Next() uint64 {
	*r += 0x9e3779b97f4a7c15
	z := uint64(*r)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// Below returns a number from 0 to n-1.
func (r *Rand) Below(n int) int { return int(r.Next() % uint64(n)) }

// Of returns true with a probability of n percent.
func (r *Rand) Of(n int) bool { return r.Below(100) < n }

// Within returns a time from a to below b milliseconds, in steps of 1/16 ms.
func (r *Rand) Within(a, b int) time.Duration {
	return time.Duration(a)*time.Millisecond + time.Duration(r.Next()%uint64((b-a)*16))*(time.Millisecond/16)
}

type plannedEvent struct {
	at supervision.Instant
	ev supervision.Event
}

// simulatedCall is the simulator's state of a call.
type simulatedCall struct {
	id                 supervision.CallID
	offered, requested bool
	answered, gone     bool
}

// A Simulator makes random orders of events, one after the other. It simulates a far end, people, an adapter and a
// contact that answer the machine's effects plausibly. Some answers are late, lost, repeated, wrong or unexpected. It
// is not for concurrent use.
type Simulator struct {
	// Keep makes the simulator store the moments of the present order.
	Keep bool
	// Trace holds the moments of the present order, if Keep is set.
	Trace []Moment
	// Ends, if not nil, reports whether violations end an order. If it is nil, all do.
	Ends func([]Violation) bool
	// Tally counts over all orders.
	Tally Tally

	rand        Rand
	dialled     Rand // separate, so that dialled numbers change nothing else in an order
	readings    Rand // separate, so that how the sensor is read changes nothing else in an order
	doubts      Rand // separate, so that what contradicts the adapter's answers changes nothing else in an order
	adopted     Rand // separate, so that only orders with adopted calls change
	checker     *Checker
	plan        []plannedEvent
	calls       []simulatedCall
	first       supervision.Policy // of the present order
	policy      supervision.Policy
	flows       bool // current flows in the loop, as the sensor reports it
	next        supervision.CallID
	seq         supervision.Seq
	now         supervision.Instant
	occurrences occurrences
}

// NewSimulator returns a simulator.
func NewSimulator() *Simulator { return &Simulator{checker: NewChecker(supervision.Policy{})} }

// other returns p with the interval, the trust and the consent of another policy. The settings that bound the waiting
// of calls stay the same, so that one bound holds for the whole order.
func other(p supervision.Policy, o *supervision.Policy) supervision.Policy {
	q := p
	q.Interval, q.Steps = o.Interval, o.Steps
	if len(q.Check()) > 0 {
		q.Interval, q.Steps = p.Interval, p.Steps
	}
	q.LifeSafety, q.ProbeTrusted, q.SenseTrusted, q.Watch, q.Repeats = o.LifeSafety, o.ProbeTrusted, o.SenseTrusted,
		o.Watch, o.Repeats
	q.Listening, q.OpeningsPerMinute = o.Listening, o.OpeningsPerMinute
	return q
}

// Policies returns sound policies that together reach every branch.
func Policies() []supervision.Policy {
	const ms = time.Millisecond
	std := supervision.DefaultPolicy()
	probed, flash, steps, short, tight, safe := std, std, std, std, std, std
	probed.ProbeTrusted = true
	flash.FlashMax = 1000 * ms
	steps.ProbeTrusted, steps.Steps = true, []time.Duration{1000 * ms, 1300 * ms}
	steps.FlashMax = 900 * ms
	short.Interval, short.Lead, short.GuardTime, short.MaxInterval = 300*ms, 200*ms, 150*ms, 1000*ms
	short.OnHookRecognition, short.CallbackWindow, short.ProbeTrusted = 400*ms, time.Minute, true
	short.Watch = 0
	tight.Lead, tight.Interval, tight.MaxInterval = 1200*ms, 800*ms, 1000*ms
	safe.LifeSafety = true
	probed.Listening, steps.Listening, short.Listening = 5*time.Second, 2*time.Second, 700*ms
	sensed, both, watched, again := std, steps, short, probed
	sensed.Listening, both.Listening, watched.Listening = 3*time.Second, 0, 0
	both.Watch, watched.Watch = 10*time.Second, 5*time.Second
	sensed.SenseTrusted, sensed.Steps = true, []time.Duration{1100 * ms}
	both.SenseTrusted, both.Repeats = true, 1
	again.Repeats, again.Steps, again.OpeningsPerMinute = 2, []time.Duration{1000 * ms}, 4
	few, fewer, fewest := std, sensed, short
	few.OpeningsPerMinute, fewer.OpeningsPerMinute, fewest.OpeningsPerMinute = 3, 2, 1
	return []supervision.Policy{
		std, probed, flash, steps, probed, short, tight, steps, std, probed, steps, short, safe,
		sensed, both, watched, again, sensed, again, few, fewer, fewest, fewest,
	}
}

// Run tries one order made from seed on a machine made by build. It returns the violations, or nil.
func (w *Simulator) Run(seed uint64, build func(supervision.Policy) Stepper) []Violation {
	w.rand, w.dialled, w.readings, w.doubts = Rand(seed), Rand(^seed), Rand(seed^1<<63), Rand(seed^1<<62)
	w.adopted = Rand(seed ^ 1<<61)
	policies := Policies()
	p := policies[w.rand.Below(len(policies))]
	return w.order(p, build(p))
}

// stepsPerOrder bounds an order; most reach it.
const stepsPerOrder = 44

func (w *Simulator) order(p supervision.Policy, m Stepper) []Violation {
	w.checker.Reset(p)
	w.first, w.policy, w.flows = p, p, false
	w.plan, w.calls, w.Trace = w.plan[:0], w.calls[:0], w.Trace[:0]
	w.next, w.seq, w.now = 0, 0, supervision.Instant(w.rand.Within(0, 5000))
	w.occurrences = occurrences{}
	chaos := w.rand.Of(8)
	deadline := supervision.Never
	w.Tally.Orders++
	if w.doubts.Of(3) {
		w.plan = append(w.plan, plannedEvent{w.now.Add(w.doubts.Within(0, 60_000)),
			supervision.Event{Kind: supervision.AdapterChanged}})
	}
	w.adopt()
	for range stepsPerOrder {
		ev := w.choose(deadline, chaos)
		moment := Moment{Policy: w.reconsider(), Now: w.now, Event: ev}
		change(m, w.checker, &moment)
		w.occurrences.changed = w.occurrences.changed || moment.Policy != nil
		w.note(&ev)
		moment.Effects, moment.Deadline = m.Step(w.now, ev)
		deadline = moment.Deadline
		w.occurrences.awaited = w.occurrences.awaited || w.checker.model.awaitsReading() &&
			w.now >= w.checker.model.loop.quietBy
		effects := moment.Effects
		if w.Keep {
			kept := moment
			kept.Effects = append([]supervision.Effect(nil), effects...)
			w.Trace = append(w.Trace, kept)
		}
		if broken := w.checker.Observe(&moment); broken != nil && (w.Ends == nil || w.Ends(broken)) {
			return broken
		}
		if r := reported(&moment, supervision.ReportInterrupted); r != nil && w.checker.model.hadGrace {
			w.occurrences.listened = w.occurrences.listened || r.Hook == supervision.HookOff
			w.occurrences.hungUp = w.occurrences.hungUp || r.Hook == supervision.HookOn
		}
		for i := range effects {
			w.occurrences.take(&effects[i])
			c := w.checker.model.find(effects[i].Call)
			w.occurrences.adopted = w.occurrences.adopted || c != nil && c.adopted && c.interrupted
			w.answer(&effects[i])
		}
		w.Tally.Steps++
	}
	w.Tally.count(&w.occurrences)
	return nil
}

// note records which events came in which phase.
func (w *Simulator) note(ev *supervision.Event) {
	switch ev.Kind {
	case supervision.CallRequested, supervision.Seized:
		w.occurrences.seen[0][w.checker.Phase(w.now)] = true
	case supervision.CallArrived:
		w.occurrences.seen[1][w.checker.Phase(w.now)] = true
	}
}

// choose returns the next event and moves the time to it: a planned event, the machine's deadline, or something new.
func (w *Simulator) choose(deadline supervision.Instant, chaos bool) supervision.Event {
	first := -1
	for i := range w.plan {
		if first < 0 || w.plan[i].at < w.plan[first].at {
			first = i
		}
	}
	at := w.now.Add(w.rand.Within(1, 2500)) // something new
	if len(w.calls) == 0 || chaos && w.rand.Of(50) {
		at = w.now.Add(w.rand.Within(0, 60))
	}
	quiet := 12
	if w.checker.model.storm.by > 0 {
		quiet = 40 // until the storm is over
	}
	if w.rand.Of(quiet) && w.lively() == nil {
		at = w.now.Add(w.rand.Within(1000, 150_000*(1+w.rand.Below(3)))) // a quiet time, in which the line is watched
	}
	due := deadline
	if due != supervision.Never {
		switch {
		case w.rand.Of(1):
			due = due.Add(w.rand.Within(1, 900)) // a busy computer
		case w.rand.Of(50):
			due = due.Add(w.rand.Within(0, 3))
		}
	}
	switch {
	case first >= 0 && w.plan[first].at <= at && w.plan[first].at <= due:
		next := w.plan[first]
		w.plan[first] = w.plan[len(w.plan)-1]
		w.plan = w.plan[:len(w.plan)-1]
		w.now = max(w.now, next.at)
		if next.ev.Reading == supervision.ReadingRepeated {
			next.ev.Kind = w.current().Kind
		}
		w.sees(&next.ev)
		return next.ev
	case due <= at:
		w.now = max(w.now, due)
		return supervision.Event{Kind: supervision.TimePassed}
	}
	w.now = at
	if chaos && w.rand.Of(70) || w.rand.Of(2) {
		return w.nonsense()
	}
	return w.spontaneous()
}

// reconsider sometimes changes the policy.
func (w *Simulator) reconsider() *supervision.Policy {
	if !w.rand.Of(1) || w.rand.Of(50) {
		return nil
	}
	policies := Policies()
	p := other(w.policy, &policies[w.rand.Below(len(policies))])
	w.policy = p
	return &p
}

func (w *Simulator) after(d time.Duration, ev supervision.Event) {
	w.plan = append(w.plan, plannedEvent{w.now.Add(d), ev})
	if ev.Kind == supervision.LoopClosed || ev.Kind == supervision.LoopFailed {
		w.readAnew(d)
	}
	if w.rand.Of(2) {
		w.plan = append(w.plan, plannedEvent{w.now.Add(d + w.rand.Within(0, 700)), ev}) // repeated
	}
}
