package supervisiontest

import (
	"runtime"
	"strings"
	"sync"

	"clearback/supervision"
)

// A Build makes the machine of a line.
type Build func(p supervision.Policy) Stepper

// A Failure is an order that broke invariants.
type Failure struct {
	Seed       uint64
	Policy     supervision.Policy
	Violations []Violation // none if the machine does not repeat the failure
	Moments    []Moment
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

// explain runs an order again and keeps its moments.
func explain(seed uint64, build Build) *Failure {
	w := NewSimulator()
	w.Keep = true
	f := &Failure{Seed: seed, Violations: w.Run(seed, build)}
	f.Policy, f.Moments = w.first, w.Trace
	return f
}

// change gives the machine and its checker the policy of the moment, if it has one.
func change(m Stepper, c *Checker, at *Moment) {
	if s, ok := m.(PolicySetter); ok && at.Policy != nil {
		s.SetPolicy(at.Now, *at.Policy)
		c.SetPolicy(at.Now, *at.Policy)
	}
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
