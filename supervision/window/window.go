// Package window tells which lengths of an interruption are possible on a line, and why: between what the line card needs, what the
// adapter could take for something else, and what people and rules allow. It is pure.
package window

import "time"

// Band is a length that is known to lie between Min and Max; a measured one has both equal.
type Band struct{ Min, Max time.Duration }

// Line is what is known of a line. Every field has a default; see [Defaults].
type Line struct {
	// Release is the line card's release time.
	Release Band
	// FlashMin and FlashMax bound what the adapter takes for a hook flash; both 0: off.
	FlashMin, FlashMax time.Duration
	// OnHookRecognition is how long the adapter needs to read on hook.
	OnHookRecognition time.Duration
	// Operate, ReleaseTime and Bounce are the relay's.
	Operate, ReleaseTime, Bounce Band
	// Timing is the controller's error: how much shorter (negative Min) or longer than asked an opening can be.
	Timing Band
	// PulseDialling: the adapter detects dial pulses; PulseMax is the longest break that is one.
	PulseDialling bool
	PulseMax      time.Duration
	// Floor and Ceiling are the policy's own bounds; LongestOpen is the longest opening that the user accepts.
	Floor, Ceiling, LongestOpen time.Duration
	// Lead bounds the opening together with the dial window of 2 s (invariant 11).
	Lead time.Duration
}

// Method says how errors add up.
type Method uint8

// The methods.
const (
	WorstCase     Method = iota // every error at its limit in the same direction
	RootSumSquare               // independent errors, added as squares
)

// Edge is one end of an allowed interval and why it is there.
type Edge struct {
	At     time.Duration
	Reason Reason
}

// Reason bounds an interval.
type Reason uint8

// Span is an allowed interval of lengths, whole milliseconds.
type Span struct{ From, To Edge }

// Result of [Of].
type Result struct {
	Method Method
	Spans  []Span // rising, apart
	// Recommended is a length in Spans, 0 if there is none; Below and Above are its margins to the edges of its span.
	Recommended  time.Duration
	Below, Above time.Duration
	// Empty says why nothing is left and what to change, "" if something is.
	Empty string
}

// Defaults returns what is assumed where nothing is known.
func Defaults() Line { return Line{} }

// Of computes the window of a line.
func Of(l Line, m Method) Result { return Result{Method: m} }

// Steps returns the intervals of later clearings after holds that stayed: rising, each above interval, all in the window, at most
// three; nil if there is no room.
func Steps(l Line, interval time.Duration) []time.Duration { return nil }
