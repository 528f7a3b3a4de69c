// Package tuning finds a line's interval by trials: which interval to try next, when to stop, and what the trials say
// about the release time of the line card, with its confidence. It is pure: random numbers come in as a source.
//
// A trial is a whole clearing with an opening of a given interval; its answer is whether the hold cleared. So each
// answer says on which side of the interval that release of the card lay, and no more. A [Session] goes up from the
// shortest interval until a hold clears (ascending method of limits), then tries around the threshold, then looks
// whether holds clear at what it is about to recommend. Catch trials at random places open nothing: a hold that clears
// then was cleared by the adapter itself.
//
// # The estimate
//
// Releases are taken to be normal. The answers are fitted by a probit curve with a penalty on its spread (type model),
// because with the few answers that a person has the patience for, and above all where all short holds stayed and all
// long ones cleared, the spread of an unpenalised fit is zero. The recommendation is the upper tolerance bound of that
// fit for 99 % of releases at 95 % confidence, at least 1.5 times the longest interval that ever failed, in the line's
// window.
//
// testdata/simulation.txt has what that is worth, for 10,000 simulated cards of each of four shapes. The other
// candidate, up-and-down with the estimate of Dixon and Mood, needs 10, 12 and 15 holds until 95 % of the thresholds
// are within 15, 10 and 7.5 % of the truth; the fit needs 8, 11 and 15. After 15 holds the bound of up-and-down is no
// less than what 99 % of releases take for 91 % of normal cards, that of the fit for 99 %. Hence the fit. Whole
// sessions take 16 holds in the middle for a card with a spread of 2 %, all 25 from 10 % on. The bound covers 99.7 % of
// normal cards with spreads of 2 to 15 % (95.3 % at 15 %, the worst), 94.6 % of skewed ones, 98 % of those with two
// modes and 99 % of those that drift; the recommendation, because of the 1.5 times, 97 % or more of each. At a spread
// of 20 %, more than any card should have, they cover 90.5 and 94 %, and one session in five ends without an estimate.
// The price is that the bound lies 20 to 40 % above what it bounds.
//
// Releases that were measured one by one (by a sense input) are a sample like any other: [OfReleases] takes the factor
// from the non-central t distribution.
package tuning

import (
	"math/rand/v2"
	"time"

	"clearback/supervision/window"
)

// Answer of one trial.
type Answer uint8

// The answers.
const (
	Unknown Answer = iota // it could not be told; the trial does not count
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

// Trial is one that was made.
type Trial struct {
	Interval time.Duration // 0: a catch trial, nothing was opened
	// Measured is how long the loop was open, 0 if not measured.
	Measured time.Duration
	Answer   Answer
	RangUp   bool // the line rang up after the break
}

// catch tells a catch trial.
func (t Trial) catch() bool { return t.Interval <= 0 }

// known tells a trial that opened the loop and has an answer.
func (t Trial) known() bool { return !t.catch() && t.Answer != Unknown }

// open is how long the loop was open, as well as it is known.
func (t Trial) open() time.Duration {
	if t.Measured > 0 {
		return t.Measured
	}
	return t.Interval
}

// longer is the longer of what was asked for and what was measured: what a trial that failed disproves.
func (t Trial) longer() time.Duration { return max(t.Interval, t.Measured) }

// Plan of a session. The zero value of every field but Window and Random stands for its default.
type Plan struct {
	// Window is what is known of the line; begin with [window.Defaults]. Its Release is not used: finding that is what
	// the trials are for.
	Window window.Line
	// Shortest and Longest bound the trials. Shortest is at least 250 ms unless pulse dialling is off, then at least 20
	// ms; 250 ms by default. Longest is at most the longest possible length of the window, which is its default.
	Shortest, Longest time.Duration
	// PulseDiallingOff: the user states that the adapter counts no dial pulses.
	PulseDiallingOff bool
	MaxHolds         int // 1 to 100, default 25; catch trials and trials without an answer count
	Random           *rand.Rand
}

// Result of a session. No number is invented: what is zero could not be told.
type Result struct {
	Verdict Verdict
	// Text says plainly what was found, in one or two sentences, also why there is no recommendation.
	Text                        string
	Trials                      []Trial
	Holds                       int
	Threshold, Spread           time.Duration // of the release time: mean and standard deviation
	ThresholdLow, ThresholdHigh time.Duration // two-sided 95 % confidence interval of the mean
	// Bound is the one-sided upper tolerance bound: 99 % of releases at 95 % confidence.
	Bound         time.Duration
	LongestStayed time.Duration // the longest interval that ever failed
	// RangUpFrom is the shortest opening after which the line rang up, 0: none did.
	RangUpFrom time.Duration
	// Confirmed is how many holds cleared at the recommended interval, or at a shorter one that is no shorter than
	// Bound and 1.5 times LongestStayed.
	Confirmed int
	// Recommended is the interval to write, 0: none.
	Recommended time.Duration
	// Release is the release time to write beside Recommended, so that the line's window has room for it: Bound, or
	// less where the window would count the errors of relay and controller twice, which every trial had in it. 0: none.
	Release time.Duration
	// Window is the line's window without the card's release time, in whose place the trials stand; after [AllCleared]
	// with the shortest interval as the card's release time.
	Window window.Result
}
