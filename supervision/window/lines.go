package window

import (
	"fmt"
	"strings"
	"time"
)

// cell is the length that one character of the scale stands for.
const (
	cell  = 25 * ms
	cells = int(dialWindow/cell) + 1
)

// Lines returns the window as lines of text for a terminal. They give the spans with the reason of each edge, the
// recommendation, and a scale from 0 to 2 s. Lines are at most 100 characters wide, except for the reasons.
func (r Result) Lines() []string {
	if r.Empty != "" {
		return []string{fmt.Sprintf("Possible lengths (%s): %s.", r.Method, r.Empty)}
	}
	var out []string
	for _, s := range r.Spans {
		out = append(out,
			fmt.Sprintf("Possible (%s): %s to %s", r.Method, clock(s.From.At), clock(s.To.At)),
			fmt.Sprintf("  from %s: %s (%s).", clock(s.From.At), s.From.Reason.Text(), s.From.Reason),
			fmt.Sprintf("  to %s: %s (%s).", clock(s.To.At), s.To.Reason.Text(), s.To.Reason))
	}
	if r.Flash != (Band{}) {
		out = append(out, fmt.Sprintf("Not from %s to %s: the adapter could take that for a hook flash.",
			clock(max(r.Flash.Min, 0)), clock(r.Flash.Max)))
	}
	out = append(out, fmt.Sprintf("Recommended: %s; %s above the shortest, %s below the longest.",
		clock(r.Recommended), clock(r.Below), clock(r.Above)))
	return append(out, r.scale()...)
}

// scale draws 0 to 2 s: = possible, f hook flash, R the recommendation, . not possible.
func (r Result) scale() []string {
	marks := make([]byte, cells)
	for i := range marks {
		at := time.Duration(i) * cell
		switch {
		case r.Allows(at):
			marks[i] = '='
		case r.Flash.Max > 0 && at >= r.Flash.Min && at <= r.Flash.Max:
			marks[i] = 'f'
		default:
			marks[i] = '.'
		}
	}
	if i := int((r.Recommended + cell/2) / cell); i < cells {
		marks[i] = 'R'
	}
	half := int(dialWindow / 4 / cell)
	var ruler, figures strings.Builder
	for i := range cells {
		if i%half == 0 {
			ruler.WriteByte('|')
		} else {
			ruler.WriteByte(' ')
		}
	}
	for i := range 5 {
		fmt.Fprintf(&figures, "%-*s", half, []string{"0", "0.5", "1", "1.5", "2 s"}[i])
	}
	key := "= possible  R recommended  . not possible"
	if r.Flash.Max > 0 {
		key += "  f hook flash"
	}
	return []string{"  " + string(marks), "  " + ruler.String(), "  " + strings.TrimRight(figures.String(), " "), "  " +
		key}
}
