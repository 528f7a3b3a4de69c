// Package window computes which lengths of an interruption are possible on a line, and why. The limits are what the
// line card needs, what the adapter could take for something else, and what people and rules allow. It is pure.
package window

import "time"

// Band is a length known to lie between Min and Max. For a measured length both are equal.
type Band struct{ Min, Max time.Duration }

func (b Band) mean() time.Duration { return (b.Min + b.Max) / 2 }

func (b Band) half() time.Duration { return b.Max - b.mean() }

// Line is what is known of a line. Begin with [Defaults]: [Of] fills in nothing, and the zero Line has an empty window,
// since its Ceiling is 0. Lengths beyond an hour count as an hour. Negative lengths count as 0, except in Timing.
type Line struct {
	// Release is the line card's release time: how long the current must be absent until the card releases a hold.
	Release Band
	// FlashMin and FlashMax bound the breaks that the adapter takes for a hook flash or a timed-break recall; both 0:
	// none.
	FlashMin, FlashMax time.Duration
	// OnHookRecognition is how long the adapter needs to recognise on hook.
	OnHookRecognition time.Duration
	// Operate, ReleaseTime and Bounce are those of the relay. Operate is the time from the command until the contact
	// opens, ReleaseTime the same until it closes, and Bounce the time for which the contact bounces after that.
	Operate, ReleaseTime, Bounce Band
	// Timing is the controller's error: how much shorter (negative Min) or longer than requested an opening can be.
	Timing Band
	// PulseDialling: the adapter detects dial pulses. PulseMax is the longest break that counts as a pulse.
	PulseDialling bool
	PulseMax      time.Duration
	// Floor and Ceiling are the policy's own bounds; LongestOpen is the longest opening that the user accepts.
	Floor, Ceiling, LongestOpen time.Duration
	// Lead bounds the opening together with the dial window of 2 s (invariant 11).
	Lead time.Duration
}

// Method is how errors are added.
type Method uint8

// The methods. Root-sum-square takes each band as the limits of an independent error around its middle. Its window is
// never narrower than that of the worst case, and a few openings in a thousand may miss its edges. The worst case
// applies unless something else is stated.
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

// Edge is one end of an allowed interval, with its reason.
type Edge struct {
	At     time.Duration
	Reason Reason
}

// Span is an allowed interval of lengths in whole milliseconds, including both edges.
type Span struct{ From, To Edge }

// Result is the result of [Of].
type Result struct {
	Method Method
	Spans  []Span // rising and separate: at most one below the flash window and one above
	// Recommended is a length within Spans, or 0 if Spans is empty. Below and Above are its distances from the edges of
	// its span. [Of] states the rule.
	Recommended  time.Duration
	Below, Above time.Duration
	// Flash is the range of requested lengths that the adapter could take for a hook flash: its flash window, widened
	// by the errors and margins. It is zero if flash detection is off.
	Flash Band
	// Empty says why no length is possible and what to change, or "" if one is.
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

// Clip returns the shortest possible length that is at least v. If there is none, it returns the longest possible
// length, or 0 if the window is empty.
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

// Why returns a sentence on why an interruption of v is not possible, or "" if it is.
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
