package supervision

import "slices"

// LoopState is what the machine knows of the loop. It says nothing about calls; see [call] for those.
type LoopState uint8

// The states of the loop.
const (
	StateClosed   LoopState = iota // current can flow; the state does not say whether it does
	StateOpening                   // OpenLoop was handed out; the controller has not confirmed the opening
	StateOpen                      // the controller confirmed the opening
	StateGuarding                  // closed again; no command and no call for the guard time
	StateFaulted                   // nobody knows whether the loop is open
	loopStates
)

// Machine decides about the loop of one line. It is not for concurrent use. [New] returns one.
//
// It keeps two kinds of state apart. The calls of the line are a set, and each call has its own facts:
//
//	arrived (waits) ──offered──▶ ringing ──▶ answered ──▶ cleared by one end ──▶ adapter's leg cleared ──▶ gone
//	requested ─────────────────────────────▶ answered ──▶    "      "
//	                              adopted ─▶ answered ──▶    "      "
//
// The loop has one state. Before an interruption begins, it is pending:
//
//	            FarEndCleared of an answered call,
//	            none other on the line
//	     ┌──────────────────────────────────▶ pending (the loop is still closed)
//	     │ ◀── seizure, near-end clearing ───   │ leg cleared, or lead is over,
//	     │     or no trusted "off hook"         │ or trusted "off hook" after 481
//	     │                                      ▼
//	┌─────────┐ ◀──────── LoopFailed ──── ┌───────────┐
//	│ closed  │ ── PulseRequested ──────▶ │  opening  │ ─── CloseLoop unanswered ─────┐
//	└─────────┘                           └───────────┘     or LoopUnknown            │
//	     ▲                                      │ LoopOpened                          │
//	     │ guard time                           ▼                                     ▼
//	┌──────────┐ ◀──────── LoopClosed ─── ┌───────────┐ ── CloseLoop unanswered ─▶ ┌─────────┐
//	│ guarding │                          │   open    │    or LoopUnknown          │ faulted │
//	└──────────┘                          └───────────┘                            └─────────┘
//	     ▲                                                                              │
//	     └──────────────────────────── LoopClosed ──────────────────────────────────────┘
//
// LoopClosed also leads from opening to guarding. LoopUnknown without a Seq leads from every state to faulted.
//
// In opening and open, a seizure, the adapter's own BYE or the deadline loopBy sends CloseLoop. The state does not
// change until the outcome is known.
//
// After the guard time, an interruption that nothing cut short is verified. A trusted sensor decides at once. The guard
// time lasts until that sensor has been read; see loopcurrent.go. Otherwise a probe decides, if the line can be trusted
// to answer it. New calls wait for the decision. If this first look finds the line off hook, a second look follows
// after Policy.Listening, and calls do not wait for it; see listening.go. If the user consented to repeats, a hold that
// stayed leads from closed to opening again.
//
// A trusted line that has nothing else to do is checked every Policy.Watch. That never opens the loop.
type Machine struct {
	// set once
	policy Policy

	// calls.go
	calls      []call
	waiting    int     // calls that were not offered yet
	callbackBy Instant // end of the call-back window; 0 until an emergency call has ended

	// interruption.go
	pendingOpening pendingOpening
	loop           LoopState
	loopBy         Instant // deadline of the state: latest end of the opening, or end of the guard time; Never: none
	last           opening // the current interruption, or else the last one
	recognisedAt   Instant // when the adapter surely recognises on hook after the last opening; 0: it does already
	offerBy        Instant // when waiting calls are offered even if the loop is not closed; set by beginDisturbance

	// verification.go
	check           check
	stayed          int // holds that stayed since New; selects the interval
	probes          int // ProbeLine effects that have not been answered
	probedAt        Instant
	probeDistrusted bool // answers to ProbeLine have proved wrong; see trust.go

	breaker         breaker         // breaker.go
	sensor          currentSensor   // loopcurrent.go
	watch           idleWatch       // idlewatch.go
	pendingIncident pendingIncident // pendingincident.go

	// incident.go
	incident     Incident // the line's incident, until it ends
	incidentCall CallID
	incidentRule Suppression
	fault        Incident // why the loop counts as faulted; IncidentNone: it does not

	out []Effect
}

// New returns the machine of a line at rest: no call, loop closed. If the line is watched, the first Step with
// TimePassed checks it.
func New(p Policy) *Machine {
	p.Steps = slices.Clone(p.Steps)
	m := &Machine{
		policy:         p,
		calls:          make([]call, 0, 4),
		out:            make([]Effect, 0, 8),
		loopBy:         Never,
		last:           opening{stage: stageJudged, openedAt: Never},
		pendingOpening: pendingOpening{by: Never},
		check:          check{by: Never},
		watch:          idleWatch{offSince: Never},
		breaker:        breaker{by: Never},
	}
	if m.trusted() && p.Watch > 0 {
		m.becomeChecking(checkOffHook, 0)
	}
	return m
}

// Step handles one event at the time now. It returns the effects, in order, and the instant at which the caller has to
// call Step with TimePassed. Never means that no such call is needed. The instant is in the past if the caller is late.
// The slice is valid until the next Step. An event that is out of place changes nothing.
func (m *Machine) Step(now Instant, ev Event) ([]Effect, Instant) {
	m.out = m.out[:0]
	m.dropUnconfirmedLegs(now)
	m.catchUp(now, ev.Kind)
	switch ev.Kind {
	case CallArrived:
		m.callArrived(&ev)
	case CallRequested:
		m.callRequested(now, &ev)
	case CallRinging:
		// nothing to decide: an offered call is on the line whether it rings or not
	case CallAnswered:
		m.callAnswered(now, &ev)
	case FarEndCleared:
		m.farEndCleared(now, &ev)
	case NearEndCleared:
		m.nearEndCleared(now, &ev)
	case AdapterLost:
		m.adapterLost(now, &ev)
	case AdapterLegCleared:
		m.adapterLegCleared(now, &ev)
	case LoopOpened:
		m.loopOpened(now, &ev)
	case LoopClosed:
		m.loopClosed(now, &ev)
	case LoopFailed:
		m.loopFailed(now, &ev)
	case LoopUnknown:
		m.loopUnknown(now, &ev)
	case Seized:
		m.seized(now, &ev)
	case Released:
		m.released(now, &ev)
	case CurrentUnreadable:
		m.setFreshness(now, currentUnread)
	case AdapterChanged:
		m.distrustProbe(now, 0)
	case OnHookInCall:
		m.onHookInCall(now, &ev)
	case CallAdopted:
		m.callAdopted(now, &ev)
	case AdapterLegHeard:
		m.adapterLegHeard(&ev)
	case LeftOffHook:
		m.leftOffHook(now)
	case FlashReported:
		m.flashReported(&ev)
	case TrialSet:
		m.trialSet(now, &ev)
	case SoundContested:
		// nothing to decide: the event is only recorded
	case SoundMissing:
		m.soundMissing(&ev)
	case TrialCall:
		m.trialCall(&ev)
	case AttemptEnded:
		m.attemptEnded(&ev)
	case FarEndSilent:
		m.farEndSilent(&ev)
	case ProbeAnswered:
		m.probeAnswered(now, &ev)
	case PulseRequested:
		m.pulseRequested(now, &ev)
	case TimePassed:
		m.timePassed(now)
	default:
		// CallRefused, AdapterRefused and AdapterRegistered never reached the line, so there is nothing to decide.
		// EventNone and kinds that this version does not know are ignored.
	}
	m.offerWaiting(now)
	m.watchIdle(now)
	m.markPending()
	return m.out, m.deadline()
}

// catchUp ends a guard time that has run out before its TimePassed arrived. It does so before events that the guard
// time would hinder or misread. ProbeAnswered is not among them: the probe that follows the guard time has not been
// sent, so the answer belongs to an earlier one.
func (m *Machine) catchUp(now Instant, k EventKind) {
	if m.loop != StateGuarding || now < m.loopBy {
		return
	}
	switch k {
	case FarEndCleared, CallAnswered, PulseRequested:
		m.becomeClosed(now)
	case Seized:
		// If a trusted sensor has not said on hook since the closing, this first report of current is the hold.
		if m.sensorHook() == HookOn || !m.policy.SenseTrusted {
			m.becomeClosed(now)
		}
	}
}

// timePassed handles each deadline that has passed, and each handler sets its deadline anew.
func (m *Machine) timePassed(now Instant) {
	if now >= m.pendingOpening.by {
		m.pendingDue(now)
	}
	if now >= m.loopDeadline() {
		m.loopDue(now)
	}
	if now >= m.breaker.by {
		m.breakerDue(now)
	}
	if now >= m.check.by {
		m.checkDue(now)
	}
}

func (m *Machine) deadline() Instant {
	return min(m.pendingOpening.by, m.loopDeadline(), m.check.by, m.breaker.by, m.offerDeadline())
}

// loopDeadline returns the deadline of the loop's state. The guard time may have to wait for a reading.
func (m *Machine) loopDeadline() Instant {
	if m.awaitsReading() {
		return max(m.loopBy, m.recognisedAt)
	}
	return m.loopBy
}

func (m *Machine) emit(kind EffectKind, id CallID) {
	m.out = append(m.out, Effect{Kind: kind, Call: id})
}

func (m *Machine) suppress(id CallID, why Suppression) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportSuppressed, Call: id, Suppression: why})
}

// cancelled reports that the near end prevented or ended an interruption: that of a call, or an operator's pulse.
func (m *Machine) cancelled(id CallID, pulse Seq, trial bool) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportCancelled, Call: id, Seq: pulse, Trial: trial})
}
