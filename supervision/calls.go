package supervision

import (
	"slices"
	"time"
)

// leg is the state of the adapter's leg of a call.
type leg uint8

const (
	legNone     leg = iota // not offered yet: the call waits
	legUp                  // offered or requested
	legClearing            // ClearAdapterLeg was handed out
)

// call is one call of the line. A call is removed from the set when its adapter leg has cleared or when the near end
// has cleared. Whether an offered call rings is not recorded: it may ring as soon as it is offered.
type call struct {
	id            CallID
	emergency     bool
	resembles     bool // its number may be read as an emergency number
	answered      bool
	soundless     bool // reported as being without audio
	requested     bool // the adapter asked for it
	reached       bool // for an unanswered emergency call: the centre may know of it
	leg           leg
	adoption      adoption
	far           bool          // the far end has cleared
	tuning        bool          // it is a tuning session's call
	onHookReports int           // how often the adapter has answered on hook although this call is answered
	dialled       bool          // the adapter asked for another call during this tuning call
	trial         bool          // its clearing is a trial of interval
	byeAt         Instant       // when ClearAdapterLeg was handed out
	late          time.Duration // how long ago the far end had cleared when that was learnt
	interval      time.Duration
}

// onLine reports whether the call is on the line or may still get there. An unanswered call whose CANCEL is not
// confirmed may still ring or be answered. An emergency call counts until its leg is known to be cleared.
func (c *call) onLine() bool {
	return c.leg == legUp || c.leg == legClearing && (!c.answered || c.emergency)
}

func (m *Machine) find(id CallID) *call {
	for i := range m.calls {
		if m.calls[i].id == id {
			return &m.calls[i]
		}
	}
	return nil
}

func (m *Machine) remove(id CallID) {
	for i := range m.calls {
		if m.calls[i].id == id {
			m.calls = append(m.calls[:i], m.calls[i+1:]...)
			return
		}
	}
}

// dropUnconfirmedLegs removes calls whose adapter leg has not been confirmed cleared for legTimeout. Otherwise one
// lost answer could prevent every later opening of the line.
func (m *Machine) dropUnconfirmedLegs(now Instant) {
	for i := 0; i < len(m.calls); {
		if c := &m.calls[i]; c.leg == legClearing && now > c.byeAt.Add(legTimeout) {
			m.calls = append(m.calls[:i], m.calls[i+1:]...)
			continue
		}
		i++
	}
}

// otherOnLine reports whether a call other than id is on the line.
func (m *Machine) otherOnLine(id CallID) bool {
	for i := range m.calls {
		if c := &m.calls[i]; c.id != id && c.onLine() {
			return true
		}
	}
	return false
}

// otherLeg reports whether the adapter has not yet confirmed the clearing of another call's leg.
func (m *Machine) otherLeg(id CallID) bool {
	for i := range m.calls {
		if c := &m.calls[i]; c.id != id && c.leg == legClearing {
			return true
		}
	}
	return false
}

// callExists reports whether id is zero or already in use, so that no new call can have it.
func (m *Machine) callExists(id CallID) bool {
	return id == 0 || m.find(id) != nil || m.interruptedFor(id)
}

func (m *Machine) callArrived(ev *Event) {
	if m.callExists(ev.Call) {
		return // a repetition, or an identity that is in use
	}
	m.calls = append(m.calls, call{id: ev.Call, emergency: ev.Emergency})
	m.waiting++
	m.last.makeUnclear()
	// offerWaiting does the rest
}

// callRequested handles a seizure. It ends an opening before it does anything else.
func (m *Machine) callRequested(now Instant, ev *Event) {
	if m.callExists(ev.Call) {
		return // a repetition, or an identity that is in use
	}
	m.seizure(now)
	m.lineHasCall()
	m.endIncident()
	m.adapterDialled()
	m.calls = append(m.calls, call{id: ev.Call, emergency: ev.Emergency, resembles: ev.Number == NumberResembles,
		requested: true, leg: legUp})
	m.last.makeUnclear()
	if ev.Emergency && ev.Number == NumberUnlistedPrefix {
		m.reportOfCall(ev.Call, IncidentUnlistedPrefix)
	}
}

// seizure withdraws a pending opening, ends a begun one and refuses the calls that wait for it (invariants 5 and 6).
func (m *Machine) seizure(now Instant) {
	m.setPendingSeized(m.cancel(now))
	m.dropCheck(now)
	m.calls = slices.DeleteFunc(m.calls, func(c call) bool {
		if c.leg != legNone {
			return false
		}
		m.out = append(m.out, Effect{Kind: RefuseCall, Call: c.id, Code: busyHere})
		return true
	})
	m.waiting = 0
}

// busyHere is the status for a call that waited when the near end went off hook: 486, RFC 3261 section 21.4.24.
const busyHere = 486

// callAnswered: if the far end has already cleared, this answer crossed our CANCEL. The near end is then off hook in a
// call without a far end, and the call is treated as if its far end cleared now. The limit of invariant 11 still counts
// from our CANCEL.
func (m *Machine) callAnswered(now Instant, ev *Event) {
	c := m.find(ev.Call)
	if c == nil || c.leg == legNone || c.answered {
		return // unknown, never offered, or a fork's second answer
	}
	c.answered = true
	m.dropListening(now)
	m.lineHasCall()
	if c.far {
		m.considerOpening(now, c)
		return
	}
	m.endIncident()
}

func (m *Machine) farEndCleared(now Instant, ev *Event) {
	c := m.find(ev.Call)
	if c == nil || c.far {
		return // unknown, gone, or a repetition
	}
	tell := ev.Evidence != EvidenceBye // the far end does not know yet
	if c.leg == legNone {
		m.remove(ev.Call)
		m.waiting--
		if tell {
			m.emit(ClearFarEnd, ev.Call)
		}
		m.suppress(ev.Call, SuppressedUnanswered)
		return // the caller gave up while waiting
	}
	c.far, c.leg, c.byeAt, c.late = true, legClearing, now, ev.Late
	m.emit(ClearAdapterLeg, c.id)
	if tell {
		m.emit(ClearFarEnd, c.id)
	}
	m.openCallbackWindow(now, c)
	if !c.answered {
		m.suppress(c.id, SuppressedUnanswered)
		m.unanswered(c, IncidentEmergencyFailed)
		return
	}
	m.considerOpening(now, c)
}

// nearEndCleared never opens the loop (invariant 8). It cancels an interruption (invariant 6).
func (m *Machine) nearEndCleared(now Instant, ev *Event) {
	c := m.find(ev.Call)
	switch {
	case c == nil && m.interruptedFor(ev.Call):
		m.setPendingSeized(m.cancel(now)) // a BYE that crossed ours, after the leg's answer
		return
	case c == nil || c.leg == legNone:
		m.noteNearEndCleared(ev.Call)
		return // unknown, or never offered
	}
	m.setPendingSeized(m.cancel(now))
	if !c.far {
		m.emit(ClearFarEnd, c.id)
		m.openCallbackWindow(now, c)
		m.unanswered(c, IncidentEmergencyAbandoned)
	}
	m.remove(ev.Call)
}

// noteNearEndCleared prevents the repetition of an interruption that is over, since the near end of its call has
// cleared.
func (m *Machine) noteNearEndCleared(id CallID) {
	if id == m.last.call {
		m.last.makeUnclear()
	}
}

// interruptedFor reports whether an interruption for that call is pending, under way or being checked.
func (m *Machine) interruptedFor(id CallID) bool {
	begun := m.loop == StateOpening || m.loop == StateOpen
	return id != 0 && (id == m.pendingOpening.call || begun && id == m.last.call || id == m.check.call)
}

// adapterLost ends the call towards the far end and opens nothing. The near end did nothing, so no incident is pending.
func (m *Machine) adapterLost(now Instant, ev *Event) {
	c := m.find(ev.Call)
	switch {
	case c == nil && m.interruptedFor(ev.Call):
		m.cancel(now)
		return
	case c == nil || c.leg == legNone:
		m.noteNearEndCleared(ev.Call)
		return // unknown, or never offered
	}
	m.cancel(now)
	if !c.far {
		m.emit(ClearFarEnd, c.id)
		m.openCallbackWindow(now, c)
		m.unanswered(c, IncidentEmergencyAbandoned)
		if c.answered {
			m.suppress(c.id, SuppressedNearEnd)
		}
	}
	m.remove(ev.Call)
}

func (m *Machine) adapterLegCleared(now Instant, ev *Event) {
	c := m.find(ev.Call)
	if c == nil || c.leg != legClearing {
		return // unknown, or ClearAdapterLeg was not sent
	}
	m.remove(ev.Call)
	switch {
	case m.pendingOpening.call == ev.Call && m.pendingOpening.wait == waitLeg:
		m.pendingLegCleared(now, ev.Answer)
	case m.last.call == ev.Call && ev.Answer.legEnded() && m.last.doubt == doubtLeg:
		m.last.doubt = doubtNone // confirmed late: a leg that is still up cannot explain a hold that stays
	}
}

// hindrance is what makes a call wait.
type hindrance uint8

const (
	hindranceNone    hindrance = iota
	hindrancePending           // an interruption is pending
	hindranceOpening           // the loop is open, or may be at any moment
	hindranceGuard             // the guard time
	hindranceCheck             // the result of an interruption is being checked
	hindranceFault             // nobody knows whether the loop is open
)

func (m *Machine) hindrance() hindrance {
	switch {
	case m.pendingOpening.wait != waitNothing:
		return hindrancePending
	case m.loop == StateOpening || m.loop == StateOpen:
		return hindranceOpening
	case m.loop == StateGuarding:
		return hindranceGuard
	case m.loop == StateFaulted:
		return hindranceFault
	case m.verifying():
		return hindranceCheck
	default:
		return hindranceNone
	}
}

// offers says when a waiting call is offered under each hindrance (invariant 5). One true condition is enough. With
// none, the call waits until the hindrance changes.
var offers = [...]struct {
	onHook  bool // when the adapter recognises on hook
	longest bool // after the longest wait
	anew    bool // when calls are offered, the longest wait begins anew, for later calls
}{
	hindranceNone:    {onHook: true, longest: true},
	hindrancePending: {}, // ends with the lead, at the latest
	hindranceOpening: {}, // ends when the opening ends
	hindranceGuard:   {longest: true, anew: true},
	hindranceCheck:   {longest: true},
	hindranceFault:   {longest: true},
}

// offerWaiting offers the waiting calls in the order of their arrival, as soon as the loop permits.
func (m *Machine) offerWaiting(now Instant) {
	if m.waiting == 0 || now < m.offerDeadline() {
		return
	}
	m.waiting = 0
	for i := range m.calls {
		if c := &m.calls[i]; c.leg == legNone {
			c.leg = legUp
			m.emit(OfferCall, c.id)
		}
	}
	if offers[m.hindrance()].anew {
		m.beginDisturbance(now)
	}
}

// offerDeadline returns the instant from which waiting calls may be offered. It returns Never if none waits, or if
// another deadline comes first.
func (m *Machine) offerDeadline() Instant {
	at := Never
	if m.waiting == 0 {
		return at
	}
	when := &offers[m.hindrance()]
	if when.onHook {
		at = m.recognisedAt
	}
	if when.longest {
		at = min(at, m.offerBy)
	}
	return at
}
