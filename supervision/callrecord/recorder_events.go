package callrecord

import (
	"slices"
	"time"

	"clearback/supervision"
)

// event handles an event. It ignores what the machine ignores.
func (t *Recorder) event(at time.Time, ev *supervision.Event) {
	switch ev.Kind {
	case supervision.CallArrived:
		t.arrived(at, ev, Incoming)
	case supervision.CallRequested:
		t.arrived(at, ev, Outgoing)
	case supervision.CallAdopted:
		t.adopted(at, ev)
	case supervision.CallAnswered:
		t.answered(at, t.find(ev.Call))
	case supervision.FarEndCleared:
		t.farEndCleared(at, t.find(ev.Call), ev)
	case supervision.NearEndCleared:
		t.nearEndCleared(at, t.find(ev.Call), ClearedByNearEnd)
	case supervision.AdapterLost:
		t.nearEndCleared(at, t.find(ev.Call), ClearedByLostAdapter)
	case supervision.AdapterLegCleared:
		if c := t.find(ev.Call); c != nil && c.ClearedBy == ClearedByFarEnd && c.offered && !c.legGone {
			c.legGone, c.Answer = true, ev.Answer
			t.change(c)
		}
	case supervision.LoopOpened:
		if ev.Seq != 0 && ev.Seq == t.last.seq {
			t.last.opened = true
		}
	case supervision.LoopClosed:
		t.loopClosed(ev)
	case supervision.LoopFailed:
		t.loopFailed(ev)
	case supervision.CallRefused:
		t.refused(at, ev)
	case supervision.AdapterRefused:
		t.adapterRefused(at)
	case supervision.AdapterRegistered:
		t.incidentEnded(at, supervision.IncidentAdapterRefused)
	default:
		// CallRinging, LoopUnknown, Seized, Released, CurrentUnreadable, LeftOffHook, FlashReported, ProbeAnswered,
		// PulseRequested, TimePassed, TrialSet, SoundMissing and FarEndSilent: the effects that follow say what
		// matters. SoundContested, AttemptEnded, AdapterChanged, OnHookInCall and AdapterLegHeard do not change an
		// account.
	}
}

func (t *Recorder) arrived(at time.Time, ev *supervision.Event, d Direction) {
	if ev.Call == 0 || t.find(ev.Call) != nil {
		return // a repetition, or a number in use
	}
	c := t.begin(at, ev.Call, d)
	c.Emergency = c.Emergency || ev.Emergency
	if d == Outgoing {
		c.offered = true
	}
}

// adopted begins the account of a call that was answered before a restart.
func (t *Recorder) adopted(at time.Time, ev *supervision.Event) {
	if ev.Call == 0 || t.find(ev.Call) != nil {
		return
	}
	c := t.begin(at, ev.Call, DirectionUnknown)
	c.Emergency = c.Emergency || ev.Emergency
	c.offered = true
	if c.Answered.IsZero() {
		c.Answered = at
	}
}

// refused records a call from the service that never reached the line.
func (t *Recorder) refused(at time.Time, ev *supervision.Event) {
	if ev.Call == 0 || t.find(ev.Call) != nil {
		return
	}
	c := t.begin(at, ev.Call, Incoming)
	c.Emergency = c.Emergency || ev.Emergency
	c.Evidence, c.refused = ev.Evidence, true
	t.settle(at, c, OutcomeRefused)
}

// adapterRefused begins the incident of a refused adapter. It lasts until the adapter registers.
func (t *Recorder) adapterRefused(at time.Time) {
	if slices.ContainsFunc(t.open, ofReason(supervision.IncidentAdapterRefused)) {
		return
	}
	t.openIncident(openIncident{Incident: Incident{Line: t.line, Reason: supervision.IncidentAdapterRefused,
		Began: at}})
}

func (t *Recorder) openIncident(i openIncident) {
	t.open = append(slices.DeleteFunc(t.open, ofReason(i.Reason)), i)
	t.incidents = append(t.incidents, i.Incident)
}

func (t *Recorder) answered(at time.Time, c *openAccount) {
	switch {
	case c == nil || !c.offered || c.legGone || !c.Answered.IsZero():
		return
	case !c.Cleared.IsZero() && at.Sub(c.Cleared) > accountLifetime:
		return // the machine has forgotten the leg
	case !c.Cleared.IsZero(): // the answer crossed our CANCEL: the near end is off hook in a call without a far end
		c.Rule = supervision.SuppressionNone
		t.reopen(c)
	}
	c.Answered = at
	t.change(c)
}

func (t *Recorder) farEndCleared(at time.Time, c *openAccount, ev *supervision.Event) {
	if c == nil || !c.Cleared.IsZero() {
		return // unknown, or the other end was first, or a repetition
	}
	c.Cleared, c.ClearedBy, c.Evidence, c.Late = at, ClearedByFarEnd, ev.Evidence, ev.Late
	t.change(c) // a report says what follows
}

// unanswered returns the outcome of a call that its far end, or this daemon, ended before it was answered.
func (c *openAccount) unanswered() Outcome {
	if c.Direction == Outgoing && (c.Evidence == supervision.EvidenceServiceLost ||
		c.Evidence == supervision.EvidenceShutdown) {
		return OutcomeRefused
	}
	return OutcomeNotNeeded
}

// nearEndCleared also handles a lost adapter.
func (t *Recorder) nearEndCleared(at time.Time, c *openAccount, by ClearedBy) {
	if c == nil || !c.offered || c.legGone {
		return // unknown, never offered, or a repetition
	}
	c.legGone = true
	if !c.Cleared.IsZero() {
		return // the far end was first; a report says what this cancels
	}
	c.Cleared, c.ClearedBy = at, by
	if by == ClearedByLostAdapter && !c.Answered.IsZero() {
		t.change(c) // a report says what follows
		return
	}
	t.settle(at, c, OutcomeNotNeeded)
}

func (t *Recorder) loopClosed(ev *supervision.Event) {
	if ev.Seq == 0 || ev.Seq != t.last.seq {
		return // not of an interruption, or of an earlier one
	}
	t.last.settled = true
	if c := t.last.of; c != nil && ev.Took > 0 && c.Measured == 0 {
		c.Measured = ev.Took
		t.change(c)
	}
}

func (t *Recorder) loopFailed(ev *supervision.Event) {
	if ev.Seq == 0 || ev.Seq != t.last.seq || t.last.settled {
		return // of an earlier interruption, or its outcome is known
	}
	t.last.settled = true
	c := t.last.of
	switch {
	case c == nil:
	case t.last.opened && ev.Took > 0:
		c.Measured = ev.Took
		t.change(c)
	case !t.last.opened && c.Openings > 0:
		c.Openings--
		t.change(c)
	}
}

// effect handles a decision of the machine.
func (t *Recorder) effect(at time.Time, ef *supervision.Effect) {
	switch ef.Kind {
	case supervision.OfferCall:
		if c := t.findOrBegin(at, ef.Call); c != nil {
			c.offered = true
		}
	case supervision.RefuseCall:
		if c := t.findOrBegin(at, ef.Call); c != nil && c.Cleared.IsZero() {
			c.Cleared, c.ClearedBy = at, ClearedByNearEnd
			t.settle(at, c, OutcomeNotNeeded)
		}
	case supervision.ClearAdapterLeg, supervision.ClearFarEnd:
		t.findOrBegin(at, ef.Call)
	case supervision.OpenLoop:
		t.openLoop(at, ef)
	case supervision.Report:
		t.report(at, ef)
	default:
		// CloseLoop and ProbeLine: later events and reports show their outcome
	}
}

func (t *Recorder) openLoop(at time.Time, ef *supervision.Effect) {
	c := t.findOrBegin(at, ef.Call)
	if c == nil {
		c = t.begin(at, 0, ByHand)
	}
	if c.Outcome != OutcomeInProgress {
		t.reopen(c) // a repeat
	}
	c.Openings++
	c.Asked, c.Measured = ef.Interval, 0
	c.Hook, c.Verified, c.Flash = supervision.HookUnknown, supervision.VerificationNone, false
	c.Trial = c.Trial || ef.Trial
	t.last = opening{seq: ef.Seq, of: c}
	t.change(c)
}

// of returns the account that a report belongs to, or nil if it belongs neither to a call nor to the latest pulse.
func (t *Recorder) of(at time.Time, ef *supervision.Effect) *openAccount {
	if ef.Call != 0 {
		return t.findOrBegin(at, ef.Call)
	}
	if ef.Seq != 0 && ef.Seq == t.last.seq {
		return t.last.of
	}
	return nil
}

func (t *Recorder) report(at time.Time, ef *supervision.Effect) {
	switch ef.Report {
	case supervision.ReportIncident:
		t.incident(at, ef)
		return
	case supervision.ReportIncidentEnded:
		t.incidentEnded(at, ef.Incident)
		return
	case supervision.ReportSuppressed, supervision.ReportCancelled, supervision.ReportInterrupted:
	default:
		return // ReportRefused concerns a command, ReportNextInterval and ReportTrustWithdrawn the line
	}
	c := t.of(at, ef)
	if c == nil {
		return
	}
	c.Trial, c.Flash = c.Trial || ef.Trial, c.Flash || ef.Flash
	if ef.Pending {
		t.pending = c // like the machine, which keeps only the latest
	}
	switch ef.Report {
	case supervision.ReportSuppressed:
		if ef.Trial && c.Asked == 0 {
			c.Asked = ef.Interval
		}
		t.suppressed(at, c, ef)
	case supervision.ReportCancelled:
		if ef.Trial && !c.Incident.OfCall() { // an earlier incident of the call itself stays
			c.Incident = ef.Incident
		}
		t.settle(at, c, OutcomeCancelled)
	case supervision.ReportInterrupted:
		t.interrupted(at, c, ef)
	}
}

func (t *Recorder) suppressed(at time.Time, c *openAccount, ef *supervision.Effect) {
	c.Rule = ef.Suppression
	if c.Rule == supervision.SuppressedUnanswered {
		t.settle(at, c, c.unanswered())
		return
	}
	if ef.Hook != supervision.HookUnknown {
		c.Hook, c.Verified = ef.Hook, ef.Verified
	}
	t.settle(at, c, OutcomeSuppressed)
}

func (t *Recorder) interrupted(at time.Time, c *openAccount, ef *supervision.Effect) {
	c.Hook, c.Verified = ef.Hook, ef.Verified
	o := OutcomeUnknown
	switch ef.Hook {
	case supervision.HookOn:
		o = OutcomeCleared
	case supervision.HookOff:
		o = OutcomeHoldStayed
	}
	t.settle(at, c, o)
}

func (t *Recorder) incident(at time.Time, ef *supervision.Effect) {
	c := t.of(at, ef)
	inc := Incident{
		Line: t.line, Call: ef.Call, Reason: ef.Incident, Rule: ef.Suppression, Flash: ef.Flash, Began: at,
	}
	t.openIncident(openIncident{inc, c})
	if c == nil {
		return
	}
	c.Incident, c.IncidentEnded = ef.Incident, time.Time{}
	c.Flash = c.Flash || ef.Flash
	if ef.Suppression != supervision.SuppressionNone {
		c.Rule = ef.Suppression
	}
	if ef.Incident.OfCall() && c.Outcome == OutcomeInProgress {
		t.change(c) // the call continues
		return
	}
	t.settle(at, c, OutcomeIncident)
}

// incidentEnded ends the incident with the given reason.
func (t *Recorder) incidentEnded(at time.Time, why supervision.Incident) {
	i := slices.IndexFunc(t.open, ofReason(why))
	if i < 0 {
		return
	}
	inc := t.open[i]
	t.open = slices.Delete(t.open, i, i+1)
	inc.Ended = at
	t.incidents = append(t.incidents, inc.Incident)
	if c := inc.of; c != nil && c.Incident == why && c.IncidentEnded.IsZero() {
		c.IncidentEnded = at
		t.change(c)
	}
}

// ofReason returns a function that reports whether an incident has the given reason.
func ofReason(why supervision.Incident) func(openIncident) bool {
	return func(i openIncident) bool { return i.Reason == why }
}

// ofContact reports whether an incident may be that of a contact that is not known to be closed.
func ofContact(why supervision.Incident) bool {
	return why == supervision.IncidentUnreachable || why == supervision.IncidentLoopOpen
}
