package supervision

import "time"

// People clear a line some times a minute at most: each clearing takes a call, an answer, a hold and a far end that
// hangs up. What wants more openings is a storm: forged calls and ends, or a service that has gone mad. So where a
// clearing would open the loop more often than Policy.OpeningsPerMinute within a minute, the breaker trips: no clearing
// opens the loop for BreakerPause, and as long again if the storm still goes on then.
//
//   - What counts: each opening that a clearing got, when it is commanded, whatever comes of it; repetitions too. And each that the
//     breaker refused, so that it knows whether the storm goes on.
//   - Openings that the operator asks for, by hand or as a trial, neither count nor are refused: they come by the control socket, one at
//     a time, and a pulse is the way to free a line meanwhile.
//   - A repetition is not made where it would be one too many; that trips nothing, for the hold that stayed is an incident by itself.
//   - A refused clearing opens nothing later. What it may have left held is looked at as any line without a call is; at the end of the
//     pause it is looked at soon, and is an incident then if it is off hook.
//   - A storm is one incident, from the first clearing that was refused to the end of the pause.

// breaker holds openings back. Its zero value, with by Never, has seen none.
type breaker struct {
	at       [openingsCeiling]Instant // a ring: when an opening was wanted
	openings int                      // how many were, in all
	by       Instant                  // deadline: end of the pause; Never: not tripped
	reported bool                     // as an incident
}

// count takes an opening that is commanded or refused.
func (b *breaker) count(now Instant) {
	b.at[b.openings%len(b.at)] = now
	b.openings++
}

// within counts the openings of the minute before now, up to openingsCeiling.
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

// oneTooMany reports whether one more opening would be more than people can make.
func (m *Machine) oneTooMany(now Instant) bool {
	return m.breaker.within(now) >= m.policy.OpeningsPerMinute
}

// refuse reports whether the breaker refuses the opening that a clearing is about to want. It may trip for it.
func (m *Machine) refuse(now Instant) bool {
	b := &m.breaker
	if now >= b.by {
		m.breakerDue(now) // nobody has said so yet
	}
	if !b.tripped() {
		if !m.oneTooMany(now) {
			return false
		}
		b.by = now.Add(BreakerPause)
	}
	b.count(now)
	return true
}

// beginStorm reports the storm with the first clearing that was refused; after a restart once more, with the first one
// then.
func (m *Machine) beginStorm(id CallID) {
	if !m.breaker.reported {
		m.breaker.reported = true
		m.out = append(m.out, Effect{Kind: Report, Report: ReportIncident, Call: id, Incident: IncidentTooManyOpenings})
	}
}

// breakerDue ends the pause, unless the storm goes on.
func (m *Machine) breakerDue(now Instant) {
	b := &m.breaker
	if m.oneTooMany(now) {
		b.by = now.Add(BreakerPause)
		return
	}
	b.by = Never
	if b.reported {
		b.reported = false
		m.out = append(m.out, Effect{Kind: Report, Report: ReportIncidentEnded, Incident: IncidentTooManyOpenings})
	}
	if m.pendingIncident.rule == SuppressedTooManyOpenings {
		m.watch.looked = false // look soon
		if !m.check.asked {
			m.planNextLook()
		}
	}
}
