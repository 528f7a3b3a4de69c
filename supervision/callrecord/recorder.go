package callrecord

import (
	"time"

	"clearback/supervision"
)

// What bounds a teller's memory.
const (
	// accountLifetime is how long an account may still change after its last change: the machine forgets an adapter's
	// leg of which nothing was heard 65 s after its BYE or CANCEL (64*T1 twice, RFC 3261 sections 9.1 and 17.1.2.2, and
	// a second).
	accountLifetime = 65 * time.Second
	// outcomeTimeout is how long the outcome of a clearing is awaited; the machine's own waits end within seconds, and
	// what comes later than this was lost.
	outcomeTimeout = 5 * time.Minute
	// minAccounts is how many of the latest accounts are kept however old they are, so that what comes late still finds
	// its account.
	minAccounts = 8
	// maxAccounts, maxIncidents and maxCallInfos bound what a flood can take; a line carries a few calls at a time.
	maxAccounts  = 64
	maxIncidents = 16
	maxCallInfos = 16
)

// Recorder keeps the accounts of one line while they change. It is not for concurrent use. It must see the entries in
// the order in which they happened; what does not fit is ignored, as the machine does. A number names one call only
// (see [supervision.CallID]): used again, it begins a new account once the first is forgotten. After the process that
// it tells of has died, use a new one.
type Recorder struct {
	// set once
	line      string
	hasSensor bool

	all       []*openAccount // in order of their beginning
	spare     []*openAccount
	callInfos []CallInfo // of calls that did not begin yet
	open      []openIncident
	last      opening
	swept     time.Time

	carried time.Time // when a call was last answered, or asked for by the adapter

	// of the step of the machine that is being told; all entries of a step have the same instant
	step         time.Time
	cause        supervision.Event
	lastReported *openAccount // whose interruption was reported last
	// trialBefore: the call of TrialSet was to be a trial before it
	trialBefore bool

	probed bool // a probe was asked since the last clearing or opening

	// handed out by Take
	dirty     []*openAccount
	accounts  []Account
	incidents []Incident
}

// openAccount is an account that may still change.
type openAccount struct {
	Account
	offered     bool // the adapter has, or had, a leg of it
	legGone     bool
	refused     bool // it never came to the line, and the machine does not know it
	test        bool // a note said so
	trialSet    bool
	changed     bool
	changedAt   time.Time
	suspectedAt time.Time // when it was told that its clearing opens nothing or was cut short, if it was answered
}

// opening is the last interruption that was commanded.
type opening struct {
	seq     supervision.Seq
	of      *openAccount
	opened  bool
	settled bool // closed or not made
}

type openIncident struct {
	Incident
	of *openAccount
}

// NewRecorder returns the teller of a line without calls. sensed reports whether a loop-current sensor decides about
// the hook. Without it what was seen after an interruption counts as seen by a probe if one was asked since, else by a
// sensor.
func NewRecorder(line string, sensed bool) *Recorder { return &Recorder{line: line, hasSensor: sensed} }

// Take takes the next entry and returns the accounts and incidents that it changed, valid until the next Take. Entries
// of other lines are not for it.
func (t *Recorder) Take(e Entry) ([]Account, []Incident) {
	t.accounts, t.incidents = t.accounts[:0], t.incidents[:0]
	t.sweep(e.At)
	isEvent := e.Event.Kind != supervision.EventNone
	if isEvent || !e.At.Equal(t.step) {
		t.step, t.cause, t.lastReported = e.At, e.Event, nil // an effect without an event: a deadline of the machine came
	}
	if isEvent {
		t.event(e.At, &e.Event)
	} else {
		t.effect(e.At, &e.Effect)
	}
	for _, c := range t.dirty {
		c.changed, c.changedAt = false, e.At
		t.accounts = append(t.accounts, c.Account)
	}
	t.dirty = t.dirty[:0]
	return t.accounts, t.incidents
}

// AddCallInfo takes who is in a call, and returns the account that it changed, nil if there is none yet; the note is
// kept for it then.
func (t *Recorder) AddCallInfo(n CallInfo) *Account {
	c := t.find(n.Call)
	if c == nil {
		c = t.lastRefused(n.Call)
	}
	if c == nil {
		if len(t.callInfos) == maxCallInfos {
			t.callInfos = t.callInfos[:copy(t.callInfos, t.callInfos[1:])]
		}
		t.callInfos = append(t.callInfos, n)
		return nil
	}
	c.apply(&n)
	a := c.Account
	return &a
}

func (c *openAccount) apply(n *CallInfo) {
	if c.Direction == DirectionUnknown {
		c.Direction = n.Direction
	}
	c.Emergency = c.Emergency || n.Emergency
	c.test = c.test || n.Test
	c.Trial = c.test || c.trialSet
	if n.Party.Number != "" {
		c.Party.Number = n.Party.Number
	}
	if n.Party.Name != "" {
		c.Party.Name = n.Party.Name
	}
	if n.Party.CallID != "" {
		c.Party.CallID = n.Party.CallID
	}
}

// find returns the account of that call, nil if there is none. The latest is the likeliest.
func (t *Recorder) find(call supervision.CallID) *openAccount {
	if call == 0 {
		return nil
	}
	for i := len(t.all) - 1; i >= 0; i-- {
		if t.all[i].Call == call && !t.all[i].refused {
			return t.all[i]
		}
	}
	return nil
}

// lastRefused returns the account of a call that never came to the line, nil if there is none.
func (t *Recorder) lastRefused(call supervision.CallID) *openAccount {
	for i := len(t.all) - 1; i >= 0; i-- {
		if t.all[i].Call == call && t.all[i].refused {
			return t.all[i]
		}
	}
	return nil
}

// findOrBegin returns the account of a call that the machine knows, so that there is one even if its beginning was
// lost.
func (t *Recorder) findOrBegin(at time.Time, call supervision.CallID) *openAccount {
	if c := t.find(call); c != nil || call == 0 {
		return c
	}
	return t.begin(at, call, DirectionUnknown)
}

func (t *Recorder) begin(at time.Time, call supervision.CallID, d Direction) *openAccount {
	if len(t.all) >= maxAccounts {
		t.dropOne(at)
	}
	var c *openAccount
	if n := len(t.spare); n > 0 {
		c, t.spare = t.spare[n-1], t.spare[:n-1]
	} else {
		c = new(openAccount)
	}
	*c = openAccount{Account: Account{Line: t.line, Call: call, Direction: d, Began: at}, changedAt: at}
	for i := range t.callInfos {
		if call != 0 && t.callInfos[i].Call == call {
			c.apply(&t.callInfos[i])
			t.callInfos = append(t.callInfos[:i], t.callInfos[i+1:]...)
			break
		}
	}
	t.all = append(t.all, c)
	t.change(c)
	return c
}

func (t *Recorder) change(c *openAccount) {
	if !c.changed {
		c.changed = true
		t.dirty = append(t.dirty, c)
	}
}

// settle notes the outcome of an account. An incident stays one.
func (t *Recorder) settle(at time.Time, c *openAccount, o Outcome) {
	if c.Incident.OfCall() {
		o = OutcomeIncident // it was one before it ended
	}
	if c.Outcome != OutcomeIncident {
		c.Outcome = o
	}
	if c.Ended.IsZero() {
		c.Ended = at
	}
	t.change(c)
}

// reopen is for a clearing that goes on although its outcome seemed known.
func (t *Recorder) reopen(c *openAccount) {
	if c.Outcome != OutcomeIncident {
		c.Outcome, c.Ended = OutcomeInProgress, time.Time{}
	}
	t.change(c)
}

// sweep forgets, about once a second, the accounts that cannot change any more.
func (t *Recorder) sweep(now time.Time) {
	if d := now.Sub(t.swept); d >= 0 && d < time.Second {
		return
	}
	t.swept = now
	kept := t.all[:0]
	old := len(t.all) - minAccounts
	for i, c := range t.all {
		idle := now.Sub(c.changedAt)
		switch {
		case c.Outcome == OutcomeInProgress && idle > outcomeTimeout && (!c.Cleared.IsZero() || c.Direction == ByHand):
			t.settle(c.changedAt, c, OutcomeBrokenOff) // nothing was heard since
		case c.Outcome != OutcomeInProgress && idle > accountLifetime && i < old && !t.inProgress(c):
			t.unlink(c)
			t.spare = append(t.spare, c)
			continue
		}
		kept = append(kept, c)
	}
	t.all = kept
}

// inProgress reports whether something is under way that belongs to c.
func (t *Recorder) inProgress(c *openAccount) bool {
	if t.last.of == c && !t.last.settled || t.mayBecomeIncident(c) {
		return true
	}
	for i := range t.open {
		if t.open[i].of == c {
			return true
		}
	}
	return false
}

// mayBecomeIncident reports whether a line that stays off hook may turn the clearing of c, which opened nothing or was
// cut short, into an incident, however much later: until the line carries a call. Callers who find it busy do not
// change that.
func (t *Recorder) mayBecomeIncident(c *openAccount) bool {
	return !c.suspectedAt.IsZero() && !c.suspectedAt.Before(t.carried)
}

// dropOne makes room: the oldest account with an outcome, if there is one without anything under way; else the oldest
// of all, which nobody will end any more.
func (t *Recorder) dropOne(now time.Time) {
	drop, found := 0, false
	for i, c := range t.all {
		if c.Outcome == OutcomeInProgress {
			continue
		}
		held := t.inProgress(c)
		if !found || !held {
			drop, found = i, true
		}
		if !held {
			break
		}
	}
	c := t.all[drop]
	if c.Outcome == OutcomeInProgress {
		t.settle(now, c, OutcomeBrokenOff)
	}
	t.unlink(c)
	t.all = append(t.all[:drop], t.all[drop+1:]...) // not spared: it may still have to be handed out
}

// unlink ends every reference to c.
func (t *Recorder) unlink(c *openAccount) {
	if t.last.of == c {
		t.last.of = nil
	}
	if t.lastReported == c {
		t.lastReported = nil
	}
	for i := range t.open {
		if t.open[i].of == c {
			t.open[i].of = nil
		}
	}
}
