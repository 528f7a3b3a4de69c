package tuning

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

const (
	// leastWidth is the width of the longest mark.
	leastWidth = 56
	labelWidth = 9
)

// Histogram returns the trials as lines of plain ASCII text of at most width characters (at least 56). There is a row
// for each interval that was tried, rising, with a symbol for each answer. Between them, in their places, are the edges
// of the window, the threshold, the bound and the recommendation.
//
//	   250 ms | x
//	   390 ms | xxo
//	-  402 ms - threshold, 386 ms to 418 ms
//	   410 ms | ooo
func (r Result) Histogram(width int) []string {
	width = max(width, leastWidth)
	rows := append(r.rows(width-labelWidth-3), r.marks()...)
	slices.SortStableFunc(rows, func(a, b row) int {
		return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.order, b.order))
	})
	var out []string
	for _, w := range rows {
		out = append(out, w.text)
	}
	if len(r.Trials) > 0 {
		out = append(out, r.key()...)
	}
	return out
}

// row is a line of text and its place.
type row struct {
	at    time.Duration
	order int // order among rows at the same place
	text  string
}

// rows returns the rows of the trials.
func (r Result) rows(room int) []row {
	answers := map[time.Duration][]byte{}
	for _, t := range r.Trials {
		at := max(t.Interval, 0)
		answers[at] = append(answers[at], symbol(t))
	}
	var out []row
	for at, all := range answers {
		slices.SortFunc(all, func(a, b byte) int {
			return cmp.Compare(strings.IndexByte(symbols, a),
				strings.IndexByte(symbols, b))
		})
		label := figure(at)
		if at == 0 {
			label = "unopened"
		}
		if len(all) > room {
			more := fmt.Sprintf(" +%d", len(all)-(room-5))
			all = append(all[:room-5:room-5], more...)
		}
		out = append(out, row{at, 1, fmt.Sprintf("%*s | %s", labelWidth, label, all)})
	}
	return out
}

// symbols of the answers, in their order within a row. Capital letters mean that the line also rang.
const symbols = "xXoO?"

func symbol(t Trial) byte {
	switch {
	case t.Answer == Unknown:
		return '?'
	case t.Answer == Stayed && t.RangUp:
		return 'X'
	case t.Answer == Stayed:
		return 'x'
	case t.RangUp:
		return 'O'
	default:
		return 'o'
	}
}

// marks returns the rows of the results.
func (r Result) marks() []row {
	var out []row
	add := func(at time.Duration, order int, format string, args ...any) {
		out = append(out, row{at, order, fmt.Sprintf("-%*s - %s", labelWidth-1, figure(at),
			fmt.Sprintf(format, args...))})
	}
	for i, s := range r.Window.Spans {
		from, to := "window begins", "window ends"
		if i > 0 {
			from = "window continues"
		}
		if i < len(r.Window.Spans)-1 {
			to = "window interrupted"
		}
		add(s.From.At, 0, "%s (%s)", from, s.From.Reason)
		add(s.To.At, 5, "%s (%s)", to, s.To.Reason)
	}
	if r.Threshold > 0 {
		add(r.Threshold, 2, "threshold, %s to %s", figure(r.ThresholdLow), figure(r.ThresholdHigh))
	}
	if r.Bound > 0 {
		add(r.Bound, 3, "99 of 100 releases, at 95 %% confidence")
	}
	if r.Recommended > 0 {
		add(r.Recommended, 4, "recommended")
	}
	return out
}

// figure formats any length in milliseconds, for a column.
func figure(d time.Duration) string { return fmt.Sprintf("%d ms", d.Round(ms).Milliseconds()) }

func (r Result) key() []string {
	key := "x stayed   o cleared"
	used := map[byte]bool{}
	for _, t := range r.Trials {
		used[symbol(t)] = true
	}
	if used['?'] {
		key += "   ? no answer"
	}
	if used['X'] || used['O'] {
		return []string{key, "X O the line rang as well"}
	}
	return []string{key}
}
