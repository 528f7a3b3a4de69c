// Package supervisiontest tries a line's machine: scenario scripts, the invariants as checks over what went in
// and came out, random event orders from a simulated world, and wrappers that break one rule each.
//
// # Invariants
//
// DEVELOPERS.md numbers them. TestInvariantNN proves number NN on random event orders, by the checks that rules names
// for that number; each has mutants (mutants*.go) that break it and must be caught. Number 0 is what goes without
// saying: both ends learn of every clearing, and every clearing of an answered call ends in an interruption or in a
// report that says why not.
//
// # Scripts
//
// A script (supervision/testdata) is blocks with an empty line between them: events in their text form, ----, and the
// transcript that came of them, with the deadline that is left. [Block] has the form. To write one, write the commands
// with ---- below, let the machine fill in the rest, and read what it did:
//
//	go test ./supervision/supervisiontest -run 'TestScripts$' -rewrite
//	git diff supervision/testdata
//
// The difference is the review: a changed line is a changed behaviour. Each sentence of SAFETY.md that ends with (loop)
// has a script that cites it (# SAFETY.md S7.); a test holds that both ways.
package supervisiontest

import "clearback/supervision"

// A Stepper is a machine, or a wrapper around one.
type Stepper interface {
	Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect, supervision.Instant)
}

// A PolicySetter is a Stepper whose settings can be changed.
type PolicySetter interface {
	SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant
}

var (
	_ Stepper      = (*supervision.Machine)(nil)
	_ PolicySetter = (*supervision.Machine)(nil)
)

// A Moment is one step of a trace: what went in and what came out. Policy, if not nil, are other settings that came
// just before.
type Moment struct {
	Policy   *supervision.Policy
	Now      supervision.Instant
	Event    supervision.Event
	Effects  []supervision.Effect
	Deadline supervision.Instant
}
