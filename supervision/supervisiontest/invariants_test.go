package supervisiontest

import (
	"fmt"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"clearback/supervision"
)

func machine(p supervision.Policy) Stepper { return supervision.New(p) }

// orderCount returns the number of orders in an everyday run. CLEARBACK_ORDERS sets another: 150,000 in .ci/run, and
// more in the long proof.
func orderCount(t *testing.T) int {
	text := os.Getenv("CLEARBACK_ORDERS")
	if text == "" {
		return 30_000
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("CLEARBACK_ORDERS=%q: a number of orders above 0 is allowed", text)
	}
	return n
}

// firstSeed returns a new seed in each run. A failure prints it, and CLEARBACK_SEED repeats it.
func firstSeed(t *testing.T) uint64 {
	text := os.Getenv("CLEARBACK_SEED")
	if text == "" {
		return uint64(time.Now().UnixNano())
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("CLEARBACK_SEED=%q: %v", text, err)
	}
	return n
}

// shared holds the random orders, which run once for all tests of this package.
var shared struct {
	once    sync.Once
	seed    uint64
	n       int
	tally   Tally
	failure *Failure
	took    time.Duration
}

func orders(t *testing.T) (Tally, *Failure) {
	shared.once.Do(func() {
		shared.seed, shared.n = firstSeed(t), orderCount(t)
		start := time.Now()
		shared.tally, shared.failure = Orders(shared.n, shared.seed, machine)
		shared.took = time.Since(start)
	})
	return shared.tally, shared.failure
}

// invariant checks that no random order broke the invariant and that every mutant that breaks it is caught.
func invariant(t *testing.T, number int) {
	t.Helper()
	if _, f := orders(t); f != nil && hits(f.Violations, number) {
		// A name of its own keeps rapid from trying the fail file of another order.
		t.Run(fmt.Sprint("seed ", f.Seed), func(t *testing.T) { shrink(t, f, machine, number) })
	}
	for _, m := range Mutants() {
		if m.Invariant != number {
			continue
		}
		t.Run("caught: "+m.Name, func(t *testing.T) {
			const most = 20_000
			n := Catch(most, 1, m)
			if n == 0 {
				t.Fatalf("a machine that %s goes unnoticed in %d orders", m.Name, most)
			}
			t.Logf("after %d orders", n)
		})
	}
}

func TestInvariant00EveryClearingIsReported(t *testing.T)                { invariant(t, 0) }
func TestInvariant01OnlyAfterAnAnsweredCallOrByHand(t *testing.T)        { invariant(t, 1) }
func TestInvariant02NeverRingingTalkingEmergencyLifeSafety(t *testing.T) { invariant(t, 2) }
func TestInvariant03AdapterLegFirst(t *testing.T)                        { invariant(t, 3) }
func TestInvariant04IntervalIsNeverLengthened(t *testing.T)              { invariant(t, 4) }
func TestInvariant05NewCallWaits(t *testing.T)                           { invariant(t, 5) }
func TestInvariant06SeizureCancelsOrCloses(t *testing.T)                 { invariant(t, 6) }
func TestInvariant07ProbeIncidentNextInterval(t *testing.T)              { invariant(t, 7) }
func TestInvariant08NearEndAndUnansweredNever(t *testing.T)              { invariant(t, 8) }
func TestInvariant11EndsWithinTwoSeconds(t *testing.T)                   { invariant(t, 11) }
func TestInvariant12NoStaleOpening(t *testing.T)                         { invariant(t, 12) }
func TestInvariant13NoMoreOpeningsThanPeopleMake(t *testing.T)           { invariant(t, 13) }

// TestOrdersCoverEveryPhase checks that the orders reach the phases and occurrences that matter.
func TestOrdersCoverEveryPhase(t *testing.T) {
	tally, f := orders(t)
	t.Logf("%d orders from seed %d, %d steps, in %v", tally.Orders, shared.seed, tally.Steps, shared.took)
	switch {
	case f != nil && f.Violations == nil:
		t.Fatalf("CLEARBACK_SEED=%d: this order failed once and passed when repeated:\n%s", f.Seed,
			Transcript(f.Moments))
	case f != nil:
		t.Skip("an order failed, so not all were run")
	}
	share := func(n int) float64 { return 100 * float64(n) / float64(tally.Orders) }
	must := func(what string, n int, least float64) {
		text := fmt.Sprintf("%5.1f %% of the orders %s", share(n), what)
		if t.Log(text); share(n) < least {
			t.Errorf("%s; at least %v %% must", text, least)
		}
	}
	if shared.n < 1000 {
		t.Skip("too few orders to count")
	}
	// In 30,000 orders each of these occurs far more often than the given minimum. Even for the rarest (flashes: 0.37 %
	// of the orders, repetitions: 0.93 %) the minimum is five standard deviations below the mean.
	must("open the loop", tally.Opened, 20)
	for p := PhasePending; p < Phases; p++ {
		must("meet a seizure while "+p.String(), tally.Seizures[p], 5)
		must("meet a new call while "+p.String(), tally.Calls[p], 5)
	}
	must("repeat an interruption", tally.Repeated, 0.6)
	must("make a trial", tally.Tried, 2)
	must("make a catch trial", tally.Caught, 2)
	must("find a line off hook", tally.Watched, 3)
	must("find a line held that was in doubt", tally.Pending, 2)
	must("find a contact stuck", tally.Stuck, 0.5)
	must("take an interruption for a flash", tally.Flashed, 0.2)
	must("find a hold that outlasts the grace", tally.Listened, 0.7)
	must("hang up in the grace", tally.HungUp, 0.5)
	must("change the settings", tally.Changed, 5)
	must("have too many openings", tally.Stormed, 3)
	must("see a storm end", tally.Calmed, 0.5)
	must("wait for the sensor after the guard time", tally.Awaited, 0.5)
	must("stop trusting the adapter's answers", tally.Distrusted, 1)
	must("open the loop for an adopted call", tally.Adopted, 0.8)
	must("keep the loop closed for an adopted call", tally.Withheld, 1)
}
