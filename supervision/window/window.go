// Package window tells which lengths of an interruption are possible on a line, and why: between what the line card
// needs, what the adapter could take for something else, and what people and rules allow. It is pure.
package window

import "time"

// Band is a length that is known to lie between Min and Max; a measured one has both equal.
type Band struct{ Min, Max time.Duration }

func (b Band) mean() time.Duration { return (b.Min + b.Max) / 2 }

func (b Band) half() time.Duration { return b.Max - b.mean() }

// Line is what is known of a line. Every field has a default; begin with [Defaults]. Nothing is filled in: the zero
// Line has an empty window, since its Ceiling is 0. Lengths beyond an hour count as an hour, negative ones as 0 (but
// for Timing).
type Line struct {
	// Release is the line card's release time: how long the current must be away until the card lets a hold go.
	Release Band
	// FlashMin and FlashMax bound what the adapter takes for a hook flash (or a timed-break recall); both 0: off.
	FlashMin, FlashMax time.Duration
	// OnHookRecognition is how long the adapter needs to read on hook.
	OnHookRecognition time.Duration
	// Operate, ReleaseTime and Bounce are the relay's: from the command until the contact moves, when it opens and when
	// it closes, and for how long it chatters after that.
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

// The methods. Root-sum-square takes each band for the limits of an error of its own around its middle; its window is
// never narrower than the worst case, and a few openings in a thousand may miss its edges. Where nothing says otherwise
// the worst case counts.
const (
	WorstCase     Method = iota // every error at its limit in the same direction
	RootSumSquare               // independent errors, added as squares
)

// String returns "worst case" or "root sum square".
func (m Method) String() string {
	if m == RootSumSquare {
		return "root sum square"
	}
	return "worst case"
}

// Edge is one end of an allowed interval and why it is there.
type Edge struct {
	At     time.Duration
	Reason Reason
}

// Span is an allowed interval of lengths, whole milliseconds, both edges in it.
type Span struct{ From, To Edge }

// Result of [Of].
type Result struct {
	Method Method
	Spans  []Span // rising, apart: at most one below the flash window and one above
	// Recommended is a length in Spans, 0 if there is none; Below and Above are its margins to the edges of its span.
	// The rule stands at [Of].
	Recommended  time.Duration
	Below, Above time.Duration
	// Flash is what the adapter could take for a hook flash, as lengths that are asked for: its window with the errors
	// and margins. Zero if its flash detection is off.
	Flash Band
	// Empty says why nothing is left and what to change, "" if something is.
	Empty string
}

// Allows reports whether an interruption of v is possible.
func (r Result) Allows(v time.Duration) bool {
	for _, s := range r.Spans {
		if v >= s.From.At && v <= s.To.At {
			return true
		}
	}
	return false
}

// Clip returns the shortest possible length that is not below v; if there is none, the longest possible one; 0 if the
// window is empty.
func (r Result) Clip(v time.Duration) time.Duration {
	var last time.Duration
	for _, s := range r.Spans {
		if v <= s.To.At {
			return max(v, s.From.At)
		}
		last = s.To.At
	}
	return last
}

// Why says in a sentence why an interruption of v is not possible, "" if it is.
func (r Result) Why(v time.Duration) string {
	if r.Empty != "" {
		return "no length is possible on this line: the window is " + r.Empty
	}
	for i, s := range r.Spans {
		switch {
		case v < s.From.At && (i == 0 || s.From.Reason != FlashEnds):
			return clock(v) + " is shorter than the shortest possible, " + clock(s.From.At) + ": " +
				s.From.Reason.Text()
		case v < s.From.At:
			return clock(v) + " lies between " + clock(r.Spans[i-1].To.At) + " and " + clock(s.From.At) + ": " +
				s.From.Reason.Text()
		case v <= s.To.At:
			return ""
		}
	}
	last := r.Spans[len(r.Spans)-1].To
	return clock(v) + " is longer than the longest possible, " + clock(last.At) + ": " + last.Reason.Text()
}
