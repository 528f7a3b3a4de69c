package tuning

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"clearback/supervision/window"
)

// A session of eleven holds, written by hand. In its window, with flash detection on, the lower span ends 50 + 38 ms
// below 400 ms, for the errors of adapter, relay and controller.
func TestHistogram(t *testing.T) {
	l := window.Defaults()
	l.FlashMin, l.FlashMax = 400*ms, 500*ms
	r := Result{
		Verdict: Found, Threshold: 402 * ms, ThresholdLow: 386 * ms, ThresholdHigh: 418 * ms, Bound: 560 * ms,
		Recommended: 620 * ms, LongestStayed: 410 * ms,
		Window: Plan{Window: l}.window(0),
		Trials: []Trial{
			{Interval: 250 * ms, Answer: Stayed}, {Answer: Stayed}, {Interval: 320 * ms, Answer: Stayed},
			{Interval: 400 * ms, Answer: Cleared}, {Interval: 390 * ms, Answer: Stayed},
			{Interval: 410 * ms, Answer: Cleared}, {Interval: 390 * ms, Answer: Unknown},
			{Interval: 410 * ms, Answer: Stayed}, {Interval: 410 * ms, Answer: Cleared, RangUp: true},
			{Interval: 620 * ms, Answer: Cleared}, {Interval: 620 * ms, Answer: Cleared},
		},
	}
	assert.Equal(t, strings.TrimPrefix(`
 unopened | x
-  250 ms - window begins (floor)
   250 ms | x
-  312 ms - window interrupted (flash-begins)
   320 ms | x
   390 ms | x?
   400 ms | o
-  402 ms - threshold, 386 ms to 418 ms
   410 ms | xoO
-  560 ms - 99 of 100 releases, at 95 % confidence
-  588 ms - window continues (flash-ends)
   620 ms | oo
-  620 ms - recommended
- 1400 ms - window ends (dial-window)
x stayed   o cleared   ? no answer
X O the line rang as well`, "\n"), strings.Join(r.Histogram(80), "\n"))
	assert.Empty(t, Result{}.Histogram(80))
}

// A row that is too long says how many symbols it leaves out.
func TestHistogramOfManyTrials(t *testing.T) {
	var r Result
	for range 60 {
		r.Trials = append(r.Trials, Trial{Interval: 400 * ms, Answer: Stayed})
	}
	assert.Equal(t, "   400 ms | "+strings.Repeat("x", 39)+" +21", r.Histogram(0)[0])
	assert.Equal(t, "   400 ms | "+strings.Repeat("x", 60), r.Histogram(100)[0])
}

func TestHistogramFits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		release := time.Duration(rapid.IntRange(200, 1500).Draw(t, "release")) * ms
		p := plan(rapid.Uint64().Draw(t, "seed"))
		if rapid.Bool().Draw(t, "flash") {
			p.Window.FlashMin, p.Window.FlashMax = 300*ms, 800*ms
		}
		_, r := run(t, p, above(release))
		width := rapid.IntRange(0, 120).Draw(t, "width")
		marks := 0
		for _, line := range r.Histogram(width) {
			require.LessOrEqual(t, len(line), max(width, leastWidth), line)
			require.Equal(t, line, strings.TrimRight(line, " "))
			for _, c := range line {
				require.True(t, c >= ' ' && c <= '~')
			}
			if _, row, ok := strings.Cut(line, " | "); ok {
				marks += len(row)
			}
		}
		require.Equal(t, len(r.Trials), marks)
	})
}
