package alarm

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Our own numbers.
const (
	// summaryAfter is how long after the end of a week its summary is made, so that the record is complete.
	summaryAfter = time.Minute
	// weekLeast is the least time between the ends of two weeks that each get a summary. Two ends that are closer
	// belong to the same week, before and after a change of the time zone.
	weekLeast = 24 * time.Hour
	weekDays  = 7
	// clockWrongFor is how long the clock may be more than weekLeast behind the last summary. After that, the clock
	// counts as right, and as wrong when that summary was made. A machine without a battery-backed clock starts in the
	// past until it gets the time.
	clockWrongFor = 24 * time.Hour
)

// Weekly is a time of each week on the local calendar: a day, and minutes after midnight. The zero value means none.
type Weekly struct {
	On     bool         `json:"on"`
	Day    time.Weekday `json:"day"`
	Minute int          `json:"minute"`
}

// last returns the last such time that is not after at.
func (w Weekly) last(at time.Time) time.Time {
	back := (int(at.Weekday()) - int(w.Day) + weekDays) % weekDays
	if end := w.daysBefore(at, back); !end.After(at) {
		return end
	}
	return w.daysBefore(at, back+weekDays)
}

// daysBefore returns the time of day that many days before. If the clock skips it on that day, it is an hour earlier
// or later.
func (w Weekly) daysBefore(at time.Time, days int) time.Time {
	return time.Date(at.Year(), at.Month(), at.Day()-days, 0, w.Minute, 0, 0, at.Location())
}

// weekTold is the week whose summary was told last.
type weekTold struct {
	Weekly
	End time.Time `json:"end"` // zero: not known yet
	// Wrong counts the summaries that were made while the clock was wrong. The next one for the same time has another
	// ID.
	Wrong int `json:"wrong,omitempty"`
}

// Week is what the record has of a week.
type Week struct {
	From  time.Time  `json:"from"`
	To    time.Time  `json:"to"`             // not included
	Lost  int64      `json:"lost,omitempty"` // records that are missing, since they could not be written
	Lines []WeekLine `json:"lines"`
}

// WeekLine is what the record has of one line.
type WeekLine struct {
	Line       string         `json:"line"`
	Calls      int            `json:"calls"`
	Emergency  int            `json:"emergency"`  // calls for help, which are among the calls
	Cleared    int            `json:"cleared"`    // holds that were cleared, and seen to be
	Unverified int            `json:"unverified"` // openings after which nothing reported whether the hold cleared
	Trials     int            `json:"trials"`     // of `clearback tune`; they are not among the calls
	Incidents  map[string]int `json:"incidents,omitempty"`
	// Before and After are the lengths of the openings before the week and at its end, in milliseconds. Both are 0 if
	// the length has not changed, or if the one before is not known.
	Before int64 `json:"interval_before_ms,omitempty"`
	After  int64 `json:"interval_after_ms,omitempty"`
}

// SummaryDue returns the week whose summary has to be made now, without figures; nil: none. Call it at least every
// minute, and only after Load. changed reports whether it changed anything that [Notifier.Save] saves. A week that
// ended before the summary was asked for is not due. Of several that were missed, the last one is due.
func (n *Notifier) SummaryDue(now Time) (due *Week, changed bool) {
	w, end := &n.week, n.set.Summary.last(now.Wall)
	if w.Weekly != n.set.Summary || n.set.Summary.On && w.End.IsZero() {
		*w = weekTold{Weekly: n.set.Summary, End: end, Wrong: w.Wrong}
		return nil, true
	}
	if !w.On {
		return nil, false
	}
	if w.End.Sub(now.Wall) > weekLeast { // the clock is wrong, or was
		switch {
		case n.behind == 0:
			n.behind = now.Mono + clockWrongFor
		case now.Mono >= n.behind:
			n.behind, w.End, changed = 0, end, true
			w.Wrong++
		}
		return nil, changed
	}
	n.behind = 0
	if end.Sub(w.End) < weekLeast || now.Wall.Sub(end) < summaryAfter || n.set.Quiet.Left(now.Wall) > 0 {
		return nil, false
	}
	return &Week{From: w.daysBefore(end, weekDays), To: end}, false
}

// Summary returns the message about a week that is due, and marks the week as told. Its ID depends only on the site,
// the end of the week and [weekTold].
func (n *Notifier) Summary(now Time, w *Week) Message {
	n.week.End = w.To
	id := sha256.Sum256(fmt.Appendf(nil, "%q summary %d %d", n.set.Site, w.To.Unix(), n.week.Wrong))
	m := Message{ID: hex.EncodeToString(id[:16]), At: now.Wall, Site: n.set.Site, Kind: KindSummary, Summary: w}
	m.Subject = cut(m.Site+": summary of the week ending "+w.To.Format(time.DateOnly), subjectLimit)
	m.Text = w.text(&m)
	return m
}

func (w *Week) text(m *Message) string {
	const minute = "2006-01-02 15:04 -0700"
	var b strings.Builder
	paragraph(&b, "", "Summary of the week from "+w.From.Format(minute)+" to "+w.To.Format(minute)+".")
	b.WriteByte('\n')
	if w.Lost > 0 {
		paragraph(&b, "", fmt.Sprintf("The journal has gaps: %s could not be written. The numbers below are therefore too low.",
			count(int(w.Lost), "record", "records")))
		b.WriteByte('\n')
	}
	total := WeekLine{Line: "All lines", Incidents: map[string]int{}}
	for i := range w.Lines {
		total.add(&w.Lines[i])
	}
	total.write(&b)
	for i := range w.Lines {
		w.Lines[i].write(&b)
	}
	paragraph(&b, "", fmt.Sprintf("Site: %s. Message %s.", m.Site, m.ID))
	return b.String()
}

func (l *WeekLine) add(other *WeekLine) {
	l.Calls += other.Calls
	l.Emergency += other.Emergency
	l.Cleared += other.Cleared
	l.Unverified += other.Unverified
	l.Trials += other.Trials
	for reason, n := range other.Incidents {
		l.Incidents[reason] += n
	}
}

func (l *WeekLine) write(b *strings.Builder) {
	paragraph(b, "", l.Line)
	calls := "Calls: none."
	if l.Calls > 0 {
		calls = fmt.Sprintf("Calls: %d.", l.Calls)
	}
	if l.Emergency > 0 {
		calls += fmt.Sprintf(" Of these, emergency calls: %d.", l.Emergency)
	}
	paragraph(b, "  ", calls)
	if l.Cleared+l.Unverified > 0 {
		holds := fmt.Sprintf("Holds cleared: %d.", l.Cleared)
		if l.Unverified > 0 {
			holds += fmt.Sprintf(" Openings not verified: %d.", l.Unverified)
		}
		paragraph(b, "  ", holds)
	}
	if len(l.Incidents) > 0 {
		var all []string
		for _, reason := range slices.SortedFunc(maps.Keys(l.Incidents), func(a, b string) int {
			return cmp.Or(l.Incidents[b]-l.Incidents[a], cmp.Compare(a, b))
		}) {
			all = append(all, fmt.Sprintf("%s %d", reason, l.Incidents[reason]))
		}
		paragraph(b, "  ", "Incidents: "+strings.Join(all, ", ")+".")
	}
	if l.Trials > 0 {
		paragraph(b, "  ", fmt.Sprintf("Trials of `clearback tune`: %d.", l.Trials))
	}
	if l.Before != l.After {
		paragraph(b, "  ", fmt.Sprintf("The interval has changed from %d ms to %d ms.", l.Before, l.After))
	}
	b.WriteByte('\n')
}

func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
