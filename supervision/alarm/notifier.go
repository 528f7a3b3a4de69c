package alarm

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"time"
)

const (
	// gather is how long an ordinary alarm waits for others that are told with it. Our own number: a switch that loses
	// power takes adapters and controllers with it within seconds.
	gather = 10 * time.Second
	// gatherLoops is the least time between two messages about loops. Our own number: a board that is lost takes all
	// its lines with it, and a hundred messages would hold up one about an emergency call.
	gatherLoops = time.Second
	// settle is how long an alarm must have stayed away before it counts as ended, if it has not come back before. Our
	// own number.
	settle = time.Minute
	// longestSettle bounds settle as it doubles with each return.
	longestSettle = time.Hour
	// forget is how long an alarm that is over is remembered, so that its returns are counted.
	forget = 2 * time.Hour
	// restartGrace is how long a loaded alarm may take to be reported again before it counts as ended. Our own number:
	// adapters that are asked register within that time.
	restartGrace = 5 * time.Minute
	// eventsPerHour bounds the messages about urgent events for one key. Our own number.
	eventsPerHour = 6
	// quietCheck is the longest wait for the end of quiet hours, so that a clock that was set is noticed.
	quietCheck = time.Minute
	// mostAlarms bounds the alarms of one message. The others are told in the next one.
	mostAlarms = 50

	// Never is the deadline when nothing is due.
	Never = time.Duration(1<<63 - 1)
)

// Settings are what the file says. They may change at any time.
type Settings struct {
	Site    string
	Repeat  time.Duration // how often what lasts is told again; 0: never
	PerHour int           // ordinary messages in any 60 min; 0: none are sent, which no file asks for
	Quiet   Quiet
	Summary Weekly // when the summary of a week is told
}

// Time is an instant on both clocks. Pace follows Mono. Wall is for people, and for quiet hours.
type Time struct {
	Mono time.Duration // since any fixed instant of this process
	Wall time.Time
}

// State says whether what is reported stands.
type State uint8

// The states.
const (
	Stands State = iota // it began, or it still stands
	Ended               // it ended
	Event               // it happened, and does not last
)

// Report says that something began, still stands, ended or happened.
type Report struct {
	State State
	Alarm Alarm // Until is not used
	// After is how long the alarm must stand before it is told, 0 to 24 h.
	After time.Duration
	// Times is how often it has begun or happened since the last report. 0 means that it stands, whenever it began.
	Times int
	// Grade says how grave it is. An alarm that was told is told again, as one that begins, if it becomes graver.
	Grade int
	// Forgotten means that no later process looks at the cause. If the alarm ends after a restart, the message says so.
	Forgotten bool
}

type phase uint8

const (
	pending phase = iota // its begin has to be told, or it does not stand long enough yet
	told                 // its begin was told, and its end has to be told
	over                 // nothing has to be told: only returns is remembered
)

// entry is an alarm that stands or stood.
type entry struct {
	alarm     Alarm
	phase     phase
	active    bool
	event     bool
	after     time.Duration
	times     int  // how often it has begun since it was last told
	returns   int  // how often it has come back since it was last away for long
	grade     int  // the highest that was reported since its last end was told
	grace     bool // loaded, and not reported since
	forgotten bool
	reported  time.Time     // Since of the last report
	began     time.Duration // Mono of the begin that is pending
	standing  time.Duration // Mono of the last begin
	ended     time.Duration // Mono of the last end
	toldAt    time.Duration // Mono of the last message about it
	tellings  int           // how often it was told, so that no two messages about it have the same ID
	sent      []time.Duration
}

// Notifier decides about all alarms of one daemon. It is not for concurrent use.
type Notifier struct {
	set     Settings
	entries map[string]*entry
	sent    []time.Duration // Mono of the ordinary messages of the last hour
	// nextLoops is when the next message about loops may be sent (Mono).
	nextLoops time.Duration
	week      weekTold
	behind    time.Duration // while the clock is behind the last summary: Mono until which that is tolerated; else 0
}

// New returns a Notifier that knows of no alarm.
func New(set Settings) *Notifier { return &Notifier{set: set, entries: map[string]*entry{}} }

// Set changes the settings. What stands is told with the new ones.
func (n *Notifier) Set(set Settings) { n.set = set }

// Hurry makes the next Step tell all that is known about loops. Use it before the last Step of a process.
func (n *Notifier) Hurry() { n.nextLoops = 0 }

// Take takes a report. It reports whether it changed anything that [Notifier.Save] saves.
func (n *Notifier) Take(now Time, r Report) bool {
	e := n.entries[r.Alarm.Key]
	if e == nil {
		if r.State == Ended {
			return false
		}
		e = &entry{phase: over}
		n.entries[r.Alarm.Key] = e
	}
	switch r.State {
	case Ended:
		if !e.active && !e.grace || e.event {
			return false
		}
		if e.active {
			e.ended, e.alarm.Until = now.Mono, later(now.Wall, e.alarm.Since)
			if e.ended-e.standing >= forget {
				e.returns = 0
			}
		}
		e.active, e.grace = false, false
	case Event:
		e.begin(now, r)
		e.event, e.active, e.alarm.Until = true, false, e.alarm.Since
		e.ended = now.Mono
	default:
		if e.active && (r.Times == 0 || r.Alarm.Since.Equal(e.reported)) && r.Grade <= e.grade {
			return e.stillStands(r)
		}
		e.begin(now, r)
		e.event, e.active, e.alarm.Until = false, true, time.Time{}
	}
	return true
}

// stillStands takes a report of an alarm that stands, and has not begun again.
func (e *entry) stillStands(r Report) (changed bool) {
	e.alarm.Reason, e.alarm.What, e.alarm.Do = r.Alarm.Reason, r.Alarm.What, r.Alarm.Do
	if e.phase == pending && r.Times > e.times {
		e.times, changed = r.Times, true
	}
	if e.forgotten != r.Forgotten {
		e.forgotten, changed = r.Forgotten, true
	}
	return changed
}

// begin makes the entry stand. If its last begin was told and its end was not, nothing has to be told.
func (e *entry) begin(now Time, r Report) {
	again, event := e.alarm.Key != "", r.State == Event
	if again && !e.active && !e.grace && !event && e.phase != pending {
		e.returns++
	}
	since, graver := e.alarm.Since, r.Grade > e.grade
	e.standing, e.reported = now.Mono, r.Alarm.Since
	e.grace, e.after, e.grade, e.forgotten = false, r.After, max(e.grade, r.Grade), r.Forgotten
	e.times += max(r.Times, 1)
	switch {
	case e.phase == told && !event && !graver:
		e.alarm, e.times = r.Alarm, 0
		e.alarm.Since = since
	case e.phase == pending && again:
		e.alarm = r.Alarm
		e.alarm.Since = since
	default:
		e.alarm, e.phase, e.began = r.Alarm, pending, now.Mono
	}
}

// later returns the later time. A clock that is not set yet must not end an alarm before its begin.
func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// Told reports whether the alarm's begin was told and its end was not.
func (n *Notifier) Told(key string) bool {
	e := n.entries[key]
	return e != nil && e.phase == told
}

// Standing calls f with each alarm that stands, in no order.
func (n *Notifier) Standing(f func(Alarm)) {
	for _, e := range n.entries {
		if e.active {
			f(e.alarm)
		}
	}
}

// Step returns the messages that are due, and when the next may be due (Mono; [Never] if nothing is).
func (n *Notifier) Step(now Time) (messages []Message, next time.Duration) {
	n.sweep(now)
	var loops []*entry
	for _, e := range n.sorted() {
		switch {
		case !e.alarm.Class.Urgent() || n.urgentDue(e) > now.Mono:
		case e.alarm.Class != ClassLoop:
			messages = append(messages, n.message(now, []*entry{e}))
		case len(loops) < mostAlarms:
			loops = append(loops, e)
		}
	}
	if len(loops) > 0 {
		n.nextLoops = now.Mono + gatherLoops
		messages = append(messages, n.message(now, loops))
	}
	if n.ordinaryDue() <= now.Mono && n.allowed(now) <= now.Mono {
		if all := n.ordinary(now); len(all) > 0 {
			n.sent = append(n.sent, now.Mono)
			messages = append(messages, n.message(now, all))
		}
	}
	next = Never
	for _, e := range n.entries {
		if e.alarm.Class.Urgent() || e.vanishes() {
			next = min(next, n.urgentDue(e))
		}
	}
	if due := n.ordinaryDue(); due != Never {
		next = min(next, max(due, n.allowed(now)))
	}
	return messages, next
}

// sweep forgets what is over, and what ended before it had stood long enough.
func (n *Notifier) sweep(now Time) {
	n.sent = within(n.sent, now.Mono, time.Hour)
	maps.DeleteFunc(n.entries, func(_ string, e *entry) bool {
		away := now.Mono - e.ended
		return e.vanishes() && away >= e.settle() || e.phase == over && !e.active && away >= forget
	})
}

// vanishes reports whether the alarm ended before it had stood long enough, and will not be told if it stays away.
func (e *entry) vanishes() bool { return e.phase == pending && !e.active && e.after > 0 }

// settle returns how long the alarm must stay away to count as ended.
func (e *entry) settle() time.Duration {
	if e.grace {
		return restartGrace
	}
	return min(settle<<min(e.returns, 10), longestSettle)
}

// due returns when the alarm has to be told next (Mono).
func (n *Notifier) due(e *entry) time.Duration {
	switch {
	case e.vanishes():
		return e.ended + e.settle()
	case e.phase == pending && e.alarm.Class.Urgent():
		if e.event && len(e.sent) >= eventsPerHour {
			return max(e.began, e.sent[len(e.sent)-eventsPerHour]+time.Hour)
		}
		return e.began
	case e.phase == pending:
		wait := max(e.after, gather)
		if e.returns > 0 { // its last end was told, so it comes and goes
			wait = max(wait, min(settle<<min(e.returns-1, 10), longestSettle))
		}
		return e.began + wait
	case e.phase == told && !e.active:
		return e.ended + e.settle()
	case e.phase == told && n.set.Repeat > 0:
		return e.toldAt + n.set.Repeat
	}
	return Never
}

// urgentDue returns when the urgent alarm has to be told next (Mono).
func (n *Notifier) urgentDue(e *entry) time.Duration {
	if e.alarm.Class == ClassLoop && !e.vanishes() {
		return max(n.due(e), n.nextLoops)
	}
	return n.due(e)
}

// ordinaryDue returns when the first ordinary alarm is due (Mono).
func (n *Notifier) ordinaryDue() time.Duration {
	due := Never
	for _, e := range n.entries {
		if !e.alarm.Class.Urgent() && !e.vanishes() {
			due = min(due, n.due(e))
		}
	}
	return due
}

// allowed returns when the next ordinary message may be sent (Mono).
func (n *Notifier) allowed(now Time) time.Duration {
	at := now.Mono
	if n.set.PerHour <= 0 {
		return Never
	}
	if len(n.sent) >= n.set.PerHour {
		at = max(at, n.sent[len(n.sent)-n.set.PerHour]+time.Hour)
	}
	if left := n.set.Quiet.Left(now.Wall); left > 0 {
		at = max(at, now.Mono+min(left, quietCheck))
	}
	return at
}

// ordinary returns the alarms of an ordinary message: all that are due, and what has begun but would wait for others.
func (n *Notifier) ordinary(now Time) (all []*entry) {
	for _, e := range n.sorted() {
		begun := e.phase == pending && e.returns == 0 && now.Mono-e.began >= e.after
		if !e.alarm.Class.Urgent() && !e.vanishes() && (begun || n.due(e) <= now.Mono) && len(all) < mostAlarms {
			all = append(all, e)
		}
	}
	return all
}

// sorted returns the entries, those first that have waited longest.
func (n *Notifier) sorted() []*entry {
	return slices.SortedFunc(maps.Values(n.entries), func(a, b *entry) int {
		return cmp.Or(cmp.Compare(n.due(a), n.due(b)), cmp.Compare(a.alarm.Key, b.alarm.Key))
	})
}

// message makes a message about the entries and marks them told. Its ID depends on what it tells. So if a process is
// killed before it has saved that it was told, the next one tells it with the same ID.
func (n *Notifier) message(now Time, all []*entry) Message {
	m := Message{At: now.Wall, Site: n.set.Site, Kind: KindEnded}
	id := sha256.New()
	fmt.Fprintf(id, "%q\n", n.set.Site)
	var parts []part
	for _, e := range all {
		p := part{Alarm: e.alarm, kind: KindLasts, times: e.times}
		switch {
		case e.phase == pending:
			p.kind = KindBegun
		case !e.active:
			p.kind = KindEnded
		}
		switch {
		case e.grace && e.forgotten:
			p.What += " " + noLonger
		case e.grace && p.kind == KindBegun:
			p.What += " " + beforeRestart
		case e.grace:
			p.What += " " + sinceRestart
		}
		tellings := e.tellings
		if e.tell(now, p.kind) == told {
			p.Until = time.Time{} // its end will be told
		}
		fmt.Fprintf(id, "%q %s %d %d %t\n", p.Key, p.kind, p.Since.UnixNano(), tellings, p.Until.IsZero())
		m.Urgent = m.Urgent || p.Class.Urgent()
		m.Alarms = append(m.Alarms, p.Alarm)
		parts = append(parts, p)
	}
	for _, k := range []Kind{KindLasts, KindBegun} {
		if slices.ContainsFunc(parts, func(p part) bool { return p.kind == k }) {
			m.Kind = k
		}
	}
	m.ID = hex.EncodeToString(id.Sum(nil)[:16])
	m.Subject, m.Text = subject(&m, parts), text(&m, parts)
	return m
}

// tell marks the entry as told, and returns its new phase.
func (e *entry) tell(now Time, k Kind) phase {
	e.toldAt, e.times = now.Mono, 0
	e.tellings++
	switch {
	case e.event:
		e.phase = over
		e.sent = append(within(e.sent, now.Mono, time.Hour), now.Mono)
	case k == KindEnded, k == KindBegun && !e.active && now.Mono-e.ended >= e.settle(): // the message has its end too
		e.phase, e.grace, e.grade = over, false, 0
	default:
		e.phase = told
	}
	return e.phase
}

// within returns the instants that are less than a time ago.
func within(all []time.Duration, now, ago time.Duration) []time.Duration {
	return slices.DeleteFunc(all, func(at time.Duration) bool { return now-at >= ago })
}
