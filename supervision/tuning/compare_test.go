package tuning

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/supervision/window"
)

// methodRun holds the results of a method after each number of holds, over all cards, as shares of the truth.
type methodRun struct {
	mean, bound [mostTried + 1][]float64 // estimate over truth, less 1; infinite where there is no estimate
}

func (c *methodRun) note(holds int, k card, mean, bound float64) {
	c.mean[holds] = append(c.mean[holds], mean/k.mean-1)
	c.bound[holds] = append(c.bound[holds], bound/k.upper-1)
}

// half returns half the width of the band around the truth that contains 95 % of the estimates.
func (c *methodRun) half(holds int) float64 {
	var off []float64
	for _, v := range c.mean[holds] {
		off = append(off, math.Abs(v))
	}
	return at(off, 0.95)
}

// needed returns the number of holds after which the half-width is small enough and stays so, or mostTried+1 if it
// never is.
func (c *methodRun) needed(half float64) int {
	n := mostTried + 1
	for n > 1 && c.half(n-1) <= half {
		n--
	}
	return n
}

func (c *methodRun) bias(holds int) float64 {
	var all []float64
	for _, v := range c.mean[holds] {
		if !math.IsInf(v, 0) {
			all = append(all, v)
		}
	}
	return 100 * mean(all)
}

// coverage returns the share of cards, in percent, whose bound is at least the truth.
func (c *methodRun) coverage(holds int) float64 {
	n := 0
	for _, v := range c.bound[holds] {
		if v >= 0 {
			n++
		}
	}
	return percent(n, len(c.bound[holds]))
}

func (c *methodRun) covers(holds int) string {
	return fmt.Sprintf("%5.1f, %+.0f", c.coverage(holds), 100*at(c.bound[holds], 0.5))
}

func (c *methodRun) row(shape, method string) string {
	needs := func(half float64) string {
		if n := c.needed(half); n <= mostTried {
			return fmt.Sprint(n)
		}
		return fmt.Sprintf("> %d", mostTried)
	}
	return fmt.Sprintf("%-10s %-20s %-8s %-8s %-9s %-8s %-8s %-8s %-8s %-17s %s\n", shape, method, needs(0.15),
		needs(0.10), needs(0.075),
		fmt.Sprintf("%+.1f", c.bias(15)), fmt.Sprintf("%+.1f", c.bias(25)), fmt.Sprintf("%.1f", 100*c.half(15)),
		fmt.Sprintf("%.1f", 100*c.half(25)), c.covers(15), c.covers(25))
}

// methodPair holds both methods on the same cards.
type methodPair struct{ fit, upDown, upDownFitted methodRun }

func (p *methodPair) table(shape string) string {
	var b strings.Builder
	b.WriteString(p.fit.row(shape, "fit"))
	b.WriteString(p.upDown.row(shape, "up-and-down"))
	b.WriteString(p.upDownFitted.row(shape, "the same, fitted"))
	return b.String()
}

func compare(t testing.TB, make func(mean, spread float64, r *rand.Rand) card, cards int, r *rand.Rand) *methodPair {
	var p methodPair
	for range cards {
		c := make(anyMean(r), anySpread(r), r)
		p.byFit(t, c, r)
		p.byUpDown(t, c, r)
	}
	return &p
}

// try makes one trial and adds it to the session.
func try(s *Session, c card, hold int, interval time.Duration) bool {
	cleared := c.clears(hold, interval)
	v := Trial{Interval: interval, Answer: Stayed}
	if cleared {
		v.Answer = Cleared
	}
	s.Take(v)
	return cleared
}

// fitted returns mean and bound in ms, or infinity until holds have both cleared and stayed.
func fitted(s *Session) (mean, bound float64) {
	if c := s.count(); c.cleared == 0 || c.stayed == 0 {
		return math.Inf(1), math.Inf(1)
	}
	return s.now.threshold / 1e6, s.now.bound / 1e6
}

func (p *methodPair) byFit(t testing.TB, c card, r *rand.Rand) {
	s, err := NewSession(Plan{Window: window.Defaults(), Random: r}, nil)
	require.NoError(t, err)
	for hold := range mostTried {
		n := s.count()
		interval := s.plan.Shortest
		switch {
		case n.cleared == 0:
			interval, _, _ = s.ascend(n)
		case n.stayed > 0:
			interval = s.around(n)
		}
		try(s, c, hold, max(interval, s.plan.Shortest))
		mean, bound := fitted(s)
		p.fit.note(hold+1, c, mean, bound)
	}
}

func (p *methodPair) byUpDown(t testing.TB, c card, r *rand.Rand) {
	s, err := NewSession(Plan{Window: window.Defaults(), Random: r}, nil)
	require.NoError(t, err)
	var u upDown
	for hold := range mostTried {
		if u.step == 0 {
			interval, _, _ := s.ascend(s.count())
			interval = max(interval, s.plan.Shortest)
			if try(s, c, hold, interval) {
				u.begin(interval)
				u.take(true)
			}
		} else {
			u.next = max(u.next, s.plan.Shortest)
			u.take(try(s, c, hold, u.next))
		}
		mean, bound := math.Inf(1), math.Inf(1)
		if m, b, ok := u.estimate(); ok {
			mean, bound = m, b
		}
		p.upDown.note(hold+1, c, mean, bound)
		mean, bound = fitted(s)
		p.upDownFitted.note(hold+1, c, mean, bound)
	}
}
