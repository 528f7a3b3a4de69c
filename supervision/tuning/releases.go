package tuning

import (
	"fmt"
	"math"
	"time"
)

// fewestReleases is the smallest sample that a recommendation may rest on: below it the factor is above 5.7.
const fewestReleases = 5

// OfReleases returns what measured release times say: a sample of how long the loop had to be open until the card let
// go, 5 to 1,000 of them. The bound is [UpperBound], the interval of the threshold is by Student's t. Since it is
// openings that were measured, what relay and controller can take from what is asked for is added: the window is the
// line's with a card that needs the bound. Plan's Random, MaxHolds, Shortest and Longest count for nothing. It fails
// for an empty window and for a release time that is not positive.
func OfReleases(p Plan, releases []time.Duration) (Result, error) {
	w := p.window(0)
	if w.Empty != "" {
		return Result{}, fmt.Errorf("no interval is possible: the line's window is %s", w.Empty)
	}
	for i, v := range releases {
		if v <= 0 {
			return Result{}, fmt.Errorf("release time %d, %v, is not positive", i+1, v)
		}
	}
	r := Result{Holds: len(releases), Window: w}
	if len(releases) < fewestReleases {
		r.Text = fmt.Sprintf("%d release times were measured: too few for an estimate; it takes at least %d.",
			len(releases), fewestReleases)
		return r, nil
	}
	bound, err := UpperBound(releases, coverage, confidence)
	if err != nil {
		return Result{}, err
	}
	mean, deviation := moments(releases)
	n := float64(len(releases))
	half := nonCentralQuantile(1-(1-confidence)/2, n-1, 0) * deviation / math.Sqrt(n)
	r.Threshold, r.Spread = whole(mean), whole(deviation)
	r.ThresholdLow, r.ThresholdHigh = whole(mean-half), whole(mean+half)
	r.Bound = bound
	found := fmt.Sprintf("%d releases took %s on the average, spread %s; 99 of 100 take at most %s, at 95 %% confidence",
		len(releases), clock(r.Threshold), clock(r.Spread), clock(bound))
	r.Window = p.window(bound)
	if r.Window.Empty != "" {
		r.Verdict, r.Text = NoRoom, fmt.Sprintf("%s; for that the line's window is %s.", found, r.Window.Empty)
		return r, nil
	}
	r.Recommended = practical(r.Window, bound)
	r.Verdict, r.Text = Found, fmt.Sprintf("%s; with what relay and controller can take from it, %s.", found,
		clock(r.Recommended))
	return r, nil
}
