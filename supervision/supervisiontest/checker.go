package supervisiontest

import (
	"fmt"
	"strings"

	"clearback/supervision"
)

// A Violation is one broken invariant. Number 0 stands for the bookkeeping that the other invariants rely on.
type Violation struct {
	Invariant int
	At        supervision.Instant
	Says      string // the invariant, in short
	Problem   string
}

// Error names the invariant and says how the machine broke it.
func (v *Violation) Error() string {
	return fmt.Sprintf("invariant %d (%s) at %v: the machine %s", v.Invariant, v.Says, v.At, v.Problem)
}

// A Checker follows one line and checks each step against the invariants 1 to 3, 5 to 8, 11 to 13 and the machine's
// part of 4. It uses only events and effects. It is not for concurrent use.
type Checker struct {
	rules []rule
	model model
}

// NewChecker returns a checker for a line at rest.
func NewChecker(p supervision.Policy) *Checker {
	c := &Checker{rules: rules()}
	c.Reset(p)
	return c
}

// Reset starts a new line.
func (c *Checker) Reset(p supervision.Policy) { c.model.reset(p) }

// SetPolicy changes the settings of the line.
func (c *Checker) SetPolicy(now supervision.Instant, p supervision.Policy) { c.model.setPolicy(now, p) }

// Observe checks the next step and returns the invariants that it broke, or nil.
func (c *Checker) Observe(m *Moment) []Violation {
	var broken []Violation
	t := &c.model
	t.event(m.Now, &m.Event)
	for i := range m.Effects {
		ef := &m.Effects[i]
		for j := range c.rules {
			if r := &c.rules[j]; r.effect != nil {
				if problem := r.effect(t, m, ef); problem != "" {
					broken = append(broken, Violation{r.number, m.Now, r.says, problem})
				}
			}
		}
		t.effect(m.Now, &m.Event, ef)
	}
	for j := range c.rules {
		if r := &c.rules[j]; r.end != nil {
			if problem := r.end(t, m); problem != "" {
				broken = append(broken, Violation{r.number, m.Now, r.says, problem})
			}
		}
	}
	return broken
}

// Phase is the phase of the line between a clearing and the end of its interruption.
type Phase uint8

// The phases in which a call or a seizure may come.
const (
	PhaseRest     Phase = iota
	PhasePending        // an interruption is pending
	PhaseOpening        // OpenLoop was handed out, not confirmed
	PhaseOpen           // the opening was confirmed
	PhaseGuarding       // closed again, in the guard time
	Phases
)

// String returns the phase's word.
func (p Phase) String() string {
	return [...]string{"rest", "pending", "opening", "open", "guarding"}[p]
}

// Phase returns the phase of the line at now.
func (c *Checker) Phase(now supervision.Instant) Phase {
	t := &c.model
	switch {
	case t.loop.faulted || t.loop.closing:
		return PhaseRest
	case t.loop.begun && t.loop.opened:
		return PhaseOpen
	case t.loop.begun:
		return PhaseOpening
	case t.pendingClearing() != nil:
		return PhasePending
	case now < t.loop.quietBy:
		return PhaseGuarding
	default:
		return PhaseRest
	}
}

// Transcript returns moments in the text form, for the report of a failure.
func Transcript(ms []Moment) string {
	var b strings.Builder
	for i := range ms {
		m := &ms[i]
		writeMoment(&b, m)
	}
	return b.String()
}

func writeMoment(b *strings.Builder, m *Moment) {
	if m.Policy != nil {
		fmt.Fprintf(b, "%s set-policy %+v\n", m.Now, *m.Policy)
	}
	fmt.Fprintf(b, "%s %s\n", m.Now, m.Event)
	for _, ef := range m.Effects {
		fmt.Fprintf(b, "    %s\n", ef)
	}
}
