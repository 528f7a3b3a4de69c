package tuning

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"clearback/supervision/window"
)

const (
	// ascentRatio: each interval of the ascent is a quarter longer than the last, so that it takes at most eight from
	// 250 ms to 1.4 s and still ends within a quarter of the threshold.
	ascentRatio = 1.25
	// repeatsAtLongest is how often a hold must stay at the longest interval before none is said to clear, and
	// repeatsAtShortest how often it must clear at the shortest before all are: a card whose threshold is just there
	// clears six times running in 1 of 64 sessions.
	repeatsAtLongest, repeatsAtShortest = 3, 6
	// minAnswers is how many answers there must be for an estimate.
	minAnswers = 8
	// narrowInterval is half the width of the threshold's confidence interval, as a share of it, that ends the
	// refinement.
	narrowInterval = 0.1
	// confirmations is how many holds have to clear at what is recommended.
	confirmations = 2
	// maxUnanswered is how many holds running may have no answer.
	maxUnanswered = 5
	// offset is how far from the threshold the refinement tries, in standard deviations of the next release.
	offset = 0.5
	// significance is the probability below which an order of answers that is upside down is no chance.
	significance = 0.02
	// chanceLimit is the probability from which it may be chance that long intervals cleared more holds than short
	// ones. The least of several tests is compared, which chance alone makes small.
	chanceLimit = 0.1
)

// Session says what to try next. It is not for concurrent use.
//
//	ascent -> refinement -> confirmation -> done
//
// A catch trial is put in at two random places; a catch trial that cleared is repeated at once, until two of three say
// the same. What comes next depends on the trials so far and on the places of the catch trials only.
type Session struct {
	// set once
	plan    Plan
	window  window.Result
	catchAt [2]int // no earlier than after so many holds

	trials []Trial
	model  *model
	now    estimate // of model
}

// NewSession begins a session; earlier are the trials of an interrupted one, in their order. It goes on as if it had
// not been interrupted; catch trials that are still to come get new places if the random source is at another place. It
// fails for a plan that is not possible, and says why.
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

// catchPlaces of the catch trials: one while the intervals rise, one later; never the very first hold.
func catchPlaces(r *rand.Rand) [2]int { return [2]int{1 + r.IntN(4), 6 + r.IntN(5)} }

// Take takes the outcome of the trial that Next asked for. A trial at another interval counts as well.
func (s *Session) Take(t Trial) {
	s.trials = append(s.trials, t)
	if t.known() {
		s.model.take(t.open(), t.Answer == Cleared)
		s.now = s.model.estimate()
	}
}

// Next returns the next trial, or done. catch: open nothing. interval is within the plan's bounds. Asked again before
// Take, it says the same.
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

// ascend is for a line on which no hold has cleared.
func (s *Session) ascend(c counts) (interval time.Duration, catch, done bool) {
	if c.stayedAtLongest >= repeatsAtLongest {
		return s.finish(c)
	}
	if c.stayed == 0 {
		return s.plan.Shortest, false, false
	}
	return min(roundUp(time.Duration(ascentRatio*float64(c.longestAsked))), s.plan.Longest), false, false
}

// descend is for a line on which no hold has stayed: there is nothing below the shortest.
func (s *Session) descend(c counts) (interval time.Duration, catch, done bool) {
	if c.clearedAtShortest >= repeatsAtShortest {
		return s.finish(c)
	}
	return s.plan.Shortest, false, false
}

// finish makes sure that there was a catch trial.
func (s *Session) finish(c counts) (interval time.Duration, catch, done bool) {
	return 0, c.catches() == 0, c.catches() > 0
}

// refine is for a line on which holds have cleared and stayed.
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

// enough reports whether further holds around the threshold would change nothing.
func (s *Session) enough(c counts) bool {
	return c.cleared+c.stayed >= minAnswers && c.cleared >= 2 && c.stayed >= 2 && s.now.half() <= narrowInterval &&
		s.need(c) == afterFailure(c.longestStayed)
}

// around returns an interval below or above the threshold in turn: it is there that answers tell most of mean and
// spread.
func (s *Session) around(c counts) time.Duration {
	at := s.now.threshold - offset*s.now.deviation
	if (c.cleared+c.stayed)%2 == 0 {
		at = s.now.threshold + offset*s.now.deviation
	}
	rounded := time.Duration(at+float64(step)/2) / step * step
	return min(max(rounded, s.plan.Shortest), s.plan.Longest)
}

// afterFailure is the least that is recommended after an interval that failed: half as much again.
func afterFailure(failed time.Duration) time.Duration { return failed + (failed+1)/2 }

// need is what an interval has to be at least. Where openings were measured, the fit is of what they were, and the
// interval has to make up for what they can fall short of what is asked for.
func (s *Session) need(c counts) time.Duration {
	return max(time.Duration(math.Ceil(s.now.bound))+c.shortfall, afterFailure(c.longestStayed))
}

// recommend returns the shortest practical interval in the window that is not below need, 0 if there is none.
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

// confirmed counts the holds that cleared from need to recommended.
func (s *Session) confirmed(need, recommended time.Duration) int {
	n := 0
	for _, t := range s.trials {
		if t.known() && t.Answer == Cleared && t.Interval >= need && t.Interval <= recommended {
			n++
		}
	}
	return n
}

// counts of a session's trials.
type counts struct {
	cleared, stayed                    int
	catchCleared, catchStayed          int
	stayedAtLongest, clearedAtShortest int
	unknown, unknownRunning            int
	rangUp                             int
	longestStayed                      time.Duration // asked or measured, whichever is longer
	longestAsked                       time.Duration // of those that stayed
	rangUpFrom                         time.Duration
	shortfall                          time.Duration // by how much a measured opening was shorter than asked for, at most
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

// upsideDown returns how likely it is by chance that holds clear so much more rarely at long intervals than at short
// ones: the least one-sided probability of Fisher's exact test over all ways to part the trials by their length.
func upsideDown(trials []Trial) float64 { return byChance(trials, Cleared) }

// dependsOnLength reports whether holds clear more often at long intervals than at short ones, as far as chance can be
// left out. A card with a threshold passes from eight answers on.
func dependsOnLength(trials []Trial) bool { return byChance(trials, Stayed) < chanceLimit }

// byChance returns how likely it is by chance that so many of the short trials have the answer.
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
