package supervision

import (
	"slices"
	"time"
)

// loopState is what the machine knows of the loop. It says nothing about calls; see [call] for those.
type loopState uint8

const (
	loopClosed   loopState = iota // current can flow; whether it does is not ours to know
	loopOpening                   // OpenLoop was handed out, the controller has not confirmed the opening
	loopOpen                      // the controller confirmed the opening
	loopGuarding                  // closed again, and quiet for the guard time
	loopFaulted                   // nobody knows whether the loop is open
)

// Machine decides about the loop of one line. It is not for concurrent use. [New] makes one.
//
// Two things that never mix. The calls of the line are a set, each with its own facts:
//
//	arrived (waits) ──offered──▶ ringing ──▶ answered ──▶ cleared by one end ──▶ adapter's leg cleared ──▶ gone
//	requested ─────────────────────────────▶ answered ──▶    "      "
//
// The loop has one state, and before an interruption begins there is one that is wanted:
//
//	            FarEndCleared of an answered call,
//	            none other on the line
//	     ┌──────────────────────────────────▶ wanted (the loop is still closed)
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
// LoopClosed also leads from opening to guarding, and LoopUnknown without a number from everywhere to faulted. A
// seizure, the adapter's own BYE or the guard of the opening sends CloseLoop in opening and open, and the state stays
// until the outcome is known. After the guard time of an interruption that nobody cut short its success is judged: at
// once by a trusted sensor, else by a probe if the line can be trusted to answer one; calls wait for that too. One
// whose first look said off hook is looked at again after the grace, and for that nobody waits; see listening.go. Where
// the user consented to repeats, a hold that stayed leads from closed to opening again. A line that can be trusted and
// has nothing else to do is looked at now and then; that never opens it.
type Machine struct {
	// set once
	policy Policy

	// calls.go
	calls      []call
	waiting    int     // calls that were not offered yet
	callbackBy Instant // end of the call-back window; 0 before the first emergency call has ended

	// interruption.go
	pendingOpening pendingOpening
	loop           loopState
	loopBy         Instant // deadline of the state: guard of the opening, end of the guard time; Never if none
	last           opening // the interruption under way, or the last one
	recognisedAt   Instant // from when on the adapter surely reads on hook after the last opening; 0: always
	offerBy        Instant // when waiting calls are offered whatever the loop does; set by disturb

	// verification.go
	check    check
	stayed   int // holds that stayed since New: index of the interval
	probes   int // ProbeLine without an answer yet
	probedAt Instant

	breaker         breaker         // breaker.go
	current         current         // loopcurrent.go
	watch           idleWatch       // idlewatch.go
	pendingIncident pendingIncident // pendingIncident.go

	// incident.go
	incident     Incident // not yet ended
	incidentCall CallID
	incidentRule Suppression
	fault        Incident // why the loop counts as faulted; IncidentNone: it does not

	out []Effect
}

// opening is one interruption, from its command on.
type opening struct {
	seq         Seq
	call        CallID // whose far end cleared; 0: by hand
	interval    time.Duration
	repeats     int     // how many openings this clearing has had before
	closeBy     Instant // no opening ends later: invariants 4 and 11
	openedAt    Instant // when LoopOpened came
	before      Instant // recognisedAt of the opening before, in case this one is not made
	opened      bool    // LoopOpened came
	closing     bool    // CloseLoop was handed out
	settled     bool    // its outcome is known
	verify      bool    // its success is to be checked and reported
	unconfirmed bool    // the adapter did not confirm that its leg is cleared
	faulted     bool    // nobody knows how long it was open
	stale       bool    // other intervals were set since
	trial       bool
	flash       bool // the adapter reported a hook flash
	flowed      bool // a trusted sensor saw current when it was commanded
	released    bool // a sensor saw the current stop since
	overtaken   bool // another call or the near end came since, and what is seen may tell of that: nothing is repeated
}

// New returns the machine of a line at rest: no call, loop closed. A line that is watched is looked at as soon as Step
// is called with TimePassed for the first time.
func New(p Policy) *Machine {
	p.Steps = slices.Clone(p.Steps)
	m := &Machine{
		policy:         p,
		calls:          make([]call, 0, 4),
		out:            make([]Effect, 0, 8),
		loopBy:         Never,
		last:           opening{settled: true},
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

// Step takes one event at the time now and returns what to do, in order, and the instant at which Step
// is to be called next with TimePassed (Never: not at all; it may lie in the past if the caller is late). The slice
// is valid until the next Step. An event that is out of place changes nothing.
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
		m.seized(now)
	case Released:
		m.released(now)
	case LeftOffHook:
		m.leftOffHook(now)
	case FlashReported:
		m.flashReported(&ev)
	case TrialSet:
		m.trialSet(now, &ev)
	case SoundContested:
		// nothing to decide: it is for people to know
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
	case CallRefused, AdapterRefused, AdapterRegistered:
		// nothing to decide: nothing of it came to the line
	case EventNone, eventKinds:
		// nothing happened
	default:
		// a kind that this version does not know: ignored
	}
	m.offerWaiting(now)
	m.watchIdle(now)
	return m.out, m.deadline()
}

// catchUp ends a guard time that is over although nobody has said so yet, before an event that it would hinder or that
// would be read wrongly in it. An answer is no such event: it cannot belong to a probe that only this would send.
func (m *Machine) catchUp(now Instant, k EventKind) {
	if m.loop != loopGuarding || now < m.loopBy {
		return
	}
	switch k {
	case FarEndCleared, CallAnswered, PulseRequested:
		m.becomeClosed(now)
	case Seized:
		if m.sensorHook() == HookOn || !m.policy.SenseTrusted { // else the first word since the closing: of the hold
			m.becomeClosed(now)
		}
	}
}

// timePassed lets each part that is due go on; none of them leaves its deadline where it was.
func (m *Machine) timePassed(now Instant) {
	if now >= m.pendingOpening.by {
		m.pendingDue(now)
	}
	if now >= m.loopBy {
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
	return min(m.pendingOpening.by, m.loopBy, m.check.by, m.breaker.by, m.offerDeadline())
}

func (m *Machine) emit(kind EffectKind, id CallID) {
	m.out = append(m.out, Effect{Kind: kind, Call: id})
}

func (m *Machine) suppress(id CallID, why Suppression) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportSuppressed, Call: id, Suppression: why})
}

// cancelled reports that the near end came first.
func (m *Machine) cancelled(id CallID, trial bool) {
	m.out = append(m.out, Effect{Kind: Report, Report: ReportCancelled, Call: id, Trial: trial})
}
