// Package supervisiontest tests a line's machine. It has scenario scripts, the invariants as checks of events and
// effects, random event orders from a simulator, and mutants that break one rule each.
//
// # Invariants
//
// DEVELOPERS.md numbers the invariants. TestInvariantNN proves number NN on random event orders, by the checks that
// rules lists for that number. Each number has mutants (mutants*.go) that break it and must be caught. Number 0 stands
// for what the others rely on: both ends learn of every clearing, and every clearing of an answered call ends in an
// interruption or in a report that says why not.
//
// # Scripts
//
// A script (supervision/testdata) consists of blocks with an empty line between them. A block has events in their text
// form, a line ----, and the resulting transcript with the next deadline; see [Block]. To write a script, write the
// commands with ---- below them, let the machine fill in the transcript, and read what the machine did:
//
//	go test ./supervision/supervisiontest -run 'TestScripts$' -rewrite
//	git diff supervision/testdata
//
// Review the difference: a changed line is a changed behaviour. Each sentence of SAFETY.md that ends with (loop) has a
// script that cites it (# SAFETY.md S7.), and each citation has its sentence. A test checks both.
package supervisiontest

import "clearback/supervision"

// A Stepper is a machine, or a wrapper around one.
type Stepper interface {
	Step(now supervision.Instant, ev supervision.Event) ([]supervision.Effect, supervision.Instant)
}

// A PolicySetter is a Stepper whose policy can be changed.
type PolicySetter interface {
	SetPolicy(now supervision.Instant, p supervision.Policy) supervision.Instant
}

var (
	_ Stepper      = (*supervision.Machine)(nil)
	_ PolicySetter = (*supervision.Machine)(nil)
)

// A Moment is one step of a trace: its input and its output. Policy, if not nil, is set just before the step.
type Moment struct {
	Policy   *supervision.Policy
	Now      supervision.Instant
	Event    supervision.Event
	Effects  []supervision.Effect
	Deadline supervision.Instant
}
