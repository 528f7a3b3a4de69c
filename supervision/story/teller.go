package story

import "clearback/supervision"

// Teller keeps the accounts of one line while they change. It is not for concurrent use.
type Teller struct{}

// NewTeller returns the teller of a line without calls. sensed tells whether a loop-current sensor decides about the hook.
func NewTeller(line string, sensed bool) *Teller { return &Teller{} }

// Take takes the next entry and returns the accounts and incidents that it changed, valid until the next Take.
func (t *Teller) Take(e Entry) ([]Account, []Incident) { return nil, nil }

// Note takes who is in a call, and returns the account that it changed, nil if there is none yet.
func (t *Teller) Note(n Note) *Account { return nil }

// Settings are what an explanation says of the line as it is set up; zero values are left out.
type Settings struct {
	Interval, FlashMax, Lead, GuardTime, OnHookRecognition int64
}

// Advice is one sentence on what to do about an incident.
func Advice(reason supervision.Incident, rule supervision.Suppression, flash bool) string { return "" }

// Explain returns the time line of a call in words with a small drawing, why it ended as it did, and what to change. entries are those
// of the call and those of the line meanwhile, in order. width is the number of columns, at least 60.
func Explain(a Account, entries []Entry, width int) string { return "" }
