package tuning

import (
	"errors"
	"fmt"
	"time"

	"clearback/supervision/window"
)

const ms = time.Millisecond

const (
	// shortestSafe: a shorter break can be read as dial pulses (up to 200 ms, RFC 5098) or as a timed recall.
	shortestSafe = 250 * ms
	// shortestAtAll: line circuits ignore breaks below 20 to 50 ms (common practice).
	shortestAtAll = 20 * ms
	defaultHolds  = 25
	mostHolds     = 100
	// step is the grid of trials and recommendations. Relays and their controllers are accurate to about that.
	step = 10 * ms
)

// complete fills in the defaults and checks the plan.
func (p Plan) complete() (Plan, window.Result, error) {
	w := p.window(0)
	if w.Empty != "" {
		return p, w, fmt.Errorf("no interval can be tried: the line's window is %s", w.Empty)
	}
	if len(w.Spans) == 0 {
		return p, w, errors.New("no interval can be tried: the line's window is empty")
	}
	longest := w.Spans[len(w.Spans)-1].To
	if p.Shortest == 0 {
		p.Shortest = shortestSafe
	}
	if p.Longest == 0 {
		p.Longest = longest.At
	}
	if p.MaxHolds == 0 {
		p.MaxHolds = defaultHolds
	}
	switch {
	case p.Shortest < shortestAtAll:
		return p, w, fmt.Errorf("shortest trial %v: at least %v; line circuits ignore shorter breaks", p.Shortest,
			shortestAtAll)
	case p.Shortest < shortestSafe && !p.PulseDiallingOff:
		return p, w, fmt.Errorf("shortest trial %v: below %v the adapter can read a break as dial pulses; switch pulse dialling off at the adapter and state so, or begin at %[2]v",
			p.Shortest, shortestSafe)
	case p.Longest > longest.At:
		return p, w, fmt.Errorf("longest trial %v: at most %v, since %s", p.Longest, longest.At, longest.Reason.Text())
	case p.Longest < p.Shortest:
		return p, w, fmt.Errorf("longest trial %v is shorter than the shortest, %v; raise the longest or lower the shortest",
			p.Longest, p.Shortest)
	case p.MaxHolds < 1 || p.MaxHolds > mostHolds:
		return p, w, fmt.Errorf("%d holds: allowed are 1 to %d", p.MaxHolds, mostHolds)
	case p.Random == nil:
		return p, w, errors.New("no random source: catch trials need one")
	}
	return p, w, nil
}

// window returns the line's window for a card with a release time of at most release.
func (p Plan) window(release time.Duration) window.Result {
	l := p.Window
	l.Release = window.Band{Max: release}
	return window.Of(l, window.WorstCase)
}

// roundUp rounds up to the next multiple of step.
func roundUp(d time.Duration) time.Duration { return (d + step - 1) / step * step }
