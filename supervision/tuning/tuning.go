// Package tuning finds a line's interval by trials: which interval to try next, when to stop, and what the trials say about the release time
// of the line card, with its confidence. It is pure: random numbers come in as a source.
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

// Trial is one that was made.
type Trial struct {
	Interval time.Duration // 0: a catch trial, nothing was opened
	// Measured is how long the loop was open, 0 if not measured.
	Measured time.Duration
	Answer   Answer
	RangUp   bool // the line rang up after the break
}

// Plan of a session.
type Plan struct {
	Window window.Line
	// Shortest and Longest bound the trials. Shortest is at least 250 ms unless pulse dialling is off.
	Shortest, Longest time.Duration
	MaxHolds          int // default 25
	Random            *rand.Rand
}

// Session says what to try next. It is not for concurrent use.
type Session struct{}

// NewSession begins a session; earlier are the trials of an interrupted one.
func NewSession(p Plan, earlier []Trial) (*Session, error) { return &Session{}, nil }

// Next returns the next trial, or done. catch: open nothing.
func (s *Session) Next() (interval time.Duration, catch, done bool) { return 0, false, true }

// Take takes the outcome of the trial that Next asked for.
func (s *Session) Take(t Trial) {}

// Result returns what the trials so far say.
func (s *Session) Result() Result { return Result{} }

// Verdict says what a session came to.
type Verdict uint8

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
	// Recommended is the interval to write, 0: none.
	Recommended time.Duration
	Window      window.Result
}
