package tuning

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"clearback/supervision/window"
)

const (
	// ascentRatio: each interval of the ascent is a quarter longer than the one before. The ascent then takes at most
	// eight steps from 250 ms to 1.4 s and still ends within a quarter of the threshold.
	ascentRatio = 1.25
	// repeatsAtLongest is how many holds must stay at the longest interval before the verdict is that none clears.
	// repeatsAtShortest is how many must clear at the shortest before the verdict is that all do. A card whose
	// threshold lies just there clears six times in a row in 1 of 64 sessions.
	repeatsAtLongest, repeatsAtShortest = 3, 6
	// minAnswers is the least number of answers for an estimate.
	minAnswers = 8
	// narrowInterval ends the refinement: half the width of the threshold's confidence interval, as a share of the
	// threshold.
	narrowInterval = 0.1
	// confirmations is how many holds have to clear at the recommended interval.
	confirmations = 2
	// maxUnanswered is how many holds in a row may be without an answer.
	maxUnanswered = 5
	// offset is the distance of the refinement's trials from the threshold, in standard deviations of the next release.
	offset = 0.5
	// significance is the probability below which a reversed order of answers is not taken for chance.
	significance = 0.02
	// chanceLimit is the lowest probability at which chance may explain that long intervals cleared more holds than
	// short ones. It is this high because it is compared with the lowest of several tests, which chance alone makes
	// low.
	chanceLimit = 0.1
)

// Session decides what to try next. It is not for concurrent use.
//
//	ascent -> refinement -> confirmation -> done
//
// Catch trials come at two random places. One in which the hold clears is repeated at once, until two of three agree.
// The next trial depends only on the trials so far and on the places of the catch trials.
type Session struct {
	// set once
	plan    Plan
	window  window.Result
	catchAt [2]int // the catch trials come no earlier than after this many holds

	trials []Trial
	model  *model
	now    estimate // of model
}

// NewSession begins a session. earlier are the trials of an interrupted session, in order, which it continues. Catch
// trials still to come get new places if the random source has a different state. It returns an error if the plan is
// not possible.
func NewSession(p Plan, earlier []Trial) (*Session, error) {
	p, w, err := p.complete()
	if err != nil {
		return nil, err
	}
	s := &Session{plan: p, window: w, catchAt: catchPlaces(p.Random), model: newModel(p.Shortest, p.Longest)}
	s.now = s.model.estimate()
	for _, t := range earlier {
		s.Take(t)
	}
	return s, nil
}

// catchPlaces returns the places of the catch trials: one while the intervals rise, and one later. Neither is the first
// hold.
func catchPlaces(r *rand.Rand) [2]int { return [2]int{1 + r.IntN(4), 6 + r.IntN(5)} }

// Take adds the outcome of the trial that Next returned. A trial at another interval counts too.
func (s *Session) Take(t Trial) {
	s.trials = append(s.trials, t)
	if t.known() {
		s.model.take(t.open(), t.Answer == Cleared)
		s.now = s.model.estimate()
	}
}

// Next returns the next trial, or done. If catch is true, nothing is to be opened. interval is within the plan's
// bounds. Next returns the same until Take is called.
func (s *Session) Next() (interval time.Duration, catch, done bool) {
	c := s.count()
	switch {
	case len(s.trials) >= s.plan.MaxHolds, c.unknownRunning >= maxUnanswered:
		return 0, false, true
	case c.catchCleared > 0 && c.catchCleared < 2 && c.catchStayed < 2:
		return 0, true, false
	case c.catchCleared > 0:
		return 0, false, true
	case c.catches() < len(s.catchAt) && len(s.trials) >= s.catchAt[c.catches()]:
		return 0, true, false
	case c.cleared == 0:
		return s.ascend(c)
	case c.stayed == 0:
		return s.descend(c)
	case upsideDown(s.trials) < significance:
		return 0, false, true
	}
	return s.refine(c)
}

// ascend handles a line on which no hold has cleared.
func (s *Session) ascend(c counts) (interval time.Duration, catch, done bool) {
	if c.stayedAtLongest >= repeatsAtLongest {
		return s.finish(c)
	}
	if c.stayed == 0 {
		return s.plan.Shortest, false, false
	}
	return min(roundUp(time.Duration(ascentRatio*float64(c.longestAsked))), s.plan.Longest), false, false
}

// descend handles a line on which no hold has stayed. It cannot go below the shortest interval.
func (s *Session) descend(c counts) (interval time.Duration, catch, done bool) {
	if c.clearedAtShortest >= repeatsAtShortest {
		return s.finish(c)
	}
	return s.plan.Shortest, false, false
}

// finish ends the session, after a catch trial if there was none.
func (s *Session) finish(c counts) (interval time.Duration, catch, done bool) {
	return 0, c.catches() == 0, c.catches() > 0
}

// refine handles a line on which holds have cleared and stayed.
func (s *Session) refine(c counts) (interval time.Duration, catch, done bool) {
	need := s.need(c)
	recommended := s.recommend(need)
	possible := recommended > 0 && recommended <= s.plan.Longest
	spare := s.plan.MaxHolds-len(s.trials) > confirmations || !possible || c.cleared+c.stayed < minAnswers
	if !s.enough(c) && spare {
		return s.around(c), false, false
	}
	if !possible || s.confirmed(need, recommended) >= confirmations {
		return s.finish(c)
	}
	return max(recommended, s.plan.Shortest), false, false
}

// enough reports whether more holds around the threshold would not change the recommendation.
func (s *Session) enough(c counts) bool {
	return c.cleared+c.stayed >= minAnswers && c.cleared >= 2 && c.stayed >= 2 && s.now.half() <= narrowInterval &&
		s.need(c) == afterFailure(c.longestStayed)
}

// around returns an interval below or above the threshold in turn, where answers say the most about mean and spread.
func (s *Session) around(c counts) time.Duration {
	at := s.now.threshold - offset*s.now.deviation
	if (c.cleared+c.stayed)%2 == 0 {
		at = s.now.threshold + offset*s.now.deviation
	}
	rounded := time.Duration(at+float64(step)/2) / step * step
	return min(max(rounded, s.plan.Shortest), s.plan.Longest)
}

// afterFailure returns the least interval to recommend after one that failed: half as much again.
func afterFailure(failed time.Duration) time.Duration { return failed + (failed+1)/2 }

// need returns the least interval to recommend. If openings were measured, the fit is of the measured lengths, so the
// interval has to make up for the largest shortfall against the requested length.
func (s *Session) need(c counts) time.Duration {
	return max(time.Duration(math.Ceil(s.now.bound))+c.shortfall, afterFailure(c.longestStayed))
}

// recommend returns the shortest practical interval in the window that is at least need, or 0 if there is none.
func (s *Session) recommend(need time.Duration) time.Duration { return practical(s.window, need) }

func practical(w window.Result, need time.Duration) time.Duration {
	v := w.Clip(need)
	if v < need || v <= 0 {
		return 0
	}
	if r := roundUp(v); w.Allows(r) {
		return r
	}
	if r := w.Clip(roundUp(v)); r >= need {
		return r
	}
	return v
}

// confirmed counts the holds that cleared at intervals from need to recommended.
func (s *Session) confirmed(need, recommended time.Duration) int {
	n := 0
	for _, t := range s.trials {
		if t.known() && t.Answer == Cleared && t.Interval >= need && t.Interval <= recommended {
			n++
		}
	}
	return n
}

// counts summarises a session's trials.
type counts struct {
	cleared, stayed                    int
	catchCleared, catchStayed          int
	stayedAtLongest, clearedAtShortest int
	unknown, unknownRunning            int
	rangUp                             int
	longestStayed                      time.Duration // requested or measured, whichever is longer
	longestAsked                       time.Duration // the longest requested interval of those that stayed
	rangUpFrom                         time.Duration
	shortfall                          time.Duration // the most by which a measured opening was shorter than requested
}

func (c counts) catches() int { return c.catchCleared + c.catchStayed }

func (s *Session) count() counts {
	var c counts
	for _, t := range s.trials {
		if t.RangUp && !t.catch() {
			c.rangUp++
			if c.rangUpFrom == 0 || t.Interval < c.rangUpFrom {
				c.rangUpFrom = t.Interval
			}
		}
		if t.Answer == Unknown {
			c.unknown++
			c.unknownRunning++
			continue
		}
		c.unknownRunning = 0
		if t.known() {
			c.shortfall = max(c.shortfall, t.Interval-t.open())
		}
		switch cleared := t.Answer == Cleared; {
		case t.catch() && cleared:
			c.catchCleared++
		case t.catch():
			c.catchStayed++
		case cleared:
			c.cleared++
			if t.Interval <= s.plan.Shortest {
				c.clearedAtShortest++
			}
		default:
			c.stayed++
			c.longestStayed = max(c.longestStayed, t.longer())
			c.longestAsked = max(c.longestAsked, t.Interval)
			if t.Interval >= s.plan.Longest {
				c.stayedAtLongest++
			}
		}
	}
	return c
}

// upsideDown returns the probability that chance alone makes long intervals clear so much fewer holds than short ones.
// It is the lowest one-sided probability of Fisher's exact test over all ways to divide the trials by length.
func upsideDown(trials []Trial) float64 { return byChance(trials, Cleared) }

// dependsOnLength reports whether holds clear more often at long intervals than at short ones, beyond what chance
// explains. A card with a threshold passes from eight answers on.
func dependsOnLength(trials []Trial) bool { return byChance(trials, Stayed) < chanceLimit }

// byChance returns the probability that chance alone gives so many of the short trials the answer.
func byChance(trials []Trial, answer Answer) float64 {
	var known []Trial
	for _, t := range trials {
		if t.known() {
			known = append(known, t)
		}
	}
	slices.SortStableFunc(known, func(a, b Trial) int { return int(max(min(a.open()-b.open(), 1), -1)) })
	total := 0
	for _, t := range known {
		if t.Answer == answer {
			total++
		}
	}
	least, short := 1.0, 0
	for i, t := range known[:max(len(known)-1, 0)] {
		if t.Answer == answer {
			short++
		}
		if t.open() < known[i+1].open() && short*len(known) > total*(i+1) {
			least = min(least, atLeast(short, i+1, total, len(known)))
		}
	}
	return least
}
