// Package supervisiontest tries a line's machine: scenario scripts, the invariants as checks over what went in
// and came out, random event orders from a simulated world, and wrappers that break one rule each.
package supervisiontest

import "clearback/supervision"

// A Stepper is a machine, or a wrapper around one.
type Stepper interface {
	Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect, supervision.Instant)
}

// A Setter is a Stepper whose settings can be changed.
type Setter interface {
	SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant
}

var (
	_ Stepper = (*supervision.Machine)(nil)
	_ Setter  = (*supervision.Machine)(nil)
)

// A Moment is one step of a trace: what went in and what came out. Policy, if not nil, are other settings that came just before.
type Moment struct {
	Policy   *supervision.Policy
	Now      supervision.Instant
	Event    supervision.Event
	Effects  []supervision.Effect
	Deadline supervision.Instant
}
