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

// A Failure is an order that broke invariants, shortened as far as possible.
type Failure struct {
	Seed       uint64
	Policy     supervision.Policy
	Violations []Violation
	Moments    []Moment
	Original   int // number of moments before it was shortened
}

// Orders runs n random orders, made from consecutive seeds, on all processors. It stops at the first failure. The
// failure is nil if no order failed.
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
		f.Moments = w.Trace // the machine does not repeat the failure; show the order as it is
		return f
	}
	f.Moments, f.Violations = Shorten(f.Policy, build, w.Trace, f.Violations[0].Invariant)
	return f
}

// Replay gives the events of ms, at their times, to a new machine. It returns the resulting moments up to the first
// violation.
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

// change gives the machine and its checker the policy of the moment, if it has one.
func change(m Stepper, c *Checker, at *Moment) {
	if s, ok := m.(PolicySetter); ok && at.Policy != nil {
		s.SetPolicy(at.Now, *at.Policy)
		c.SetPolicy(at.Now, *at.Policy)
	}
}

// Shorten leaves out events as long as the invariant remains broken.
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

// Catch runs up to n orders on a mutant until its fault is noticed. It returns the number of orders run, or 0 if the
// fault was not noticed.
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
