package window

import (
	"math"
	"time"
)

const (
	maxSteps = 3
	// A step that is less than a tenth or less than 50 ms longer than the interval that failed shows nothing new, since
	// adapters and cards measure in steps of 10 to 50 ms (common practice).
	leastRatio = 1.1
	leastStep  = 50 * ms
	// command is the part of the dial window that a late timer and the path to the board may take. Our own figure.
	command = 100 * ms
)

// Steps returns the intervals of later clearings after holds that stayed. They rise, each is longer than interval, and
// all lie in the worst-case window. There are at most three, and nil if there is no room. They rise by equal ratios to
// the top of the window, or to 100 ms less than the lead leaves of the 2 s after the BYE. That leaves time for the
// command, so that the last step still opens if the adapter does not answer its BYE.
func Steps(l Line, interval time.Duration) []time.Duration {
	r := Of(l, WorstCase)
	if len(r.Spans) == 0 || interval <= 0 {
		return nil
	}
	top := r.Spans[len(r.Spans)-1].To.At
	top = min(top, dialWindow-command-l.bounded().Lead)
	for !r.Allows(top) { // the upper span ends above top but begins above it too
		if top = r.longestBelow(top); top == 0 {
			return nil
		}
	}
	whole := top / (10 * ms) * (10 * ms)
	if r.Allows(whole) {
		top = whole
	}
	if top < interval+leastStep || float64(top) < leastRatio*float64(interval) {
		return nil
	}
	n := max(1, min(maxSteps, int(math.Log(float64(top)/float64(interval))/math.Log(leastRatio))))
	var steps []time.Duration
	last := interval
	for left := n; left > 1; left-- {
		v := time.Duration(float64(last)*math.Pow(float64(top)/float64(last), 1/float64(left))) / (10 * ms) * (10 * ms)
		if v = r.Clip(v); v >= last+leastStep && v <= top-leastStep {
			steps = append(steps, v)
			last = v
		}
	}
	return append(steps, top)
}

// longestBelow returns the longest possible length that is shorter than v, or 0 if there is none.
func (r Result) longestBelow(v time.Duration) time.Duration {
	for i := len(r.Spans) - 1; i >= 0; i-- {
		if s := r.Spans[i]; s.From.At < v {
			return min(s.To.At, v-ms)
		}
	}
	return 0
}
