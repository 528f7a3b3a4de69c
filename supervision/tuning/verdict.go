package tuning

import "time"

// Verdict is the conclusion of a session.
type Verdict uint8

// The verdicts. Only Found has a recommendation.
const (
	TooFew        Verdict = iota // too few answers so far
	Found                        // a threshold and an interval were found
	AllCleared                   // every hold cleared, even at the shortest interval
	NoneCleared                  // no hold cleared, even at the longest interval
	AdapterClears                // holds cleared without an opening: the adapter interrupts the current itself
	Contradictory                // long intervals failed where short ones did not, or the answers scatter too much
	NoRoom                       // a threshold was found, but no interval in the window is surely long enough
	RingsUp                      // a threshold was found, but the line rings after openings that are long enough
)

// maxRelativeSpread is the spread, as a share of the threshold, beyond which there is no useful threshold.
const maxRelativeSpread = 0.25

// Result returns the result of the trials so far. It may be called at any time.
func (s *Session) Result() Result {
	c := s.count()
	r := Result{Trials: append([]Trial(nil), s.trials...), Holds: len(s.trials), LongestStayed: c.longestStayed,
		RangUpFrom: c.rangUpFrom, Window: s.window}
	switch {
	case c.catchCleared > 0:
		r.Verdict, r.Text = s.caught(c)
	case c.cleared == 0 && c.stayedAtLongest >= repeatsAtLongest:
		r.Verdict, r.Text = NoneCleared, s.noneCleared(c)
	case c.stayed == 0 && c.clearedAtShortest >= repeatsAtShortest && c.catches() > 0:
		r.Verdict, r.Window = AllCleared, s.plan.window(s.plan.Shortest)
		r.Text = s.allCleared(c, r.Window)
	case c.cleared > 0 && c.stayed > 0 && upsideDown(s.trials) < significance:
		r.Verdict, r.Text = Contradictory, s.upsideDown(c)
	case c.cleared == 0 || c.stayed == 0 || c.cleared+c.stayed < minAnswers || c.catches() == 0:
		r.Verdict, r.Text = TooFew, s.tooFew(c)
	case s.now.ratio > maxRelativeSpread:
		r.Verdict, r.Text = Contradictory, s.scattered(c)
		if !dependsOnLength(s.trials) {
			r.Text = s.noDependence(c)
		}
	default:
		s.found(c, &r)
	}
	return r
}

// found fills in the estimate, and the recommendation if there is one.
func (s *Session) found(c counts, r *Result) {
	r.Threshold, r.Spread = roundMs(s.now.threshold), roundMs(s.now.spread)
	r.ThresholdLow, r.ThresholdHigh = roundMs(s.now.low), roundMs(s.now.high)
	r.Bound = roundMs(s.now.bound)
	need := s.need(c)
	recommended := s.recommend(need)
	switch {
	case recommended == 0 && !dependsOnLength(s.trials):
		*r = Result{Verdict: Contradictory, Text: s.noDependence(c), Trials: r.Trials, Holds: r.Holds,
			LongestStayed: r.LongestStayed, RangUpFrom: r.RangUpFrom, Window: r.Window}
	case recommended == 0:
		r.Verdict, r.Text = NoRoom, s.noRoom(c, need, r)
	case c.rangUp >= 2 && recommended >= c.rangUpFrom:
		r.Verdict, r.Text = RingsUp, s.ringsUp(c, recommended)
	default:
		r.Verdict, r.Recommended = Found, recommended
		r.Release = min(r.Bound, s.plan.Window.ReleaseFor(recommended))
		r.Confirmed = s.confirmed(need, recommended)
		r.Text = s.says(c, r)
	}
}

// roundMs rounds to the nearest millisecond. (need uses the bound unrounded.)
func roundMs(nanoseconds float64) time.Duration { return time.Duration(nanoseconds).Round(ms) }
