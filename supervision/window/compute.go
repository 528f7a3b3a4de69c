package window

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Of computes the window of a line.
//
// Two lengths count for an opening that is requested as T. The first is the time for which the contact is open without
// bounce: T, longer or shorter by the controller's error and by the difference between the relay's closing and opening,
// less the bounce at the opening. It must be longer than the card's release time and than anything else that the
// adapter could read. The second lasts until the contact is closed without bounce, so it is longer by the bounce at the
// closing. It must be shorter than the flash window if T is to lie below that, and at most LongestOpen. The policy's
// bounds (Floor, Ceiling, Lead and OnHookRecognition) apply to T itself, as in the policy.
//
// The recommendation is the UK's normal 800 ms. It is moved as little as necessary to be 100 ms from both edges of its
// span (a quarter of the span if that is narrower than 400 ms), and to a multiple of 10 ms. Its span is the upper one.
// An interval above the flash window is safe even if the adapter did not confirm that it cleared its leg, and does not
// turn a hold that stays into a flash.
//
// Of takes a few microseconds.
func Of(l Line, m Method) Result {
	l = l.bounded()
	r := Result{Method: m}
	low, high := l.edges(m)
	lower := slices.MaxFunc(low, byLength)
	upper := slices.MinFunc(high, byLength)
	if l.FlashMax <= 0 {
		r.add(lower, upper)
		if len(r.Spans) == 0 {
			r.Empty = empty(lower, upper)
		}
		return r.recommend()
	}
	begins := Edge{below(l.FlashMin - flashStep - l.maxExcess(m)), FlashBegins}
	ends := Edge{above(l.FlashMax + flashStep + l.maxShortfall(m, Band{})), FlashEnds}
	r.Flash = Band{begins.At + ms, ends.At - ms}
	under, over := earlier(begins, upper), later(ends, lower)
	r.add(lower, under)
	r.add(over, upper)
	if len(r.Spans) == 0 {
		r.Empty = empty(over, upper)
		if over.Reason == FlashEnds && under.At >= 0 {
			r.Empty += fmt.Sprintf("; nor is there room below the flash window, since %s at %s and %s at %s",
				reasons[lower.Reason].at, clock(lower.At-ms), reasons[under.Reason].at, clock(under.At))
		}
	}
	return r.recommend()
}

// ReleaseFor returns the longest release time of a card for which an interval of v is surely long enough on the line,
// in whole milliseconds, or 0 if there is none. It does not use the line's own Release.
func (l Line) ReleaseFor(v time.Duration) time.Duration {
	l = l.bounded()
	return max(0, down(v-ms-l.maxShortfall(WorstCase, Band{})))
}

// edges returns the lower and the upper bounds, without those of the flash window.
func (l Line) edges(m Method) (low, high []Edge) {
	low = []Edge{{above(l.Release.Min + l.maxShortfall(m, Band{Max: l.Release.Max - l.Release.Min})), CardRelease},
		{max(up(l.Floor), ms), Floor}}
	if l.PulseDialling {
		low = append(low, Edge{above(l.PulseMax + pulseStep + l.maxShortfall(m, Band{})), DialPulse})
	}
	high = []Edge{
		{down(dialWindow - l.Lead), DialWindow},
		{down(l.OnHookRecognition), Recognition},
		{down(l.Ceiling), Ceiling},
		{down(l.LongestOpen - l.maxExcess(m)), LongestOpen},
	}
	return low, high
}

// maxShortfall returns how much shorter than requested an opening without bounce can be. further is another length that
// has to fit into the opening.
func (l Line) maxShortfall(m Method, further Band) time.Duration {
	return sum(m, further, l.Operate, negative(l.ReleaseTime), l.Bounce, negative(l.Timing))
}

// maxExcess returns how much longer than requested an opening can be, up to the time when the contact is closed without
// bounce.
func (l Line) maxExcess(m Method) time.Duration {
	return sum(m, l.ReleaseTime, negative(l.Operate), l.Bounce, l.Timing)
}

func negative(b Band) Band { return Band{-b.Max, -b.Min} }

// sum returns the upper limit of a sum of errors.
func sum(m Method, errors ...Band) time.Duration {
	var middle, halves time.Duration
	squares := 0.0
	for _, b := range errors {
		middle += b.mean()
		halves += b.half()
		squares += float64(b.half()) * float64(b.half())
	}
	if m == RootSumSquare {
		return middle + time.Duration(math.Ceil(math.Sqrt(squares)))
	}
	return middle + halves
}

// bounded limits the fields to values that a line can have, so that no sum overflows.
func (l Line) bounded() Line {
	for _, b := range []*Band{&l.Release, &l.Operate, &l.ReleaseTime, &l.Bounce} {
		b.Min = within(b.Min, 0)
		b.Max = max(b.Min, within(b.Max, 0))
	}
	l.Timing.Min = within(l.Timing.Min, -time.Hour)
	l.Timing.Max = max(l.Timing.Min, within(l.Timing.Max, -time.Hour))
	for _, d := range []*time.Duration{&l.FlashMin, &l.FlashMax, &l.OnHookRecognition, &l.PulseMax, &l.Floor,
		&l.Ceiling, &l.LongestOpen, &l.Lead} {
		*d = within(*d, 0)
	}
	l.FlashMin = min(l.FlashMin, l.FlashMax)
	return l
}

func within(d, low time.Duration) time.Duration { return min(max(d, low), time.Hour) }

// above returns the first whole millisecond that is longer than d, and below the last that is shorter. up and down
// round d to a whole millisecond.
func above(d time.Duration) time.Duration { return down(d) + ms }
func below(d time.Duration) time.Duration { return up(d) - ms }
func up(d time.Duration) time.Duration    { return -down(-d) }
func down(d time.Duration) time.Duration {
	if r := d % ms; r < 0 {
		return d - r - ms
	} else {
		return d - r
	}
}

func byLength(a, b Edge) int { return int(max(min(a.At-b.At, 1), -1)) }

func earlier(a, b Edge) Edge {
	if b.At < a.At {
		return b
	}
	return a
}

func later(a, b Edge) Edge {
	if b.At > a.At {
		return b
	}
	return a
}

func (r *Result) add(from, to Edge) {
	if from.At <= to.At {
		r.Spans = append(r.Spans, Span{from, to})
	}
}

func empty(from, to Edge) string {
	return fmt.Sprintf("empty, because %s at %s, but %s at %s; change %s or %s",
		reasons[from.Reason].at, clock(from.At-ms), reasons[to.Reason].at, clock(to.At), from.Reason.Change(),
		to.Reason.Change())
}

const edgeMargin = 100 * ms

func (r Result) recommend() Result {
	if len(r.Spans) == 0 {
		return r
	}
	s := r.Spans[len(r.Spans)-1]
	from, to := s.From.At, s.To.At
	margin := min(edgeMargin, (to-from)/4)
	v := exchangeInterval
	switch low, high := up(from+margin), down(to-margin); {
	case v < low:
		v = low
		if whole := (v + 9*ms) / (10 * ms) * (10 * ms); whole <= high {
			v = whole
		}
	case v > high:
		v = high
		if whole := v / (10 * ms) * (10 * ms); whole >= low {
			v = whole
		}
	}
	r.Recommended, r.Below, r.Above = v, v-from, to-v
	return r
}
