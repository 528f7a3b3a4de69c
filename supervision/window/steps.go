package window

import (
	"math"
	"time"
)

const (
	maxSteps = 3
	// A step that is less than a tenth and 50 ms longer than what failed finds out nothing new: adapters and cards
	// count in steps of 10 to 50 ms (common practice).
	leastRatio = 1.1
	leastStep  = 50 * ms
	// command is what a timer's lateness and the way to the board may take of the dial window. Our own figure.
	command = 100 * ms
)

// Steps returns the intervals of later clearings after holds that stayed: rising, each above interval, all in the
// window of the worst case, at most three; nil if there is no room. They rise by equal ratios to near the top: 100 ms
// of the time after the BYE are left for the command, so that the last step still opens when the adapter does not
// answer its BYE.
func Steps(l Line, interval time.Duration) []time.Duration {
	r := Of(l, WorstCase)
	if len(r.Spans) == 0 || interval <= 0 {
		return nil
	}
	top := r.Spans[len(r.Spans)-1].To.At
	top = min(top, dialWindow-command-l.bounded().Lead)
	for !r.Allows(top) { // the span above is narrower than what is left for the command
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

// longestBelow returns the longest possible length that is shorter than v, 0 if there is none.
func (r Result) longestBelow(v time.Duration) time.Duration {
	for i := len(r.Spans) - 1; i >= 0; i-- {
		if s := r.Spans[i]; s.From.At < v {
			return min(s.To.At, v-ms)
		}
	}
	return 0
}
