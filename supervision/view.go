package supervision

import (
	"slices"
	"time"
)

// SavedState is the part of a machine's state that should outlive the process.
type SavedState struct {
	// Stayed counts the holds that stayed, and selects the interval. It is valid only for a policy with the same
	// Interval and Steps; the caller has to ensure that.
	Stayed int
	// CallbackBy is the end of the call-back window on the machine's time line; 0: none.
	CallbackBy Instant
	// Recent is how many openings were counted within the minute before RecentAt, the time of the last one.
	Recent   int
	RecentAt Instant
	// NoOpeningBy is the end of the breaker's pause; 0: it has not tripped.
	NoOpeningBy Instant
}

// SavedState returns what should outlive the process.
func (m *Machine) SavedState() SavedState {
	k := SavedState{Stayed: m.stayed, CallbackBy: m.callbackBy, NoOpeningBy: m.noOpeningBy()}
	if b := &m.breaker; b.openings > 0 {
		k.RecentAt = b.at[(b.openings-1)%len(b.at)]
		k.Recent = b.within(k.RecentAt)
	}
	return k
}

// noOpeningBy is the end of the breaker's pause; 0: it has not tripped.
func (m *Machine) noOpeningBy() Instant {
	if !m.breaker.tripped() {
		return 0
	}
	return m.breaker.by
}

// Restore restores the state of an earlier machine of this line. Call it before the first Step. All recent openings
// count as if made at RecentAt, so that the openings of a daemon that restarts after each one add up.
func (m *Machine) Restore(k SavedState) {
	m.stayed = max(0, min(k.Stayed, len(m.policy.Steps)))
	m.callbackBy = k.CallbackBy
	for range min(k.Recent, openingsCeiling) {
		m.breaker.count(k.RecentAt)
	}
	if k.NoOpeningBy > 0 {
		m.breaker.by = k.NoOpeningBy
	}
}

// SetPolicy changes the settings and returns the new deadline, as Step does. The policy must be sound (see
// [Policy.Check]). What is under way continues as it began: an opening keeps its interval and its bounds. If Interval
// or Steps change, the count of holds that stayed starts again.
//
// If the line becomes untrusted during a check, the check ends at once as unknown. Trust that the machine has withdrawn
// does not come back.
func (m *Machine) SetPolicy(now Instant, p Policy) Instant {
	p.ProbeTrusted = p.ProbeTrusted && !m.probeDistrusted
	if p.Interval != m.policy.Interval || !slices.Equal(p.Steps, m.policy.Steps) {
		m.stayed, m.last.stale = 0, true
	}
	m.policy = p
	m.policy.Steps = slices.Clone(p.Steps)
	if m.pendingOpening.wait == waitProbe && !p.ProbeTrusted {
		m.pendingOpening.by = now
	}
	if m.verifying() && !p.ProbeTrusted && (m.check.asked || m.check.kind == checkInterruption) {
		m.check.by = now
	}
	m.trustChanged(now)
	m.watchIdle(now)
	return m.deadline()
}

// trustChanged is called when it has changed which sources of the hook state are trusted. If no source is, the grace
// ends at once. The next look is planned anew.
func (m *Machine) trustChanged(now Instant) {
	if m.listening() && (m.check.asked && !m.policy.ProbeTrusted || !m.trusted()) {
		m.check.by, m.check.trustLost = now, m.check.trustLost || !m.trusted()
	}
	m.watch.lookBy = 0
	if !m.check.asked || !m.policy.ProbeTrusted {
		m.planNextLook()
	}
}

// AtRest reports whether no interruption is pending, under way or being checked, and no call waits. Looks at an idle
// line do not count.
func (m *Machine) AtRest() bool {
	settled := m.loop == StateClosed || m.loop == StateFaulted
	return settled && m.pendingOpening.wait == waitNothing && !m.verifying() && m.waiting == 0
}

// Fault returns why the loop counts as faulted, as in [View].
func (m *Machine) Fault() Incident { return m.fault }

// View is a copy of the machine's state, for people.
type View struct {
	Calls       []CallView
	Loop        LoopState
	Fault       Incident      // why the loop is faulted; IncidentNone: it is not
	Interval    time.Duration // of the next clearing
	Stayed      int
	Incident    Incident    // of the line; without one, that of a faulted loop or of a storm
	Suppression Suppression // the rule, if Incident is IncidentSuppressed
	CallbackBy  Instant
	NoOpeningBy Instant // end of the breaker's pause; 0: it has not tripped
	// ProbeTrusted: the policy trusts the answers to ProbeLine, and the machine has not withdrawn that trust.
	ProbeTrusted bool
}

// CallView is one call of a [View].
type CallView struct {
	Call      CallID
	Emergency bool
	Answered  bool
	Waiting   bool // not offered to the adapter yet
	Clearing  bool // the adapter's leg is being cleared
}

// View returns a copy of the machine's state.
func (m *Machine) View() View {
	v := View{
		Interval: m.policy.interval(m.stayed), Stayed: m.stayed, Incident: m.incident, Suppression: m.incidentRule,
		Loop: m.loop, CallbackBy: m.callbackBy, NoOpeningBy: m.noOpeningBy(), ProbeTrusted: m.policy.ProbeTrusted,
	}
	v.Fault = m.fault
	switch {
	case m.incident != IncidentNone:
	case m.fault != IncidentNone:
		v.Incident = m.fault
	case m.breaker.tripped():
		v.Incident = IncidentTooManyOpenings
	}
	for i := range m.calls {
		c := &m.calls[i]
		v.Calls = append(v.Calls, CallView{
			Call: c.id, Emergency: c.emergency, Answered: c.answered, Waiting: c.leg == legNone,
			Clearing: c.leg == legClearing,
		})
	}
	return v
}
