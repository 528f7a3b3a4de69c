package tuning

import (
	"fmt"
	"math"
	"time"
)

// fewestReleases is the smallest sample for a recommendation. With fewer, the factor is above 5.7.
const fewestReleases = 5

// OfReleases returns the result of 5 to 1,000 measured release times: a sample of how long the loop had to be open
// until the card released the hold. The bound is [UpperBound]. The confidence interval of the threshold is by Student's
// t. Since the sample is of actual openings, the recommendation adds the amount by which relay and controller can fall
// short of the requested length: the window is the line's, for a card that needs the bound. Plan's Random, MaxHolds,
// Shortest and Longest are not used. It returns an error for an empty window and for a release time that is not
// positive.
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
		r.Text = fmt.Sprintf("%d release times were measured: too few for an estimate; at least %d are needed.",
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
	r.Threshold, r.Spread = roundMs(mean), roundMs(deviation)
	r.ThresholdLow, r.ThresholdHigh = roundMs(mean-half), roundMs(mean+half)
	r.Bound = bound
	found := fmt.Sprintf("%d releases took %s on average, with a spread of %s; 99 of 100 take at most %s, at 95 %% "+
		"confidence",
		len(releases), clock(r.Threshold), clock(r.Spread), clock(bound))
	r.Window = p.window(bound)
	if r.Window.Empty != "" {
		r.Verdict, r.Text = NoRoom, fmt.Sprintf("%s; for such a card the line's window is %s.", found, r.Window.Empty)
		return r, nil
	}
	r.Recommended = practical(r.Window, bound)
	r.Verdict, r.Text = Found, fmt.Sprintf("%s; with an allowance for relay and controller, %s.", found,
		clock(r.Recommended))
	return r, nil
}
