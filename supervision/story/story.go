// Package story turns what happened on a line into what people read: the account of each call, its outcome, and why, in words.
// It is pure: entries go in, accounts and texts come out.
package story

import (
	"time"

	"clearback/supervision"
)

// Entry is one thing that happened on a line: an event or an effect, whichever has a kind.
type Entry struct {
	At     time.Time
	Line   string
	Event  supervision.Event
	Effect supervision.Effect
}

// Direction of a call, seen from the key system.
type Direction uint8

// The directions.
const (
	DirectionUnknown Direction = iota
	Incoming                   // the service sent it
	Outgoing                   // the adapter asked for it
	ByHand                     // no call: an interruption by hand
)

// Party is who is at the far end of a call, as far as the signalling says.
type Party struct {
	Number string // user part of the URI
	Name   string // display name
	CallID string // SIP Call-ID towards the service
}

// Note tells who is in a call. It may come before or after the call's first entry.
type Note struct {
	At        time.Time
	Line      string
	Call      supervision.CallID
	Direction Direction
	Emergency bool
	// Test: the far end is this daemon's own (a trial).
	Test  bool
	Party Party
}

// ClearedBy tells which end of a call went first.
type ClearedBy uint8

// Who cleared.
const (
	ClearedByNobody ClearedBy = iota // not ended yet, or nobody knows
	ClearedByFarEnd
	ClearedByNearEnd
	ClearedByLoss // the adapter was lost
)

// Outcome is what became of a call's clearing.
type Outcome uint8

// The outcomes.
const (
	// OutcomeOpen: the call, or its clearing, is not over.
	OutcomeOpen Outcome = iota
	// OutcomeNoNeed: nothing had to be done: the near end cleared, or the call was never answered.
	OutcomeNoNeed
	// OutcomeCleared: the interruption was made and the line was seen on hook.
	OutcomeCleared
	// OutcomeUnknown: the interruption was made; nothing that can be trusted tells whether the hold cleared.
	OutcomeUnknown
	// OutcomeCancelled: the near end came first.
	OutcomeCancelled
	// OutcomeSuppressed: a rule kept the loop closed; Rule says which.
	OutcomeSuppressed
	// OutcomeIncident: an incident; Incident says why.
	OutcomeIncident
	// OutcomeBroken: the record ends before the outcome (the daemon died).
	OutcomeBroken
)

// Verified tells how the outcome was verified.
type Verified uint8

// The ways.
const (
	VerifiedNot Verified = iota
	VerifiedByProbe
	VerifiedBySense
)

// Account is the account of one call, or of one interruption by hand (Call 0). The zero value with Line and Call is its beginning.
// It is a plain value, so that it can be stored as it is.
type Account struct {
	Line      string
	Call      supervision.CallID
	Direction Direction
	Emergency bool
	Trial     bool
	Party     Party

	// zero: it did not happen (yet)
	Began, Answered, Cleared, Ended time.Time

	ClearedBy ClearedBy
	Evidence  supervision.Evidence
	Late      time.Duration
	Answer    supervision.Answer // of the adapter to our BYE
	// Openings counts the interruptions of this clearing; Asked and Measured are those of the last one, 0: none, or not measured.
	Openings        int
	Asked, Measured time.Duration
	Hook            supervision.Hook
	Verified        Verified
	Outcome         Outcome
	Rule            supervision.Suppression
	Incident        supervision.Incident
	Flash           bool
	// IncidentEnded is when the incident was over; zero: it lasts, or there is none.
	IncidentEnded time.Time
}

// Incident is the account of one incident, with or without a call.
type Incident struct {
	Line         string
	Call         supervision.CallID // 0: none
	Reason       supervision.Incident
	Rule         supervision.Suppression
	Flash        bool
	Began, Ended time.Time // Ended zero: it lasts
}
