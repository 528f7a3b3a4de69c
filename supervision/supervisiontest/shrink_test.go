package supervisiontest

import (
	"flag"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"clearback/supervision"
)

// TestMain keeps rapid from writing files: a failed test reports the seed that repeats it.
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.nofailfile", "true"); err != nil {
		panic(err)
	}
	m.Run()
}

// replay gives the events of ms, at their times, to a new machine. It returns the resulting moments up to the first
// violation.
func replay(p supervision.Policy, build Build, ms []Moment) ([]Moment, []Violation) {
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

func hits(vs []Violation, invariant int) bool {
	return slices.ContainsFunc(vs, func(v Violation) bool { return v.Invariant == invariant })
}

// shrink fails t with the order of f, which broke the invariant, without the events that rapid finds unnecessary for
// that. The orders themselves come from [Rand]: rapid's generators take more than twice as long.
func shrink(t rapid.TB, f *Failure, build Build, invariant int) {
	t.Helper()
	t.Logf("CLEARBACK_SEED=%d CLEARBACK_ORDERS=1 repeats this; policy %+v", f.Seed, f.Policy)
	rapid.Check(t, func(t *rapid.T) {
		var fewer []Moment
		for _, i := range someOf(len(f.Moments)).Draw(t, "events") {
			fewer = append(fewer, f.Moments[i])
		}
		out, broken := replay(f.Policy, build, fewer)
		if hits(broken, invariant) {
			t.Logf("%d of %d moments:\n%s", len(out), len(f.Moments), Transcript(out))
			t.Fatal(violations(broken))
		}
	})
	// Rapid would have ended the test.
	t.Errorf("fails only as a whole: %s\n%s", violations(f.Violations), Transcript(f.Moments))
}

func violations(vs []Violation) string {
	var lines []string
	for i := range vs {
		lines = append(lines, vs[i].Error())
	}
	return strings.Join(lines, "\n")
}

// someOf draws a subset of the numbers below n; smaller is simpler. For n up to the length of an order, at least one
// draw in four is the whole set, so rapid soon finds a failing order.
func someOf(n int) *rapid.Generator[[]int] {
	bits := rapid.SliceOfN(rapid.Bool(), 5, 5) // a draw leaves out one number of 32
	return rapid.Custom(func(t *rapid.T) (some []int) {
		for i := range n {
			if slices.Contains(bits.Draw(t, "bits"), true) {
				some = append(some, i)
			}
		}
		return some
	})
}

// failedTest is a testing.TB that records whether the test failed, and its output.
type failedTest struct {
	rapid.TB
	failed bool
	text   string
}

func (r *failedTest) Logf(format string, a ...any) { r.text += fmt.Sprintf(format+"\n", a...) }
func (r *failedTest) Log(a ...any)                 { r.text += fmt.Sprintln(a...) }

func (r *failedTest) Errorf(format string, a ...any) {
	r.failed = true
	r.Logf(format, a...)
}

func (r *failedTest) Fatal(a ...any) { r.Errorf("%s", fmt.Sprint(a...)) }
func (r *failedTest) Failed() bool   { return r.failed }
func (r *failedTest) FailNow()       { runtime.Goexit() }

// TestShrinkKeepsTheFault checks that a shortened failure has few events and the same fault.
func TestShrinkKeepsTheFault(t *testing.T) {
	for _, m := range Mutants() {
		if m.Invariant != 11 {
			continue
		}
		_, f := Orders(2000, 1, m.Build)
		require.NotNil(t, f, "a machine that %s passes", m.Name)
		r := &failedTest{TB: t}
		var over sync.WaitGroup
		over.Go(func() { shrink(r, f, m.Build, m.Invariant) })
		over.Wait()
		t.Log(r.text)
		require.Contains(t, r.text, "[rapid] failed after", m.Name)
		require.Contains(t, r.text, m.Problem, m.Name)
		require.LessOrEqual(t, strings.Count(r.text, "\n+"), 6, m.Name)
		if testing.Short() {
			break // one takes seconds under the race detector
		}
	}
}
