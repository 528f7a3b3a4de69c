package callrecord

import (
	"slices"
	"strings"
	"time"

	"clearback/supervision"
)

// loopState is the state of the loop as far as it is known.
type loopState uint8

const (
	loopClosed loopState = iota
	loopOpen
	loopUnknown
)

// mark is one moment of a drawing: its letter, the letter's meaning, and the state of the loop from then on.
type mark struct {
	at          time.Time
	letter      byte
	meaning     string
	changesLoop bool // the state of the loop changes to loop
	loop        loopState
	column      int
}

// The layout of a drawing.
const (
	drawingLabel = len("  closed  ")
	drawingEdge  = 3 // columns before the first mark and after the last
	// A longer gap is drawn as long as this, with a break.
	longestGap = 2 * time.Second
)

// draw writes a drawing of the loop, closed above and open below, with a letter for each moment. If the loop never
// moved, it writes a sentence instead.
func draw(b *strings.Builder, c *timeline, width int) {
	marks := marksOf(c)
	moved := false
	for i := range marks {
		moved = moved || marks[i].changesLoop
	}
	if !moved {
		text := "it stayed closed, as far as the record shows."
		if c.a.Rule == supervision.SuppressedLoopFaulted {
			text = "its state was unknown."
		}
		paragraph(b, "The loop:", text, width)
		b.WriteString("\n")
		return
	}
	columns := width - drawingLabel
	left := max(0, len(marks)-(columns-2*drawingEdge))
	marks = marks[:len(marks)-left]
	breaks := placeMarks(marks, columns)
	closed, open, letters := paint(marks, breaks, columns, c.a.Rule == supervision.SuppressedLoopFaulted)
	for _, line := range []string{"  closed  " + closed, "  open    " + open, "          " + letters} {
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	var legend []string
	zero := c.zero()
	for _, m := range marks {
		legend = append(legend, strings.ReplaceAll(string(m.letter)+" "+offset(m.at.Sub(zero))+" "+m.meaning, " ", tie))
	}
	text := strings.Join(legend, "; ")
	if left > 0 {
		text += "; later events do not fit"
	}
	if len(breaks) > 0 {
		text += "; ~ marks time left out"
	}
	for _, line := range wrap(text, width-drawingLabel) {
		b.WriteString(strings.Repeat(" ", drawingLabel) + line + "\n")
	}
	b.WriteString("\n")
}

// marksOf returns the marks of the drawing in the order of time.
func marksOf(c *timeline) []mark {
	var marks []mark
	zero := c.zero()
	is := loopClosed
	for i := range c.own {
		e := &c.own[i]
		if e.At.Before(zero.Add(-sameInstant)) {
			continue
		}
		m := markOf(c, i)
		if m.letter == 0 && is == loopOpen && loopBecameUnknown(&e.Effect) {
			m = mark{letter: 'U', meaning: "unknown", changesLoop: true, loop: loopUnknown}
		}
		if m.letter != 0 {
			m.at = e.At
			marks = append(marks, m)
		}
		if m.changesLoop {
			is = m.loop
		}
	}
	slices.SortStableFunc(marks, func(a, b mark) int { return a.at.Compare(b.at) })
	return marks
}

// loopBecameUnknown reports whether the machine reports that the state of the loop is unknown.
func loopBecameUnknown(ef *supervision.Effect) bool {
	return ef.Kind == supervision.Report && ef.Report == supervision.ReportIncident && ofContact(ef.Incident)
}

// markOf returns the mark of an entry; letter 0 means that it has none.
func markOf(c *timeline, i int) mark {
	e := &c.own[i]
	switch ev := &e.Event; ev.Kind {
	case supervision.EventNone:
		return effectMark(c, i)
	case supervision.AdapterLegCleared:
		if ev.Answer != supervision.AnswerNone {
			return mark{letter: 'A', meaning: "the adapter's answer"}
		}
	case supervision.LoopOpened:
		return mark{letter: 'O', meaning: "open", changesLoop: true, loop: loopOpen}
	case supervision.LoopClosed:
		return mark{letter: 'C', meaning: "closed", changesLoop: true, loop: loopClosed}
	case supervision.LoopFailed:
		if ev.Failure == supervision.FailureShort {
			return mark{letter: 'C', meaning: "closed early", changesLoop: true, loop: loopClosed}
		}
		return mark{letter: 'F', meaning: "not opened", changesLoop: true, loop: loopClosed}
	case supervision.LoopUnknown:
		return mark{letter: 'U', meaning: "unknown", changesLoop: true, loop: loopUnknown}
	case supervision.NearEndCleared, supervision.AdapterLost:
		return mark{letter: 'N', meaning: "the near end cleared"}
	case supervision.CallRequested:
		if ev.Call != c.a.Call {
			return mark{letter: 'S', meaning: "seizure"}
		}
	case supervision.Seized, supervision.Released:
		return readingMark(ev)
	case supervision.FlashReported:
		return mark{letter: 'L', meaning: "flash reported"}
	case supervision.ProbeAnswered:
		return mark{letter: 'H', meaning: "the probe: " + probePhrase(ev.Hook)}
	}
	return mark{}
}

// readingMark returns the mark of a reading of the loop current. A reading from before the closing gets no mark,
// because the mark would stand too late.
func readingMark(ev *supervision.Event) mark {
	switch {
	case ev.Reading == supervision.ReadingBeforeClosing:
		return mark{}
	case ev.Kind == supervision.Seized:
		return mark{letter: 'S', meaning: "loop current flows"}
	default:
		return mark{letter: 'R', meaning: "no loop current"}
	}
}

func effectMark(c *timeline, i int) mark {
	switch ef := &c.own[i].Effect; ef.Kind {
	case supervision.ClearAdapterLeg:
		return mark{letter: 'B', meaning: "BYE to the adapter"}
	case supervision.OpenLoop:
		return openMark(c.own[i+1:], ef.Seq)
	case supervision.CloseLoop:
		return mark{letter: 'X', meaning: "command to close"}
	case supervision.ProbeLine:
		return mark{letter: 'P', meaning: "probe"}
	case supervision.Report:
		if ef.Report == supervision.ReportInterrupted && !probedBefore(c.own[:i]) {
			return reportMark(ef.Hook)
		}
	}
	return mark{}
}

// openMark returns the mark of a command to open. If the opening is later confirmed, or known not to have been made,
// the loop is drawn closed until then. Otherwise its state is unknown from the command on.
func openMark(later []Entry, seq supervision.Seq) mark {
	m := mark{letter: 'o', meaning: "command to open", changesLoop: true, loop: loopUnknown}
	for i := range later {
		ev := &later[i].Event
		if ev.Seq == seq && (ev.Kind == supervision.LoopOpened || ev.Kind == supervision.LoopFailed) {
			m.loop = loopClosed
			break
		}
	}
	return m
}

// probedBefore reports whether the entry before a result was the probe's answer.
func probedBefore(earlier []Entry) bool {
	return len(earlier) > 0 && earlier[len(earlier)-1].Event.Kind == supervision.ProbeAnswered
}

// reportMark returns the mark of a result without a probe's answer. The sensor decided, or the guard time ended without
// anything to decide it.
func reportMark(h supervision.Hook) mark {
	if h == supervision.HookUnknown {
		return mark{letter: 'G', meaning: "guard time over, nothing seen"}
	}
	return mark{letter: 'H', meaning: "the sensor: " + probePhrase(h)}
}

// placeMarks gives each mark a column of its own, in order, and returns the columns of the breaks. columns must exceed
// 2*drawingEdge, and there must not be more marks than columns between the edges.
func placeMarks(marks []mark, columns int) (breaks []int) {
	first, last := drawingEdge, columns-drawingEdge-1
	at := make([]time.Duration, len(marks)) // time from the first mark, with long gaps shortened
	for i := 1; i < len(marks); i++ {
		at[i] = at[i-1] + min(longestGap, marks[i].at.Sub(marks[i-1].at))
	}
	whole := at[len(at)-1]
	step := 1
	if 2*len(marks) <= last-first {
		step = 2
	}
	for i := range marks {
		column := first
		if whole > 0 {
			column += int(float64(last-first) * (float64(at[i]) / float64(whole)))
		}
		if i > 0 {
			column = max(column, marks[i-1].column+step)
		}
		marks[i].column = column
	}
	for i := len(marks) - 1; i >= 0; i-- {
		limit := last
		if i < len(marks)-1 {
			limit = marks[i+1].column - step
		}
		marks[i].column = min(marks[i].column, limit)
	}
	for i := 1; i < len(marks); i++ {
		a, b := marks[i-1].column, marks[i].column
		if marks[i].at.Sub(marks[i-1].at) > longestGap && b-a > 1 {
			breaks = append(breaks, (a+b)/2)
		}
	}
	return breaks
}

// paint returns the two rows of the loop and the row of letters, each as wide as columns.
func paint(marks []mark, breaks []int, columns int, unknown bool) (closed, open, letters string) {
	rows := [3][]byte{}
	for i := range rows {
		rows[i] = []byte(strings.Repeat(" ", columns))
	}
	is := loopClosed
	if unknown {
		is = loopUnknown
	}
	next := 0
	for column := range columns {
		was := is
		if next < len(marks) && marks[next].column == column {
			if m := &marks[next]; m.changesLoop {
				is = m.loop
			}
			rows[2][column] = marks[next].letter
			next++
		}
		switch {
		case was != is && was != loopUnknown && is != loopUnknown:
			rows[0][column], rows[1][column] = '+', '+'
		case is == loopClosed:
			rows[0][column] = '-'
		case is == loopOpen:
			rows[1][column] = '-'
		default:
			rows[0][column], rows[1][column] = '?', '?'
		}
	}
	for _, column := range breaks {
		for i := range rows[:2] {
			if rows[i][column] != ' ' {
				rows[i][column] = '~'
			}
		}
	}
	return string(rows[0]), string(rows[1]), string(rows[2])
}
