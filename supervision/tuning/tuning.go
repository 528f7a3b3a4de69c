// Package tuning finds a line's interval by trials. It decides which interval to try next and when to stop, and
// computes what the trials say about the release time of the line card, with its confidence. It is pure: random numbers
// come from a source that the caller passes in.
//
// A trial is a whole clearing with an opening of a given interval. Its answer is whether the hold cleared. So each
// answer says only whether the card's release time, in that trial, was shorter or longer than the interval. A [Session]
// raises the interval from the shortest until a hold clears (ascending method of limits). Then it tries around the
// threshold. Last, it checks whether holds clear at the interval that it is about to recommend. Catch trials at random
// places open nothing; if a hold clears then, the adapter itself cleared it.
//
// # The estimate
//
// Release times are assumed to be normally distributed. The answers are fitted by a probit curve with a penalty on its
// spread (type model). Without the penalty the fitted spread would be zero for the few answers that a person has the
// patience for, above all if all short holds stayed and all long ones cleared. The recommendation is the upper
// tolerance bound of that fit for 99 % of releases at 95 % confidence. It is at least 1.5 times the longest interval
// that failed, and lies in the line's window.
//
// testdata/simulation.txt has the performance of this method for 10,000 simulated cards of each of four shapes. The
// other candidate was up-and-down with the estimate of Dixon and Mood. It needs 10, 12 and 15 holds until 95 % of the
// thresholds are within 15, 10 and 7.5 % of the truth; the fit needs 8, 11 and 15. After 15 holds, the bound covers 99
// % of releases for 91 % of normal cards with up-and-down, and for 99 % with the fit. Hence the fit.
//
// Whole sessions take 16 holds in the median for a card with a spread of 2 %, and all 25 from 10 % on. The bound holds
// for 99.7 % of normal cards with spreads of 2 to 15 % (95.3 % at 15 %, the worst), for 94.6 % of skewed ones, 98 % of
// those with two modes and 99 % of those that drift. The recommendation, because of the factor 1.5, holds for 97 % or
// more of each shape. At a spread of 20 %, more than any card should have, they hold for 90.5 and 94 %, and one session
// in five ends without an estimate. The price is that the bound lies 20 to 40 % above the true value.
package tuning

import (
	"math/rand/v2"
	"time"

	"clearback/supervision/window"
)

// Answer is the result of one trial.
type Answer uint8

// The answers.
const (
	Unknown Answer = iota // not known; the trial does not count
	Cleared
	Stayed
)

// String returns "unknown", "cleared" or "stayed".
func (a Answer) String() string {
	switch a {
	case Cleared:
		return "cleared"
	case Stayed:
		return "stayed"
	default:
		return "unknown"
	}
}

// Trial is one trial that was made.
type Trial struct {
	Interval time.Duration // 0: a catch trial, which opens nothing
	// Measured is how long the loop was open, 0 if not measured.
	Measured time.Duration
	Answer   Answer
	RangUp   bool // the line rang after the opening
}

// catch reports whether t is a catch trial.
func (t Trial) catch() bool { return t.Interval <= 0 }

// known reports whether t opened the loop and has an answer.
func (t Trial) known() bool { return !t.catch() && t.Answer != Unknown }

// open returns how long the loop was open: the measured time, or else the requested one.
func (t Trial) open() time.Duration {
	if t.Measured > 0 {
		return t.Measured
	}
	return t.Interval
}

// longer returns the longer of the requested and the measured time. A trial that failed rules that length out.
func (t Trial) longer() time.Duration { return max(t.Interval, t.Measured) }

// Plan is the plan of a session. A zero field stands for its default, except for Window and Random.
type Plan struct {
	// Window is what is known of the line; begin with [window.Defaults]. Its Release is not used, since the trials are
	// to find it.
	Window window.Line
	// Shortest and Longest bound the trials. Shortest is at least 250 ms, the default, or at least 20 ms if pulse
	// dialling is off. Longest is at most the longest possible length of the window, which is its default.
	Shortest, Longest time.Duration
	// PulseDiallingOff: the user declares that the adapter counts no dial pulses.
	PulseDiallingOff bool
	MaxHolds         int // 1 to 100, default 25; includes catch trials and trials without an answer
	Random           *rand.Rand
}

// Result is the result of a session. A zero figure could not be determined.
type Result struct {
	Verdict Verdict
	// Text says in one or two sentences what was found, or why there is no recommendation.
	Text                        string
	Trials                      []Trial
	Holds                       int
	Threshold, Spread           time.Duration // of the release time: mean and standard deviation
	ThresholdLow, ThresholdHigh time.Duration // two-sided 95 % confidence interval of the mean
	// Bound is the one-sided upper tolerance bound: 99 % of releases at 95 % confidence.
	Bound         time.Duration
	LongestStayed time.Duration // the longest interval at which a hold stayed
	// RangUpFrom is the shortest opening after which the line rang; 0: it never did.
	RangUpFrom time.Duration
	// Confirmed is how many holds cleared at the recommended interval, or at a shorter one that is at least Bound and
	// at least 1.5 times LongestStayed.
	Confirmed int
	// Recommended is the interval for the configuration; 0: none.
	Recommended time.Duration
	// Release is the release time for the configuration, beside Recommended, chosen so that the line's window has room
	// for Recommended. It is Bound, or less if the window would count the errors of relay and controller twice: the
	// trials already include them. 0: none.
	Release time.Duration
	// Window is the line's window without the card's release time, which the trials replace. After [AllCleared] it is
	// the window with the shortest interval as the release time.
	Window window.Result
}
