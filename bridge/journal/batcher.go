package journal

import (
	"time"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

const (
	// pendingLimit is the number of events and effects that can wait for a disk that accepts no writes.
	pendingLimit = 32768
	// accountLimit is the number of accounts kept in memory; beyond it, accounts of ended calls are removed. It also
	// limits the accounts, incidents and trials that can wait for the disk, each kind for itself.
	accountLimit = 4096
)

// seq counts events and effects since the start of the process. Their ids in a file are these numbers plus an offset of
// that file.
type seq int64

// row is an event or effect to be written.
type row struct {
	n        seq
	line     string
	at       time.Time
	effect   bool
	text     string
	asked    time.Duration // of an opening
	measured time.Duration // the measured duration of the opening in row n
	measures bool          // the row only adds the measured duration to row n
}

// account is an account that was reported, with its place in the file.
type account struct {
	callrecord.Account
	id          int64 // in the file; 0: not written yet
	first, last seq
	dirty       bool
	adopted     bool // an earlier run may have written it
}

// batcher turns records into rows to write. It belongs to the writer's goroutine.
type batcher struct {
	limit int // of rows; set once

	lines        map[string]*lineBatch
	accountsByID map[callrecord.ID]*account
	next         seq
	text         []byte
	stale        map[string]bool // lines with incidents that an earlier run left open

	// to be written
	rows       []row
	accounts   []*account // dirty, in order of their beginning
	incidents  []callrecord.Incident
	trials     []Trial
	states     map[string]SavedLine
	staleEnded map[string]time.Time // when a line whose incident an earlier run left open was seen to work
	lost       uint64               // rows that did not fit, since the start
}

// lineBatch is the state of a line that is needed to place its next entry.
type lineBatch struct {
	open int // accounts without an outcome

	// of the machine's latest step; all entries of a step have the same time
	at    time.Time
	first seq
	tail  []*account // accounts that the step changed

	opening, openingRow seq // the latest opening: its number, and its row
	hook                supervision.Hook
	hookKnown           bool // hook was recorded
}

func newBatcher(limit int) *batcher {
	return &batcher{
		limit: limit, lines: map[string]*lineBatch{},
		accountsByID: map[callrecord.ID]*account{}, next: 1, states: map[string]SavedLine{},
		staleEnded: map[string]time.Time{},
	}
}

func (b *batcher) line(name string) *lineBatch {
	l := b.lines[name]
	if l == nil {
		l = &lineBatch{}
		b.lines[name] = l
	}
	return l
}

// take processes one record.
func (b *batcher) take(r *record) {
	switch {
	case r.trial != nil:
		if len(b.trials) >= accountLimit {
			b.lost++
			return
		}
		b.trials = append(b.trials, *r.trial)
	case r.line != nil:
		b.states[r.line.Line] = r.line.after(b.states[r.line.Line])
	default:
		for i := range r.incidents {
			b.incident(r.incidents[i])
		}
		if r.entry.Line != "" {
			b.entry(r)
			return
		}
		for i := range r.accounts {
			b.account(b.line(r.accounts[i].Line), &r.accounts[i], b.next)
		}
	}
}

func (b *batcher) entry(r *record) {
	e := &r.entry
	l := b.line(e.Line)
	if b.stale[e.Line] && endsStaleIncident(e) {
		b.staleEnded[e.Line] = e.At
		delete(b.stale, e.Line)
	}
	if len(r.accounts) == 0 && len(r.incidents) == 0 && l.open == 0 && l.routine(e) {
		return
	}
	n := b.next
	b.next++
	if !e.At.Equal(l.at) || l.first == 0 {
		l.at, l.first, l.tail = e.At, n, l.tail[:0]
	}
	b.row(l, e, n)
	for i := range r.accounts {
		b.account(l, &r.accounts[i], l.first)
	}
	for _, a := range l.tail {
		a.last = n
		a.adopted = a.adopted || e.Event.Kind == supervision.CallAdopted && a.Call == e.Event.Call
		b.mark(a)
	}
}

// endsStaleIncident reports whether an entry ends an incident that an earlier run left open: the line is on hook,
// carries a call, or has a new incident.
func endsStaleIncident(e *callrecord.Entry) bool {
	switch e.Event.Kind {
	case supervision.ProbeAnswered:
		return e.Event.Hook == supervision.HookOn
	case supervision.CallAnswered, supervision.CallRequested, supervision.Released:
		return true
	}
	return e.Effect.Report == supervision.ReportIncident
}

// routine reports whether an entry of an idle line contains nothing new.
func (l *lineBatch) routine(e *callrecord.Entry) bool {
	switch {
	case e.Event.Kind == supervision.TimePassed, e.Effect.Kind == supervision.ProbeLine:
		return true
	case e.Event.Kind == supervision.ProbeAnswered:
		same := l.hookKnown && l.hook == e.Event.Hook
		l.hook, l.hookKnown = e.Event.Hook, true
		return same
	}
	l.hookKnown = false
	return false
}

// row adds the text of an entry. For an opening it also adds the requested and, later, the measured duration.
func (b *batcher) row(l *lineBatch, e *callrecord.Entry, n seq) {
	r := row{n: n, line: e.Line, at: e.At}
	if e.Event.Kind != supervision.EventNone {
		b.text = e.Event.Append(b.text[:0])
	} else {
		b.text = e.Effect.Append(b.text[:0])
		r.effect = true
		if e.Effect.Kind == supervision.OpenLoop {
			r.asked = e.Effect.Interval
			l.opening, l.openingRow = seq(e.Effect.Seq), n
		}
	}
	r.text = string(b.text)
	b.add(r)
	if ev := &e.Event; ev.Kind == supervision.LoopClosed && ev.Took > 0 && ev.Seq != 0 && seq(ev.Seq) == l.opening {
		b.add(row{n: l.openingRow, line: e.Line, measures: true, measured: ev.Took})
		l.opening = 0
	}
}

func (b *batcher) add(r row) {
	if len(b.rows) >= b.limit {
		b.lost++
		return
	}
	b.rows = append(b.rows, r)
}

// account records the new state of an account. first is the account's first row, if the account is new.
func (b *batcher) account(l *lineBatch, now *callrecord.Account, first seq) {
	id := now.ID()
	a := b.accountsByID[id]
	if a == nil {
		if len(b.accounts) >= accountLimit {
			b.lost++
			return
		}
		b.forget()
		a = &account{first: first, last: b.next - 1}
		b.accountsByID[id] = a
	} else if a.Outcome == callrecord.OutcomeInProgress {
		l.open--
	}
	a.Account = *now
	if now.Outcome == callrecord.OutcomeInProgress {
		l.open++
	}
	b.mark(a)
	for _, t := range l.tail {
		if t == a {
			return
		}
	}
	l.tail = append(l.tail, a)
}

func (b *batcher) incident(i callrecord.Incident) {
	for k := range b.incidents {
		if was := &b.incidents[k]; idOf(was) == idOf(&i) {
			*was = i
			return
		}
	}
	if len(b.incidents) >= accountLimit {
		b.lost++
		return
	}
	b.incidents = append(b.incidents, i)
}

func (b *batcher) mark(a *account) {
	if !a.dirty {
		a.dirty = true
		b.accounts = append(b.accounts, a)
	}
}

// forget makes room among the accounts in memory. If a removed account changes later, it is looked up in the file.
func (b *batcher) forget() {
	if len(b.accountsByID) < accountLimit {
		return
	}
	for id, a := range b.accountsByID {
		if !a.dirty && a.Outcome != callrecord.OutcomeInProgress {
			delete(b.accountsByID, id)
		}
	}
	for _, l := range b.lines {
		l.tail = l.tail[:0]
	}
}

// written removes what is now in the file: the first rows, and everything else.
func (b *batcher) written(rows int) {
	rest := copy(b.rows, b.rows[rows:])
	clear(b.rows[rest:])
	b.rows = b.rows[:rest]
	if cap(b.rows) > 4096 && rest == 0 {
		b.rows = nil // free the memory that an outage took
	}
	for i, a := range b.accounts {
		a.dirty = false
		b.accounts[i] = nil
	}
	b.accounts = b.accounts[:0]
	b.incidents = b.incidents[:0]
	b.trials = b.trials[:0]
	clear(b.states)
	clear(b.staleEnded)
}

// rewriteAll prepares for a new file that has none of the earlier records: every account that may still change is
// written again.
func (b *batcher) rewriteAll() {
	for _, a := range b.accountsByID {
		a.id = 0
		if a.Outcome == callrecord.OutcomeInProgress {
			b.mark(a)
		}
	}
}

// size returns how many things are to be written.
func (b *batcher) size() int {
	return len(b.rows) + len(b.accounts) + len(b.incidents) + len(b.trials) + len(b.states) + len(b.staleEnded)
}

func (b *batcher) empty() bool { return b.size() == 0 }
