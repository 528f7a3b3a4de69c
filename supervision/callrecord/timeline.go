package callrecord

import (
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"clearback/supervision"
)

// sameInstant is the largest difference between two records of the same instant, since the journal may round.
const sameInstant = time.Millisecond

// timeline is the time line of a call: those entries that belong to it, in order.
type timeline struct {
	a       *Account
	own     []Entry // also the seizures by other calls, for the drawing
	rows    []row
	openSeq []supervision.Seq // of the call's own interruptions
	until   time.Time         // time of the last entry that is surely the call's own; zero: no end

	// while entries are added
	answered, cleared bool
	others            []otherCall
	index             map[supervision.CallID]int // index in others; also of calls beyond maxOthers
}

// row is one row of the time line.
type row struct {
	at        time.Time
	who, text string
	other     int // index of the other call that the row is about; -1: none
}

// otherCall is another call on the line at the same time.
type otherCall struct {
	call    supervision.CallID
	actions []string
	more    int
}

const (
	maxRows    = 120 // of a time line
	maxOthers  = 12  // other calls that are described
	maxActions = 8   // of another call
)

// zero returns the time from which offsets are counted.
func (c *timeline) zero() time.Time {
	switch {
	case !c.a.Cleared.IsZero():
		return c.a.Cleared
	case c.a.Began.IsZero() && len(c.rows) > 0: // the beginning is not recorded
		return c.rows[0].at
	default:
		return c.a.Began
	}
}

func (c *timeline) zeroName() string {
	switch {
	case !c.a.Cleared.IsZero():
		return "the clearing"
	case c.a.Call == 0:
		return "the command to open"
	default:
		return "the beginning of the call"
	}
}

// newTimeline selects the entries of the call, and those of its line at the same time.
func newTimeline(a *Account, entries []Entry) *timeline {
	c := &timeline{a: a}
	belongs := make([]bool, len(entries))
	for i := range entries {
		belongs[i] = c.isOwn(&entries[i])
		if belongs[i] && entries[i].At.After(c.until) {
			c.until = entries[i].At
		}
	}
	if a.Outcome == OutcomeInProgress {
		c.until = time.Time{}
	} else if a.Ended.After(c.until) {
		c.until = a.Ended
	}
	for i := range entries {
		e := &entries[i]
		switch {
		case belongs[i] || c.ofLine(e):
			c.own = append(c.own, *e)
			c.add(e)
		case c.during(e.At, a.Began):
			c.meanwhile(e)
			if e.Event.Kind == supervision.CallRequested {
				c.own = append(c.own, *e) // the drawing marks the seizure
			}
		}
	}
	return c
}

// observed returns how long the last interruption was open, from the LoopOpened entry to the LoopClosed entry; 0: not
// known.
func (c *timeline) observed() time.Duration {
	if len(c.openSeq) == 0 {
		return 0
	}
	last := c.openSeq[len(c.openSeq)-1]
	var from time.Time
	for i := range c.own {
		switch e := &c.own[i]; {
		case e.Event.Kind == supervision.LoopOpened && e.Event.Seq == last:
			from = e.At
		case e.Event.Kind == supervision.LoopClosed && !from.IsZero() && (e.Event.Seq == last || e.Event.Seq == 0):
			return e.At.Sub(from)
		}
	}
	return 0
}

func callOf(e *Entry) supervision.CallID {
	if e.Event.Kind != supervision.EventNone {
		return e.Event.Call
	}
	return e.Effect.Call
}

func seqOf(e *Entry) supervision.Seq {
	if e.Event.Kind != supervision.EventNone {
		return e.Event.Seq
	}
	return e.Effect.Seq
}

// isOwn reports whether an entry names the call or one of its interruptions.
func (c *timeline) isOwn(e *Entry) bool {
	call, seq := callOf(e), seqOf(e)
	if e.Effect.Kind == supervision.OpenLoop {
		own := call == c.a.Call
		if call == 0 {
			own = own && near(e.At, c.a.Began)
		}
		if own {
			c.openSeq = append(c.openSeq, seq)
		}
		return own
	}
	if call != 0 {
		return call == c.a.Call
	}
	for _, s := range c.openSeq {
		if seq != 0 && s == seq {
			return true
		}
	}
	return false
}

func near(a, b time.Time) bool {
	d := a.Sub(b)
	return d > -sameInstant && d < sameInstant
}

func (c *timeline) during(at, from time.Time) bool {
	return !at.Before(from.Add(-sameInstant)) && (c.until.IsZero() || !at.After(c.until.Add(sameInstant)))
}

// ofLine reports whether an entry without call and Seq belongs to the time line. That is so for what was seen of the
// line from the clearing on, and for the end of the incident.
func (c *timeline) ofLine(e *Entry) bool {
	if callOf(e) != 0 || seqOf(e) != 0 {
		return false
	}
	if e.Effect.Kind == supervision.Report && e.Effect.Report == supervision.ReportIncidentEnded &&
		!c.a.IncidentEnded.IsZero() &&
		near(e.At, c.a.IncidentEnded) {
		return true
	}
	if e.Event.Kind == supervision.PulseRequested {
		return c.a.Call == 0 && near(e.At, c.a.Began)
	}
	if e.Effect.Report == supervision.ReportRefused {
		return false
	}
	if c.a.Cleared.IsZero() && c.a.Call != 0 {
		return false
	}
	return c.during(e.At, c.zero())
}

// add adds one of the call's own entries.
func (c *timeline) add(e *Entry) {
	who, text := c.phrase(e)
	if text != "" {
		c.rows = append(c.rows, row{e.At, who, text, -1})
	}
	switch e.Event.Kind {
	case supervision.CallAnswered, supervision.CallAdopted:
		c.answered = c.answered || e.Event.Call == c.a.Call
	case supervision.FarEndCleared, supervision.NearEndCleared, supervision.AdapterLost:
		c.cleared = c.cleared || e.Event.Call == c.a.Call
	}
}

// meanwhile adds an action of another call.
func (c *timeline) meanwhile(e *Entry) {
	deed := actionOf(e)
	if deed == "" {
		return
	}
	call := callOf(e)
	i, known := c.index[call]
	if !known {
		if c.index == nil {
			c.index = map[supervision.CallID]int{}
		}
		i = len(c.index)
		c.index[call] = i
		if i <= maxOthers {
			c.rows = append(c.rows, row{e.At, "meanwhile", "", i})
		}
		if i < maxOthers {
			c.others = append(c.others, otherCall{call: call})
		}
	}
	if i >= maxOthers {
		return
	}
	o := &c.others[i]
	if len(o.actions) == maxActions {
		o.more++
		return
	}
	o.actions = append(o.actions, deed)
}

// rowText returns the text of a row.
func (c *timeline) rowText(r *row) string {
	if r.other < 0 {
		return r.text
	}
	if r.other == maxOthers {
		return strconv.Itoa(len(c.index)-maxOthers) + " more calls"
	}
	o := &c.others[r.other]
	s := "an interruption by hand: "
	if o.call != 0 {
		s = "call " + strconv.FormatUint(uint64(o.call), 10) + ": "
	}
	s += strings.Join(o.actions, ", ")
	if o.more > 0 {
		s += ", ..."
	}
	return s
}

// The columns of the time line: "  +0.012 s  19:30:34.052  adapter    ".
const (
	offsetColumn = 12
	whoColumn    = 10
)

func (c *timeline) write(b *strings.Builder, width int) {
	if len(c.rows) == 0 {
		b.WriteString("  nothing is recorded\n")
		return
	}
	zero := c.zero()
	left := len(c.rows) - maxRows
	for i := range c.rows {
		if left > 0 && i >= maxRows/2 && i < maxRows/2+left {
			if i == maxRows/2 {
				b.WriteString("  ... " + strconv.Itoa(left) + " lines left out\n")
			}
			continue
		}
		r := &c.rows[i]
		head := fill(offset(r.at.Sub(zero)), offsetColumn, true) + "  " +
			r.at.In(c.a.Began.Location()).Format("15:04:05.000") + "  " +
			fill(r.who, whoColumn, false)
		indent := utf8.RuneCountInString(head) + 1
		for n, line := range wrap(c.rowText(r), width-indent) {
			if n > 0 {
				head = strings.Repeat(" ", indent-1)
			}
			b.WriteString(head + " " + line + "\n")
		}
	}
}

// fill pads s with spaces to the width of a column; right pads on the left, so that s is at the right.
func fill(s string, width int, right bool) string {
	n := max(0, width-utf8.RuneCountInString(s))
	if right {
		return strings.Repeat(" ", n) + s
	}
	return s + strings.Repeat(" ", n)
}
