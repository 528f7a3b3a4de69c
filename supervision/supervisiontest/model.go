package supervisiontest

import (
	"slices"
	"time"

	"clearback/supervision"
)

// The bounds of the machine, written down a second time so that a mistake in its constants is noticed.
const (
	dialWindow  = 2 * time.Second        // invariant 11
	lateLimit   = time.Second            // invariant 11
	flashMargin = 100 * time.Millisecond // invariant 3
	openRoom    = 200 * time.Millisecond // max_interval is at least that much longer than every interval
	moves       = 100 * time.Millisecond // how late a contact may move
	absoluteMax = 3 * time.Second        // invariant 4
	probeLimit  = 500 * time.Millisecond // how long the machine may wait for the answer to a probe
	waitSlack   = time.Second            // allowance for probe and closing in the bound of a waiting call
	repeatSlack = 250 * time.Millisecond // how long a repeat may wait for the controller
	senseAhead  = 50 * time.Millisecond  // current that returns before the interval has ended by our count
	trialFloor  = 20 * time.Millisecond  // the shortest trial if pulse dialling is off
	mostRepeats = 2                      // of one clearing
	forgotten   = 32 * time.Second       // after this, an unanswered probe no longer counts
	legGone     = 65 * time.Second       // after this, an unconfirmed adapter leg no longer counts
)

// callModel is what events and effects alone show of one call.
type callModel struct {
	id                         supervision.CallID
	requested, emergency       bool
	resembles                  bool // its number may be read as an emergency number
	offered, answered          bool
	far, near, lost            bool // which end cleared
	refused                    bool
	legAsked, legDone          bool
	leg                        supervision.Answer
	legDoneAt                  supervision.Instant
	byeAt                      supervision.Instant
	clearing                   bool // answered, far end cleared, and its outcome not yet reported
	clearedAt                  supervision.Instant
	late                       time.Duration
	interrupted, wasUnanswered bool
	repeats                    int
	reached                    bool // an emergency call that the centre may know of
	crowded                    bool // cleared when the line had too many openings
	trial                      bool
	tuning                     bool // a tuning session's call
	dialled                    bool // a tuning call during which the adapter asked for another call
	onHookReports              int  // the adapter's reports of on hook while it is answered
	trialInterval              time.Duration
	adopted, heard             bool // answered before a restart; its leg was heard before our BYE
	waits                      bool
	waitBound                  supervision.Instant
}

// gone reports whether the adapter has no leg of the call and will not get one.
func (c *callModel) gone() bool {
	return c.refused || c.near || c.lost || c.legDone || c.far && !c.offered
}

// legEnded reports whether the adapter has answered that its leg has ended.
func (c *callModel) legEnded() bool {
	return c.legDone && (c.leg == supervision.AnswerConfirmed || c.leg == supervision.AnswerOther)
}

// onLine reports whether the call is ringing or in progress.
func (c *callModel) onLine() bool { return c.offered && !c.far && !c.near && !c.lost }

// loopModel is what events and effects show of the loop.
type loopModel struct {
	begun       bool // OpenLoop was handed out, no outcome yet
	opened      bool // LoopOpened arrived
	closing     bool // CloseLoop was handed out
	faulted     bool // its state is unknown
	unsure      bool // it was faulted before its end
	idle        bool // the fault came without an opening or a guard time, so no call waits for it
	flowed      bool // a trusted sensor reported current when the opening was commanded
	released    bool // and a sensor then reported that it stopped
	trial       bool
	stale       bool // the intervals have changed since
	guarding    bool // closed, and no event has ended the guard time yet
	openedAt    supervision.Instant
	maxBy       supervision.Instant // max_interval after the command
	spoiled     bool                // cut short, or not known to have opened: not verified
	seq         supervision.Seq
	call        supervision.CallID
	interval    time.Duration
	commandedAt supervision.Instant
	closeBy     supervision.Instant
	recognised  supervision.Instant // the adapter recognises on hook from here on
	before      supervision.Instant // the same, before this opening
	quietBy     supervision.Instant // end of the guard time
	since       supervision.Instant // when the disturbance began: at the command, or at the fault
}

// verification is the check of an interruption.
type verification struct {
	may, must bool // a probe may, or must, be sent
	asked     bool
	catch     bool // for a trial that opened nothing
	due       supervision.Instant
	call      supervision.CallID
	probed    bool // a probe was sent, even if the line has become untrusted since
	listen    listeningModel
}

// model follows a line by its events and effects. It does not look into the machine.
type model struct {
	policy       supervision.Policy
	calls        []callModel
	loop         loopModel
	verification verification
	stayed       int
	probes       int
	probedAt     supervision.Instant
	callbackBy   supervision.Instant

	byHand bool // an operator's pulse is under way, and its outcome has not been reported

	// about the present step
	known     bool // the event concerns something that is known
	seizure   bool // the near end came first: request, sensor or its own BYE
	wasBegun  bool // before the event: an opening without CloseLoop
	wasWanted bool // before the event: a clearing without an outcome
	answered  bool // the event answers the latest probe
	hookOff   bool // the answer in the check of an interruption says off hook
	hadGrace  bool // the interruption that is reported had a grace
	wasOpen   bool // before the event: the loop was not closed, or not known to be

	guardEnded  bool             // in this step
	heardBefore supervision.Hook // reported by a trusted sensor before this step
	sensorOff   bool             // off hook by the sensor at the first look, with no call on the line

	watch idleModel
	storm stormModel
	trust trustModel
}

func (t *model) reset(p supervision.Policy) {
	*t = model{policy: p, calls: t.calls[:0], storm: stormModel{openings: t.storm.openings[:0]}}
	t.watch.reset()
}

func (t *model) setPolicy(now supervision.Instant, p supervision.Policy) {
	if p.Interval != t.policy.Interval || !slices.Equal(p.Steps, t.policy.Steps) {
		t.stayed, t.loop.stale = 0, true
	}
	t.policy = p
	t.policy.ProbeTrusted = p.ProbeTrusted && !t.trust.distrusted
	t.trustChanged(now)
	if !t.policy.ProbeTrusted {
		t.watch.giveUp()
		t.verification.must, t.verification.asked = false, false
	}
}

// trustChanged is called when it has changed which sources of the hook state are trusted.
func (t *model) trustChanged(now supervision.Instant) {
	t.watch.since = supervision.Never // looks are planned anew
	if t.sensorHook() == supervision.HookOff && t.idle() {
		t.watch.offSince = min(t.watch.offSince, now)
	}
	t.verification.listen.lost = t.verification.listen.lost || !t.policy.ProbeTrusted && !t.sensorCounts()
}

// oneMore returns the count after one more hold that stayed. If the intervals have changed since, it is that of the
// first interval longer than the one that was too short.
func (t *model) oneMore() int {
	p := &t.policy
	if !t.loop.stale {
		return min(t.stayed+1, len(p.Steps))
	}
	longer := slices.IndexFunc(append([]time.Duration{p.Interval}, p.Steps...),
		func(d time.Duration) bool { return d > t.loop.interval })
	if longer < 0 {
		longer = len(p.Steps)
	}
	return max(t.stayed, longer)
}

func (t *model) find(id supervision.CallID) *callModel {
	for i := len(t.calls) - 1; i >= 0; i-- {
		if t.calls[i].id == id {
			return &t.calls[i]
		}
	}
	return nil
}

func (t *model) pendingClearing() *callModel {
	for i := range t.calls {
		if t.calls[i].clearing {
			return &t.calls[i]
		}
	}
	return nil
}

func (t *model) anyOnLine(but supervision.CallID) bool {
	for i := range t.calls {
		if c := &t.calls[i]; c.id != but && c.onLine() {
			return true
		}
	}
	return false
}

// anyLeg reports whether the adapter has, or may have, a leg of a call other than but.
func (t *model) anyLeg(but supervision.CallID) bool {
	for i := range t.calls {
		if c := &t.calls[i]; c.id != but && c.offered && !c.gone() {
			return true
		}
	}
	return false
}

func (t *model) bound(now supervision.Instant) supervision.Instant {
	p := &t.policy
	return now.Add(p.Lead + p.MaxInterval + p.OnHookRecognition + p.GuardTime + waitSlack)
}

// boundWaits bounds the wait of the calls that are waiting.
func (t *model) boundWaits(now supervision.Instant) {
	for i := range t.calls {
		if t.calls[i].waits {
			t.calls[i].waitBound = t.bound(now)
		}
	}
}

func (t *model) event(now supervision.Instant, ev *supervision.Event) {
	t.known, t.seizure, t.hookOff, t.answered, t.hadGrace = false, false, false, false, false
	t.heardBefore, t.trust.contradicted = t.sensorHook(), false
	for i := range t.calls {
		if c := &t.calls[i]; c.legAsked && !c.legDone && now > c.byeAt.Add(legGone) {
			c.legDone, c.leg, c.legDoneAt = true, supervision.AnswerNone, now
		}
	}
	t.wasBegun = t.loop.begun && !t.loop.closing && !t.loop.faulted
	t.wasWanted = t.pendingClearing() != nil
	t.wasOpen = t.loop.begun || t.loop.faulted
	t.guardOver(now, ev)
	t.stormEvent(now, ev)
	switch ev.Kind {
	case supervision.CallArrived, supervision.CallRequested, supervision.CallAdopted:
		t.newCall(now, ev)
	case supervision.AdapterLegHeard:
		if c := t.find(ev.Call); c != nil && c.adopted && c.onLine() {
			c.heard = true
		}
	case supervision.CallAnswered, supervision.FarEndCleared, supervision.NearEndCleared,
		supervision.AdapterLost, supervision.AdapterLegCleared:
		t.callEvent(now, ev)
	case supervision.LoopOpened, supervision.LoopClosed, supervision.LoopFailed, supervision.LoopUnknown:
		t.loopEvent(now, ev)
	case supervision.AttemptEnded:
		t.attempt(ev)
	case supervision.Seized:
		t.known, t.seizure = true, t.news(ev) && !t.holdCameBack(now) && !t.stillThere()
	case supervision.ProbeAnswered:
		if t.probes > 0 {
			t.probes--
			t.answered = t.probes == 0
			t.hookOff = t.answered && t.verification.asked && t.hookOf(ev) == supervision.HookOff && !t.mayRing()
		}
	case supervision.AdapterChanged, supervision.OnHookInCall:
		t.trustEvent(now, ev)
	case supervision.PulseRequested:
		t.known = true
	case supervision.TrialSet:
		t.trialSet(now, ev)
	case supervision.TrialCall:
		if c := t.find(ev.Call); c != nil && !c.gone() && !c.far {
			c.tuning = true
		}
	}
	t.catching(now, ev)
	t.watchEvent(now, ev)
	t.sensorOff = t.verification.may && !t.verification.catch && t.sensorHook() == supervision.HookOff &&
		!t.mayRing() && t.looks(now, ev)
	if t.seizure {
		t.verification.must = false
		t.loop.spoiled = t.loop.spoiled || t.loop.begun
	}
}

func (t *model) newCall(now supervision.Instant, ev *supervision.Event) {
	c0 := t.find(ev.Call)
	inUse := c0 != nil && (!c0.gone() || c0.clearing) || t.loop.begun && !t.loop.faulted && t.loop.call == ev.Call ||
		t.verification.catch && t.verification.call == ev.Call
	if ev.Call == 0 || inUse {
		return
	}
	t.known = true
	c := callModel{id: ev.Call, emergency: ev.Emergency}
	switch ev.Kind {
	case supervision.CallAdopted:
		c.resembles = ev.Number == supervision.NumberResembles
		c.adopted, c.answered, c.offered, t.seizure = true, true, true, true
		t.watch.callOnLine()
	case supervision.CallRequested:
		c.resembles = ev.Number == supervision.NumberResembles
		c.requested, c.offered, t.seizure = true, true, true
		for i := range t.calls {
			o := &t.calls[i]
			o.dialled = o.dialled || o.tuning && !o.gone() && !o.far
		}
		t.watch.callOnLine()
	default:
		c.waits, c.waitBound = true, t.bound(now)
	}
	t.calls = append(t.calls, c)
}

func (t *model) callEvent(now supervision.Instant, ev *supervision.Event) {
	c := t.find(ev.Call)
	if c == nil || c.gone() {
		// the adapter's BYE may cross ours and arrive after the answer to ours
		late := ev.Kind == supervision.NearEndCleared || ev.Kind == supervision.AdapterLost
		if late && c != nil && c.interrupted {
			c.near = true // nothing may open for this call from now on
		}
		if late && ev.Call != 0 && (c != nil && c.clearing || t.loop.begun && !t.loop.faulted &&
			t.loop.call == ev.Call || t.verification.catch && t.verification.call == ev.Call) {
			t.known, t.seizure = true, true
		}
		return
	}
	switch ev.Kind {
	case supervision.CallAnswered:
		if !c.offered || c.answered {
			return
		}
		c.answered = true
		t.watch.callOnLine()
		if c.far {
			t.clear(now, c)
		}
	case supervision.FarEndCleared:
		if c.far {
			return
		}
		c.far, c.late, c.waits = true, ev.Late, false
		c.wasUnanswered = !c.answered
		t.window(now, c)
		if c.answered {
			t.clear(now, c)
		}
	case supervision.NearEndCleared, supervision.AdapterLost:
		if !c.offered {
			return
		}
		c.near, c.lost = ev.Kind == supervision.NearEndCleared, ev.Kind == supervision.AdapterLost
		t.seizure = true
		if !c.far {
			t.window(now, c)
		}
	case supervision.AdapterLegCleared:
		if !c.legAsked {
			return
		}
		c.legDone, c.leg, c.legDoneAt = true, ev.Answer, now
	}
	t.known = true
}

func (t *model) clear(now supervision.Instant, c *callModel) {
	c.clearing, c.clearedAt = true, now
	c.crowded = t.storm.paused(now) || t.storm.full(now, &t.policy)
	t.boundWaits(now)
}

func (t *model) loopEvent(now supervision.Instant, ev *supervision.Event) {
	l := &t.loop
	mine := l.begun && ev.Seq == l.seq
	switch {
	case ev.Kind == supervision.LoopOpened && mine && !l.opened && !l.faulted:
		t.known, l.opened, l.openedAt = true, true, now
		l.recognised = now.Add(t.policy.OnHookRecognition)
	case ev.Kind == supervision.LoopClosed && (l.faulted || mine):
		t.known = true
		t.closed(now)
	case ev.Kind == supervision.LoopFailed && mine:
		t.known = true
		if l.opened {
			l.spoiled = true
			t.closed(now)
			return
		}
		l.begun, l.faulted, l.closing = false, false, false
		l.recognised = l.before
	case ev.Kind == supervision.LoopUnknown && !l.faulted && (ev.Seq == 0 || mine):
		t.known = true
		t.faulted(now)
	}
}

func (t *model) faulted(now supervision.Instant) {
	t.loop.since = t.loop.commandedAt
	t.loop.idle = !t.loop.begun && !t.loop.guarding
	if !t.loop.begun {
		t.loop.since = now
		if !t.loop.idle {
			t.boundWaits(now)
		}
		t.verification = verification{}
	}
	t.loop.faulted, t.loop.guarding, t.loop.unsure = true, false, t.loop.begun
	t.loop.spoiled = t.loop.spoiled || !t.loop.opened
	t.verification.must = false
}

func (t *model) closed(now supervision.Instant) {
	l := &t.loop
	l.quietBy, l.guarding = now.Add(t.policy.GuardTime), true
	t.sensorOutdated(now)
	if l.begun {
		t.verification = verification{may: !l.spoiled, must: !l.spoiled && t.policy.ProbeTrusted,
			due: max(l.quietBy, l.recognised), call: l.call}
	}
	l.begun, l.opened, l.closing, l.faulted = false, false, false, false
}
