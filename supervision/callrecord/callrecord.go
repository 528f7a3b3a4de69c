// Package callrecord turns what happened on a line into what people read: the account of each call, its outcome, and
// why, in words. It is pure: entries go in, accounts and texts come out.
//
// One [Entry] for each event and each effect goes from the line's goroutine to the journal (a copy into a queue), to
// the daemon's state of the line (cmd/internal/cli) and to whoever follows the line. A [Recorder] folds entries into
// the [Account] of a call. The journal stores accounts, so that `calls` reads one table, and entries, so that `explain`
// can tell the story again.
//
// The words of `explain` are in explain.go (the frame, and why it ended so), phrases.go (the time line) and advice.go
// (what to do); the drawing is in drawing.go, the words of log, tables and JSON in words.go.
package callrecord

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

	directions
)

// Party is who is at the far end of a call, as far as the signalling says.
type Party struct {
	Number string // user part of the URI
	Name   string // display name
	CallID string // SIP Call-ID towards the service
}

// CallInfo tells who is in a call. It may come before or after the call's first entry.
type CallInfo struct {
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

	clearedBys
)

// Outcome is what became of a call's clearing.
type Outcome uint8

// The outcomes.
const (
	// OutcomeInProgress: the call, or its clearing, is not over.
	OutcomeInProgress Outcome = iota
	// OutcomeNotNeeded: nothing had to be done: the near end cleared, or the call was never answered.
	OutcomeNotNeeded
	// OutcomeCleared: the interruption was made and the line was seen on hook.
	OutcomeCleared
	// OutcomeUnknown: the interruption was made; nothing that can be trusted reports whether the hold cleared.
	OutcomeUnknown
	// OutcomeCancelled: the near end came first.
	OutcomeCancelled
	// OutcomeSuppressed: a rule kept the loop closed; Rule says which.
	OutcomeSuppressed
	// OutcomeIncident: an incident; Incident says why.
	OutcomeIncident
	// OutcomeBrokenOff: the record ends before the outcome (the daemon died).
	OutcomeBrokenOff
	// OutcomeHoldStayed: the interruption was made, the line was seen off hook after it, and it is no incident: a
	// trial.
	OutcomeHoldStayed
	// OutcomeRefused: this daemon refused the call before anybody heard it: the adapter is not registered, no service
	// is to be reached, the daemon was ending, or there was no room. Evidence says which.
	OutcomeRefused

	outcomes
)

// Verification tells how the outcome was verified.
type Verification uint8

// The ways.
const (
	VerificationNone Verification = iota
	VerificationProbe
	VerificationSense

	verifieds
)

// Account is the account of one call, or of one interruption by hand (Call 0). It is a plain value, so that it can be
// stored as it is; [Account.ID] says which accounts are one and the same at different times.
type Account struct {
	Line      string
	Call      supervision.CallID
	Direction Direction
	Emergency bool
	// Trial: a trial of tuning, or another call whose far end is this daemon.
	Trial bool
	Party Party

	// Zero: it did not happen (yet). Began is when the call arrived or was asked for, or when the opening by hand was
	// commanded. Cleared is when the first end to go was learnt to have gone. Ended is when the outcome was known: it
	// is zero as long as the outcome is [OutcomeInProgress], and with [OutcomeBrokenOff] if nobody knows when the
	// daemon died. What comes later (the adapter's answer, the end of the incident) does not move it.
	Began, Answered, Cleared, Ended time.Time

	// ClearedBy is the end that went first; of two that cross, the one whose going was learnt first. A call that was
	// refused because the near end came first counts as cleared by that.
	ClearedBy ClearedBy
	Evidence  supervision.Evidence // of a far-end clearing
	Late      time.Duration        // how long before Cleared it had happened, as far as the source says
	Answer    supervision.Answer   // of the adapter to our BYE; AnswerNone: none, or none yet
	// Openings counts the interruptions of this clearing that were made, or may have been. Asked and Measured are those
	// of the last one that was commanded: the length that was asked for, and the time between the board's confirmations
	// of opening and closing. 0: none, or not known.
	Openings        int
	Asked, Measured time.Duration
	// observed is how long the loop was open by this machine's own clock; only an explanation, which has the entries,
	// knows it. 0: not known.
	observed time.Duration
	// Hook is what was seen after the last interruption, or instead of one if the adapter knew no such call;
	// Verification is how.
	Hook     supervision.Hook
	Verified Verification
	Outcome  Outcome
	// Rule is what kept the loop closed, with an incident too.
	Rule supervision.Suppression
	// Incident is the reason of the latest incident; with OutcomeCancelled, what kept a trial from being made.
	Incident supervision.Incident
	// Flash: the adapter reported a hook flash in the last interruption.
	Flash bool
	// IncidentEnded is when the incident was over; zero: it lasts, or there is none.
	IncidentEnded time.Time
}

// ID names an account for good.
type ID struct {
	Line string
	Call supervision.CallID
	// Began is that of an account without a call, which has no other name, in nanoseconds of Unix time; 0 with a call.
	Began int64
}

// ID returns the name of the account; it does not change while the account does.
func (a *Account) ID() ID {
	id := ID{Line: a.Line, Call: a.Call}
	if a.Call == 0 {
		id.Began = a.Began.UnixNano()
	}
	return id
}

// Length is how long the call was up: from the answer to the first clearing, or until now; 0 if it was not answered
// before that.
func (a *Account) Length(now time.Time) time.Duration {
	end := a.Cleared
	if end.IsZero() {
		end = now
	}
	if a.Answered.IsZero() {
		return 0
	}
	return max(0, end.Sub(a.Answered))
}

// Failed reports whether somebody should look at the line because of this account: there was an incident; or the
// clearing of an answered call may have left a hold behind for another reason than the line's own rules. These are:
//   - suppressed because of other-call, late, unknown-call, loop-busy, loop-faulted or out-of-bounds, or the adapter was lost, unless
//     the line was seen on hook all the same;
//   - broken off: the record ends before the outcome, so nobody knows;
//   - unknown, when the loop was measured to be open for less than nine tenths of what was asked;
//   - seen off hook after the interruption, without being a trial;
//   - refused by this daemon, so that a caller did not get through.
//
// Not so: the rules unanswered, emergency, life-safety, no-contact and callback-window, which are how the line is meant
// to work; what was cancelled, since then somebody is at the telephone; and unknown alone, or each clearing of a line
// without verification would count.
func (a *Account) Failed() bool {
	answered := !a.Answered.IsZero()
	switch a.Outcome {
	case OutcomeIncident, OutcomeRefused:
		return true
	case OutcomeHoldStayed:
		return !a.Trial
	case OutcomeBrokenOff:
		return answered
	case OutcomeUnknown:
		return a.Measured > 0 && a.Measured < a.Asked-a.Asked/10
	case OutcomeSuppressed:
		return answered && a.Hook != supervision.HookOn && (a.ClearedBy == ClearedByLoss || leavesHold(a.Rule))
	default:
		return false
	}
}

// leavesHold reports whether a rule that kept the loop closed may have left a hold behind unintentionally.
func leavesHold(rule supervision.Suppression) bool {
	switch rule {
	case supervision.SuppressedOtherCall, supervision.SuppressedLate, supervision.SuppressedUnknownCall,
		supervision.SuppressedLoopBusy, supervision.SuppressedLoopFaulted, supervision.SuppressedOutOfBounds,
		supervision.SuppressedTooManyOpenings:
		return true
	default:
		return false
	}
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
