package supervision

import "time"

// People clear a line a few times a minute at most: each clearing takes a call, an answer, a hold and a far end that
// hangs up. A cause that asks for more openings is a storm: forged calls and clearings, or a service that malfunctions.
// If a clearing would exceed Policy.OpeningsPerMinute within a minute, the breaker trips. No clearing then opens the
// loop for BreakerPause. If the storm has not stopped by then, the pause starts again.
//
//   - Each opening of a clearing counts when it is commanded, even if it is not made, and so does each repetition. Each
//     opening that the breaker refuses counts too, so that the breaker notices whether the storm continues.
//   - Openings that the operator asks for (pulses and trials) do not count and are not refused. They arrive one at a
//     time by the control socket, and a pulse is the way to free a line during a storm.
//   - A repetition that would exceed the limit is not made. It does not trip the breaker: the hold that stayed is an
//     incident already.
//   - A refused opening is not made later. The line is checked like any line without a call. At the end of the pause it
//     is checked soon, and if it is then off hook, that is an incident.
//   - A storm is one incident, from the first refused clearing to the end of the pause.

// breaker refuses openings in a storm. Its zero value, with by set to Never, has counted no opening and is not tripped.
type breaker struct {
	at       [openingsCeiling]Instant // a ring: when the openings were commanded or refused
	openings int                      // how many were counted in all
	by       Instant                  // deadline: end of the pause; Never: not tripped
	reported bool                     // the storm was reported as an incident
}

// count records an opening that is commanded or refused.
func (b *breaker) count(now Instant) {
	b.at[b.openings%len(b.at)] = now
	b.openings++
}

// within returns how many openings were counted in the minute before now, up to openingsCeiling.
func (b *breaker) within(now Instant) int {
	n := 0
	for _, at := range b.at[:min(b.openings, len(b.at))] {
		if now < at.Add(time.Minute) {
			n++
		}
	}
	return n
}

// tripped reports whether the breaker keeps the loop closed.
func (b *breaker) tripped() bool { return b.by != Never }

// limitReached reports whether one more opening would exceed the limit.
func (m *Machine) limitReached(now Instant) bool {
	return m.breaker.within(now) >= m.policy.OpeningsPerMinute
}

// refuse reports whether the breaker refuses the opening of a clearing. It trips the breaker if necessary.
func (m *Machine) refuse(now Instant) bool {
	b := &m.breaker
	if now >= b.by {
		m.breakerDue(now) // its TimePassed has not arrived yet
	}
	if !b.tripped() {
		if !m.limitReached(now) {
			return false
		}
		b.by = now.Add(BreakerPause)
	}
	b.count(now)
	return true
}

// beginStorm reports the storm, with its first refused clearing. A storm that outlasts a restart is reported again.
func (m *Machine) beginStorm(id CallID) {
	if !m.breaker.reported {
		m.breaker.reported = true
		m.out = append(m.out, Effect{Kind: Report, Report: ReportIncident, Call: id, Incident: IncidentTooManyOpenings})
	}
}

// breakerDue ends the pause, unless the storm continues.
func (m *Machine) breakerDue(now Instant) {
	b := &m.breaker
	if m.limitReached(now) {
		b.by = now.Add(BreakerPause)
		return
	}
	b.by = Never
	if b.reported {
		b.reported = false
		m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: IncidentTooManyOpenings})
	}
	if m.pendingIncident.rule == SuppressedTooManyOpenings {
		m.watch.looked = false // makes the next look an early one
		if !m.check.asked {
			m.planNextLook()
		}
	}
}
