package supervisiontest

import (
	"runtime"
	"slices"
	"strings"
	"sync"

	"clearback/supervision"
)

// A Build makes the machine of a line.
type Build func(p supervision.Policy) Stepper

// A Failure is an order that broke invariants, made as short as it gets.
type Failure struct {
	Seed       uint64
	Policy     supervision.Policy
	Violations []Violation
	Moments    []Moment
	Original   int // how many moments the order had before it was shortened
}

// Orders runs n random orders, made from consecutive seeds, on all processors. It stops at the first failure, which is
// nil if there is none.
func Orders(n int, seed uint64, build Build) (Tally, *Failure) {
	workers := runtime.GOMAXPROCS(0)
	var (
		all   sync.WaitGroup
		mu    sync.Mutex
		tally Tally
		first *Failure
	)
	for i := range workers {
		all.Go(func() {
			w := NewSimulator()
			for k := i; k < n; k += workers {
				if w.Run(seed+uint64(k), build) == nil {
					continue
				}
				f := explain(seed+uint64(k), build)
				mu.Lock()
				if first == nil || f.Seed < first.Seed {
					first = f
				}
				mu.Unlock()
				break
			}
			mu.Lock()
			tally.Add(w.Tally)
			mu.Unlock()
		})
	}
	all.Wait()
	return tally, first
}

func explain(seed uint64, build Build) *Failure {
	w := NewSimulator()
	w.Keep = true
	f := &Failure{Seed: seed, Violations: w.Run(seed, build)}
	f.Policy = w.first
	f.Original = len(w.Trace)
	if len(f.Violations) == 0 {
		f.Moments = w.Trace // the build is not repeatable; show the order as it is
		return f
	}
	f.Moments, f.Violations = Shorten(f.Policy, build, w.Trace, f.Violations[0].Invariant)
	return f
}

// Replay gives the events of some moments, at their times, to a new machine, and returns what came of it up to the
// first violation.
func Replay(p supervision.Policy, build Build, ms []Moment) ([]Moment, []Violation) {
	m, c := build(p), NewChecker(p)
	out := make([]Moment, 0, len(ms))
	for i := range ms {
		change(m, c, &ms[i])
		effects, deadline := m.Step(ms[i].Now, ms[i].Event)
		out = append(out, Moment{
			Policy: ms[i].Policy, Now: ms[i].Now, Event: ms[i].Event, Effects: slices.Clone(effects),
			Deadline: deadline,
		})
		if broken := c.Observe(&out[i]); broken != nil {
			return out, broken
		}
	}
	return out, nil
}

// change gives the machine and its checker the settings that come before the moment, if there are any.
func change(m Stepper, c *Checker, at *Moment) {
	if s, ok := m.(PolicySetter); ok && at.Policy != nil {
		s.SetPolicy(at.Now, *at.Policy)
		c.SetPolicy(at.Now, *at.Policy)
	}
}

// Shorten leaves out events as long as the invariant stays broken.
func Shorten(p supervision.Policy, build Build, ms []Moment, invariant int) ([]Moment, []Violation) {
	best, broken := Replay(p, build, ms)
	for i := len(best) - 1; i >= 0; i-- {
		fewer := append(append([]Moment(nil), best[:i]...), best[i+1:]...)
		got, b := Replay(p, build, fewer)
		if hits(b, invariant) {
			best, broken = got, b
			i = min(i, len(best))
		}
	}
	return best, broken
}

func hits(vs []Violation, invariant int) bool {
	for i := range vs {
		if vs[i].Invariant == invariant {
			return true
		}
	}
	return false
}

// Catch runs up to n orders on a mutant until its fault is seen and returns how many it took, 0 if it was not.
func Catch(n int, seed uint64, mutant Mutant) int {
	caught := func(vs []Violation) bool {
		for i := range vs {
			if vs[i].Invariant == mutant.Invariant && strings.Contains(vs[i].Problem, mutant.Problem) {
				return true
			}
		}
		return false
	}
	w := NewSimulator()
	w.Ends = caught
	for k := range n {
		if caught(w.Run(seed+uint64(k), mutant.Build)) {
			return k + 1
		}
	}
	return 0
}
