package supervisiontest

import (
	"time"

	"clearback/supervision"
)

// idleModel is what is known of the sensor, of a line without a call, and of its incidents.
type idleModel struct {
	current         supervision.EventKind // Seized, Released, or none since the loop closed
	reading         readingModel
	since           supervision.Instant // when the line became idle; Never: it is not idle
	looked          bool                // a probe was sent since then
	asked           bool                // the answer to that probe is awaited
	lookedAt        supervision.Instant
	offSince        supervision.Instant // Never: not seen off hook, or it has carried a call since
	open            uint32              // the reasons of incidents that have not ended, one bit each
	pendingIncident pendingIncidentModel
	perhapsOn       bool // since the pending incident began, a look may have found the sensor on hook

	// about the present step
	off bool // the event is a trusted off hook on a line without a call
	at  bool // as off, and the line was first seen off hook at least Watch ago
}

type pendingIncidentModel struct {
	call supervision.CallID
	why  supervision.Incident
	rule supervision.Suppression
}

func (w *idleModel) reset() { *w = idleModel{since: supervision.Never, offSince: supervision.Never} }

// hasIncident reports whether an incident with that reason has not ended.
func (w *idleModel) hasIncident(why supervision.Incident) bool { return w.open&(1<<why) != 0 }

// hasLineIncident reports whether the line has an incident. A storm does not count, since it says nothing about the
// hook.
func (w *idleModel) hasLineIncident() bool {
	return w.open&^(1<<supervision.IncidentTooManyOpenings) != 0
}

// callOnLine: a call is answered or requested.
func (w *idleModel) callOnLine() {
	w.offSince, w.pendingIncident = supervision.Never, pendingIncidentModel{}
}

// giveUp: the look under way no longer says anything, as if it had not been made.
func (w *idleModel) giveUp() {
	w.looked, w.asked = w.looked && !w.asked, false
}

// hookOf returns the hook state that the machine may conclude from the answer to a probe. A trusted sensor decides. If
// neither is trusted, the state is unknown.
func (t *model) hookOf(ev *supervision.Event) supervision.Hook {
	if h := t.sensorHook(); h != supervision.HookUnknown {
		return h
	}
	if !t.policy.ProbeTrusted {
		return supervision.HookUnknown
	}
	return ev.Hook
}

// stuck reports whether the current did not stop although the loop was open.
func (t *model) stuck() bool {
	return t.loop.flowed && !t.loop.released && t.sensorHook() == supervision.HookOff
}

// holdCameBack reports whether current that starts now is the hold and not somebody who lifts a handset.
func (t *model) holdCameBack(now supervision.Instant) bool {
	l := &t.loop
	if !t.policy.SenseTrusted {
		return false
	}
	return l.guarding || l.begun && l.opened && !l.faulted && now >= l.openedAt.Add(l.interval-senseAhead)
}

// guardOver notes when an event tells the machine that the guard time has ended.
func (t *model) guardOver(now supervision.Instant, ev *supervision.Event) {
	t.guardEnded = false
	switch ev.Kind {
	case supervision.Seized:
		if t.policy.SenseTrusted && t.sensorHook() != supervision.HookOn {
			return // the first report since the closing is of the hold
		}
		fallthrough
	case supervision.FarEndCleared, supervision.CallAnswered, supervision.PulseRequested:
		if now >= t.loop.quietBy {
			t.guardEnded = t.loop.guarding
			t.loop.guarding = false
		}
	case supervision.TimePassed:
		if now >= t.guardBy() {
			t.guardEnded = t.loop.guarding
			t.loop.guarding = false
		}
	}
}

// idle reports whether the line has nothing to do and no call, not even one that waits.
func (t *model) idle() bool {
	return !t.loop.begun && !t.loop.faulted && !t.loop.guarding && t.pendingClearing() == nil && !t.verification.must &&
		!t.verification.asked && !t.verification.catch && !t.verification.listen.on && !t.anyCall()
}

func (t *model) anyCall() bool {
	for i := range t.calls {
		if !t.calls[i].gone() {
			return true
		}
	}
	return false
}

// trialBounds reports whether a trial may be set.
func (t *model) trialBounds(now supervision.Instant, ev *supervision.Event) bool {
	c, p := t.find(ev.Call), &t.policy
	if c == nil || c.gone() || !c.offered || !c.answered || c.far || c.emergency || c.resembles || c.adopted ||
		p.LifeSafety || t.inWindow(now) {
		return false
	}
	d, floor := ev.Interval, supervision.IntervalFloor
	if ev.PulseDiallingOff {
		floor = trialFloor
	}
	return d == 0 || d >= floor && d <= p.MaxInterval-openRoom && d <= absoluteMax-openRoom && d+p.Lead <= dialWindow
}

// attempt notes whether the emergency centre may know of an emergency call: the call rang or was answered there, or the
// service accepted it and did not refuse it.
func (t *model) attempt(ev *supervision.Event) {
	rang, answered := ev.Progress == supervision.ProgressRinging, ev.Code >= 200 && ev.Code < 300
	if c := t.find(ev.Call); c != nil {
		c.reached = c.reached || rang || answered || ev.Progress == supervision.ProgressTrying && ev.Code == 0
	}
}

func (t *model) window(now supervision.Instant, c *callModel) {
	if c.emergency && c.offered && (c.answered || c.reached || !c.requested) {
		t.callbackBy = max(t.callbackBy, now.Add(t.policy.CallbackWindow))
	}
}

func (t *model) inWindow(now supervision.Instant) bool {
	return t.callbackBy > 0 && now <= t.callbackBy
}

func (t *model) trialSet(now supervision.Instant, ev *supervision.Event) {
	if t.trialBounds(now, ev) {
		c := t.find(ev.Call)
		t.known, c.trial, c.trialInterval = true, true, ev.Interval
	}
}

// catching notes that a catch trial has reached the point at which another trial would open the loop.
func (t *model) catching(now supervision.Instant, ev *supervision.Event) {
	c := t.pendingClearing()
	if c == nil || !c.trial || c.trialInterval != 0 || t.policy.LifeSafety {
		return
	}
	unknown := c.legDone && c.leg == supervision.AnswerUnknown
	switch {
	case ev.Kind == supervision.TimePassed && !c.legDone && now >= c.clearedAt.Add(t.policy.Lead):
	case ev.Kind == supervision.AdapterLegCleared && c.legDoneAt == now && c.legDone && !unknown:
	case ev.Kind == supervision.AdapterLegCleared && unknown && t.sensorHook() == supervision.HookOff:
	case ev.Kind == supervision.ProbeAnswered && unknown && t.answered && t.hookOf(ev) == supervision.HookOff:
	default:
		return
	}
	c.clearing, c.interrupted = false, true
	quiet := max(t.policy.GuardTime, t.policy.OnHookRecognition)
	t.verification = verification{
		may: true, must: t.policy.ProbeTrusted, catch: true, call: c.id,
		due: max(now.Add(quiet), t.loop.recognised),
	}
}

// watchEvent notes what an event says about the hook state.
func (t *model) watchEvent(now supervision.Instant, ev *supervision.Event) {
	w := &t.watch
	w.off, w.at = false, false
	if ev.Kind == supervision.TimePassed && now >= w.lookedAt.Add(probeLimit) {
		w.asked = false
	}
	before, news := w.current, t.news(ev)
	t.sensorEvent(now, ev)
	if t.policy.SenseTrusted && news && (ev.Kind == supervision.Seized || ev.Kind == supervision.Released) {
		w.giveUp()
		if w.since != supervision.Never {
			w.since = now // the next look is planned anew
		}
	}
	switch ev.Kind {
	case supervision.Seized:
		if news && before == supervision.Released && !t.wasOpen && !t.loop.guarding && t.policy.SenseTrusted {
			w.pendingIncident, w.offSince = pendingIncidentModel{}, supervision.Never
		}
		if t.policy.SenseTrusted && t.seizure && t.idleSoon() {
			w.offSince = min(w.offSince, now)
			w.off = true
		}
	case supervision.Released:
		if t.policy.SenseTrusted && ev.Reading != supervision.ReadingBeforeClosing && t.idle() {
			t.seen(now, supervision.HookOn)
		}
	case supervision.LeftOffHook:
		busy := t.loop.begun || t.loop.faulted || t.loop.guarding || t.verification.must || t.verification.asked ||
			t.verification.catch || t.verification.listen.on
		w.off = !busy && t.pendingClearing() == nil && !t.mayRing()
	case supervision.ProbeAnswered:
		if !t.answered || !t.idle() {
			break
		}
		if w.asked && t.hookOf(ev) == supervision.HookOn {
			t.seen(now, supervision.HookOn)
		}
		w.off = w.asked && t.hookOf(ev) == supervision.HookOff
	case supervision.TimePassed:
		w.off = t.sensorHook() == supervision.HookOff && t.idle()
		w.perhapsOn = w.perhapsOn || t.sensorHook() == supervision.HookOn && t.idle()
	}
	if w.off && w.offSince != supervision.Never {
		w.at = t.policy.Watch > 0 && now >= w.offSince.Add(t.policy.Watch)
	}
	if w.off && ev.Kind != supervision.TimePassed && t.sensorHook() != supervision.HookOn &&
		!(ev.Kind == supervision.LeftOffHook && t.verification.may) {
		w.offSince = min(w.offSince, now)
	}
}

// mayRing reports whether a call is on the line or may still get there: an unanswered call, or one that counts until
// its leg is known to be cleared.
func (t *model) mayRing() bool {
	for i := range t.calls {
		if c := &t.calls[i]; c.onLine() || c.offered && !c.gone() && (!c.answered || c.emergency) {
			return true
		}
	}
	return false
}

// idleSoon reports whether only waiting calls, which a seizure refuses, keep the line from being idle.
func (t *model) idleSoon() bool {
	for i := range t.calls {
		if !t.calls[i].gone() && !t.calls[i].waits {
			return false
		}
	}
	return !t.loop.begun && !t.loop.faulted && !t.loop.guarding
}

// seen notes a trusted hook state of a line without a call.
func (t *model) seen(now supervision.Instant, h supervision.Hook) {
	switch h {
	case supervision.HookOn:
		t.watch.offSince, t.watch.pendingIncident = supervision.Never, pendingIncidentModel{}
	case supervision.HookOff:
		t.watch.offSince = min(t.watch.offSince, now)
	}
}

// notePendingIncident notes that the clearing of an answered call ended without an interruption, or that the near end
// came first.
func (t *model) notePendingIncident(ev *supervision.Event, ef *supervision.Effect, c *callModel) {
	if ef.Trial {
		return
	}
	t.watch.perhapsOn = false
	near := ev.Kind == supervision.Seized || ev.Kind == supervision.NearEndCleared || c.dialled
	switch {
	case ef.Report == supervision.ReportCancelled && near:
		t.watch.pendingIncident = pendingIncidentModel{call: c.id, why: supervision.IncidentSeized}
	case ef.Suppression == supervision.SuppressedAdopted: // an incident at once
		t.watch.pendingIncident = pendingIncidentModel{}
	case ef.Report == supervision.ReportSuppressed && !(ef.Suppression == supervision.SuppressedLate &&
		c.late > lateLimit):
		t.watch.pendingIncident = pendingIncidentModel{call: c.id, why: supervision.IncidentSuppressed,
			rule: ef.Suppression}
	}
}

// watchEnd updates the line after a whole step.
func (t *model) watchEnd(now supervision.Instant) {
	w := &t.watch
	switch {
	case !t.idle():
		w.since, w.looked, w.asked = supervision.Never, false, false
	case w.since == supervision.Never:
		w.since = now
	}
	switch h := t.sensorHook(); {
	case h == supervision.HookOff && t.idle():
		w.offSince = min(w.offSince, now)
	case h == supervision.HookOn && t.idle():
		w.offSince = supervision.Never
	}
}

// settled reports whether the line has been idle for so long that the sensor's state counts.
func (t *model) settled(now supervision.Instant) bool {
	w := &t.watch
	return w.since != supervision.Never && now >= w.since.Add(t.policy.OnHookRecognition) && now >= t.loop.recognised
}

// lookWithin returns the longest time until the next look at an idle line.
func (t *model) lookWithin() time.Duration {
	return max(t.policy.Watch, t.policy.OnHookRecognition) + probeLimit
}
