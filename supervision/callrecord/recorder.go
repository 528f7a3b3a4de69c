package callrecord

import (
	"time"

	"clearback/supervision"
)

// Bounds of a recorder's memory.
const (
	// accountLifetime is how long after its last change an account can still change. The machine drops an adapter's leg
	// 65 s after its BYE or CANCEL if no answer has come (64*T1 twice, RFC 3261 sections 9.1 and 17.1.2.2, and a
	// second).
	accountLifetime = 65 * time.Second
	// outcomeTimeout is how long the recorder waits for the outcome of a clearing. The machine's own waits end within
	// seconds, so an outcome that takes longer was lost.
	outcomeTimeout = 5 * time.Minute
	// minAccounts is how many of the latest accounts are always kept, so that a late entry still finds its account.
	minAccounts = 8
	// maxAccounts and maxCallInfos bound the memory that a flood can use. A line has a few calls at a time.
	maxAccounts  = 64
	maxCallInfos = 16
)

// Recorder keeps the accounts of one line while they can change. It is not for concurrent use. Entries must be added in
// the order in which they happened. An entry that is out of place is ignored, as in the machine. A call number
// identifies one call (see [supervision.CallID]); if it is used again, it begins a new account only after the first one
// has been dropped. A recorder covers one process; use a new one after a restart.
type Recorder struct {
	// set once
	line string

	all       []*openAccount // in the order in which they began
	spare     []*openAccount
	callInfos []CallInfo     // of calls that have not begun yet
	open      []openIncident // no two have the same reason
	last      opening
	pending   *openAccount // its clearing may still become an incident
	swept     time.Time

	// returned by Take
	dirty     []*openAccount
	accounts  []Account
	incidents []Incident
}

// openAccount is an account that may still change.
type openAccount struct {
	Account
	offered   bool // the adapter has or had a leg of the call
	legGone   bool
	refused   bool // the call never reached the line, and the machine does not know it
	changed   bool
	changedAt time.Time
}

// opening is the last commanded interruption.
type opening struct {
	seq     supervision.Seq
	of      *openAccount
	opened  bool
	settled bool // closed, or not made
}

type openIncident struct {
	Incident
	of *openAccount
}

// NewRecorder returns a recorder of a line without calls.
func NewRecorder(line string) *Recorder { return &Recorder{line: line} }

// Take adds the next entry and returns the accounts and incidents that it changed. They are valid until the next Take.
// The caller must pass entries of this line only.
func (t *Recorder) Take(e Entry) ([]Account, []Incident) {
	t.accounts, t.incidents = t.accounts[:0], t.incidents[:0]
	t.sweep(e.At)
	if e.Event.Kind != supervision.EventNone {
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

// AddCallInfo adds the party of a call and returns the account that it changed. If the call has no account yet, it
// returns nil and keeps n for the account.
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

// AddMedia adds the media of a call that has ended, and returns the account that it changed, or nil if there is none.
func (t *Recorder) AddMedia(call supervision.CallID, m Media) *Account {
	c := t.find(call)
	if c == nil {
		return nil
	}
	c.Media = &m
	a := c.Account
	return &a
}

func (c *openAccount) apply(n *CallInfo) {
	if c.Direction == DirectionUnknown {
		c.Direction = n.Direction
	}
	c.Emergency = c.Emergency || n.Emergency
	c.Trial = c.Trial || n.Test
	if !n.Began.IsZero() {
		c.Began = n.Began
	}
	if !n.Answered.IsZero() {
		c.Answered = n.Answered
	}
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

// find returns the latest account of the call, or nil. It skips refused calls.
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

// lastRefused returns the account of a call that never reached the line, or nil.
func (t *Recorder) lastRefused(call supervision.CallID) *openAccount {
	for i := len(t.all) - 1; i >= 0; i-- {
		if t.all[i].Call == call && t.all[i].refused {
			return t.all[i]
		}
	}
	return nil
}

// findOrBegin returns the account of a call that the machine knows. It begins one if the entry with the call's
// beginning was lost.
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

// settle sets the outcome of an account. An incident remains the outcome.
func (t *Recorder) settle(at time.Time, c *openAccount, o Outcome) {
	if c.Incident.OfCall() {
		o = OutcomeIncident // an incident of the call was reported earlier
	}
	if c.Outcome != OutcomeIncident {
		c.Outcome = o
	}
	if c.Ended.IsZero() {
		c.Ended = at
	}
	t.change(c)
}

// reopen is for a clearing that continues although its outcome seemed known.
func (t *Recorder) reopen(c *openAccount) {
	if c.Outcome != OutcomeIncident {
		c.Outcome, c.Ended = OutcomeInProgress, time.Time{}
	}
	t.change(c)
}

// sweep drops, about once a second, the accounts that can no longer change.
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
			t.settle(c.changedAt, c, OutcomeBrokenOff) // no entry since then
		case c.Outcome != OutcomeInProgress && idle > accountLifetime && i < old && !t.inProgress(c):
			t.unlink(c)
			t.spare = append(t.spare, c)
			continue
		}
		kept = append(kept, c)
	}
	t.all = kept
}

// inProgress reports whether c is still affected by an opening, an incident or a possible incident.
func (t *Recorder) inProgress(c *openAccount) bool {
	if t.last.of == c && !t.last.settled || t.pending == c {
		return true
	}
	for i := range t.open {
		if t.open[i].of == c {
			return true
		}
	}
	return false
}

// dropOne makes room. It drops the oldest account that has an outcome and is not in progress. If there is none, it
// drops the oldest with an outcome, or else the oldest of all, which it settles as broken off.
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
	t.all = append(t.all[:drop], t.all[drop+1:]...) // not reused, since Take may still have to return it
}

// unlink removes all references to c.
func (t *Recorder) unlink(c *openAccount) {
	if t.last.of == c {
		t.last.of = nil
	}
	if t.pending == c {
		t.pending = nil
	}
	for i := range t.open {
		if t.open[i].of == c {
			t.open[i].of = nil
		}
	}
}
