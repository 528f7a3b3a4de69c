package supervisiontest

import "clearback/supervision"

func (t *model) effect(now supervision.Instant, ev *supervision.Event, ef *supervision.Effect) {
	t.stormEffect(now, ef)
	switch ef.Kind {
	case supervision.OfferCall:
		if c := t.find(ef.Call); c != nil {
			c.offered, c.waits = true, false
		}
		t.verification.must = false
	case supervision.RefuseCall:
		if c := t.find(ef.Call); c != nil {
			c.refused, c.waits = true, false
		}
	case supervision.ClearAdapterLeg:
		if c := t.find(ef.Call); c != nil {
			c.legAsked, c.byeAt = true, now
		}
	case supervision.OpenLoop:
		t.opening(now, ef)
	case supervision.CloseLoop:
		t.loop.closing = true
	case supervision.ProbeLine:
		if t.probes > 0 && now > t.probedAt.Add(forgotten) {
			t.probes = 0
		}
		t.probes, t.probedAt = t.probes+1, now
		switch {
		case t.verification.listen.on:
			t.verification.listen.asked, t.verification.listen.askedAt = true, now
		case t.verification.may && t.pendingClearing() == nil && now >= t.verification.due:
			t.verification.asked, t.verification.probed, t.verification.must = true, true, false
		}
		if t.idle() {
			t.watch.lookedAt, t.watch.looked, t.watch.asked = now, true, true
		}
	case supervision.Report:
		t.reported(now, ev, ef)
	}
}

func (t *model) opening(now supervision.Instant, ef *supervision.Effect) {
	l := &t.loop
	before := l.recognised
	*l = loopModel{
		begun: true, seq: ef.Seq, call: ef.Call, interval: ef.Interval, commandedAt: now, before: before,
		recognised: now.Add(t.policy.OnHookRecognition), closeBy: now.Add(t.policy.MaxInterval),
		maxBy: now.Add(t.policy.MaxInterval), flowed: t.sensorHook() == supervision.HookOff,
	}
	t.verification = verification{}
	c := t.find(ef.Call)
	switch {
	case c == nil || ef.Call == 0:
		t.boundWaits(now)
	case c.interrupted:
		c.repeats++ // a repeat, which ends later than invariant 11 allows, with the user's consent
	default:
		c.clearing, c.interrupted, l.trial = false, true, c.trial
		l.closeBy = min(l.closeBy, c.byeAt.Add(dialWindow))
	}
}

func (t *model) reported(now supervision.Instant, ev *supervision.Event, ef *supervision.Effect) {
	c := t.find(ef.Call)
	switch ef.Report {
	case supervision.ReportSuppressed, supervision.ReportCancelled:
		if t.verification.catch && ef.Call == t.verification.call {
			t.verification = verification{}
		}
		if c != nil && c.far && c.answered {
			c.clearing = false
			t.notePendingIncident(ev, ef, c)
		}
	case supervision.ReportInterrupted:
		if ef.Hook == supervision.HookOff && ef.Call != 0 && !ef.Trial && !t.stuck() {
			t.stayed = t.oneMore()
		}
		t.hadGrace = t.verification.listen.on
		t.verification = verification{}
		t.watch.pendingIncident = pendingIncidentModel{}
		t.seen(now, ef.Hook)
	case supervision.ReportIncidentEnded:
		t.watch.open &^= 1 << ef.Incident
		if ev.Kind == supervision.TimePassed && t.sensorHook() == supervision.HookOn {
			t.watch.offSince = supervision.Never // a look at the sensor's state
		}
	case supervision.ReportIncident:
		t.watch.open |= 1 << ef.Incident
		if ef.Incident == supervision.IncidentSuppressed || ef.Incident == supervision.IncidentSeized {
			t.watch.pendingIncident = pendingIncidentModel{}
		}
		if c != nil && (ef.Incident == supervision.IncidentMissedNotAfter ||
			ef.Incident == supervision.IncidentByeUnanswered) {
			c.clearing = false
		}
		fault := ev.Kind == supervision.TimePassed && t.loop.begun || ev.Kind == supervision.LoopUnknown
		if fault && (ef.Incident == supervision.IncidentUnreachable || ef.Incident == supervision.IncidentLoopOpen) &&
			!t.loop.faulted {
			t.faulted(now)
		}
	}
}
