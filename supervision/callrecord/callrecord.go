// Package callrecord turns the events and effects of a line into what people read: the account of each call, its
// outcome, and the reason in words. It is pure: entries go in, accounts and texts come out.
//
// The line's goroutine makes one [Entry] for each event and each effect. It gives the entry to the daemon's state of
// the line (bridge/daemon) and to everybody who follows the line. That state has the line's only [Recorder], which
// combines entries into the [Account] of a call. The entry then goes through a queue to the journal, with copies of the
// accounts and incidents that it changed. The journal stores accounts, so that `calls` reads one table. It also stores
// entries, from which `explain` makes the time line of a call.
//
// The texts of `explain` are in explain.go (the frame, and the reason for the outcome), phrases.go (the time line) and
// advice.go (what to do). The drawing is in drawing.go. The words of log, tables and JSON are in words.go.
package callrecord

import (
	"time"

	"clearback/supervision"
)

// Entry is one event or one effect of a line, whichever has a kind.
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
	ByHand                     // no call: an operator's pulse

	directions
)

// Party is the far end of a call, as far as the signalling names it.
type Party struct {
	Number string // user part of the URI
	Name   string // display name
	CallID string // SIP Call-ID towards the service
}

// CallInfo names the party of a call. It may come before or after the call's first entry.
type CallInfo struct {
	Line      string
	Call      supervision.CallID
	Direction Direction
	Emergency bool
	// Test: the far end is this daemon (a trial).
	Test  bool
	Party Party
	// Began and Answered are set for an adopted call, from the former process's record; zero: not known.
	Began, Answered time.Time
}

// ClearedBy is the end of a call that cleared first.
type ClearedBy uint8

// The ends.
const (
	ClearedByNobody ClearedBy = iota // not ended yet, or unknown
	ClearedByFarEnd
	ClearedByNearEnd
	ClearedByLostAdapter // the adapter was lost

	clearedByCount
)

// Outcome is the result of a call's clearing.
type Outcome uint8

// The outcomes.
const (
	// OutcomeInProgress: the call, or its clearing, is not over.
	OutcomeInProgress Outcome = iota
	// OutcomeNotNeeded: the near end cleared, or the call was never answered, so nothing had to be done.
	OutcomeNotNeeded
	// OutcomeCleared: the interruption was made and the line was seen on hook.
	OutcomeCleared
	// OutcomeUnknown: the interruption was made, but nothing trusted reported whether the hold cleared.
	OutcomeUnknown
	// OutcomeCancelled: the near end came first.
	OutcomeCancelled
	// OutcomeSuppressed: a rule kept the loop closed; see Rule.
	OutcomeSuppressed
	// OutcomeIncident: an incident; see Incident.
	OutcomeIncident
	// OutcomeBrokenOff: the record ends before the outcome (the daemon died).
	OutcomeBrokenOff
	// OutcomeHoldStayed: the interruption was made, and the line was seen off hook after it. That is no incident, since
	// it was a trial.
	OutcomeHoldStayed
	// OutcomeRefused: this daemon refused the call before it rang, or could not place it. The adapter was not
	// registered, no service could be reached, the daemon was ending, or there were too many calls. Evidence is the
	// reason.
	OutcomeRefused

	outcomes
)

// Account is the account of one call, or of one operator's pulse (Call 0). It is a plain value that can be stored as it
// is. [Account.ID] identifies it: two copies with the same ID are the same account at different times.
type Account struct {
	Line      string
	Call      supervision.CallID
	Direction Direction
	Emergency bool
	// Trial: its clearing was a trial of `clearback tune`, or its far end was this daemon.
	Trial bool
	Party Party

	// A zero time means that the event has not happened. Began is when the call arrived or was requested, or when the
	// pulse was commanded. Began and Answered of an adopted call are when it was taken up, if no [CallInfo] says more.
	// Cleared is when the daemon learnt of the first clearing. Ended is when the outcome became known. It is zero while
	// the outcome is [OutcomeInProgress], and with [OutcomeBrokenOff] if the time of the daemon's death is unknown.
	// Later events (the adapter's answer, the end of the incident) do not change it.
	Began, Answered, Cleared, Ended time.Time

	// ClearedBy is the end that cleared first, or whose clearing was learnt first if two cross. A waiting call that is
	// refused because of a seizure counts as cleared by the near end.
	ClearedBy ClearedBy
	Evidence  supervision.Evidence // of a far-end clearing
	Late      time.Duration        // how long before Cleared the clearing happened, if the source says so
	Answer    supervision.Answer   // of the adapter to our BYE; AnswerNone: no answer, or not yet
	// Openings counts the interruptions of this clearing that were made, or may have been. Asked and Measured belong to
	// the last one that was commanded. Asked is the requested length; Measured is the time between the board's
	// confirmations of opening and closing. 0: none, or not known.
	Openings        int
	Asked, Measured time.Duration
	// observed is how long the loop was open by this machine's own clock. Only an explanation sets it, from the
	// entries. 0: not known.
	observed time.Duration
	// Hook is the state seen after the last interruption. If the adapter did not know the call, it is the state seen
	// instead of an interruption. Verified is how it was seen.
	Hook     supervision.Hook
	Verified supervision.Verification
	Outcome  Outcome
	// Rule is the rule that kept the loop closed. It may be set with an incident too.
	Rule supervision.Suppression
	// Incident is the reason of the latest incident. With OutcomeCancelled it is the reason why a trial was not made.
	Incident supervision.Incident
	// Flash: the adapter reported a hook flash during the last interruption.
	Flash bool
	// IncidentEnded is when the incident ended; zero: it has not ended, or there is none.
	IncidentEnded time.Time
	// Media is nil until the call has ended on both sides, and if its media was not relayed. Nobody may change it.
	Media *Media
}

// ID identifies an account permanently.
type ID struct {
	Line string
	Call supervision.CallID
	// Began is Account.Began of an account without a call, in nanoseconds of Unix time. It is 0 for a call.
	Began int64
}

// ID returns the identity of the account. It does not change when the account does.
func (a *Account) ID() ID {
	id := ID{Line: a.Line, Call: a.Call}
	if a.Call == 0 {
		id.Began = a.Began.UnixNano()
	}
	return id
}

// Length is how long the call was up: from the answer to the first clearing, or to now if it has not cleared. It is 0
// for a call that was not answered before.
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

// Failed reports whether somebody should look at the line because of this account. That is so after an incident, and if
// the clearing of an answered call may have left a hold behind unintentionally:
//   - The loop stayed closed by the rule other-call, late, unknown-call, loop-busy, loop-faulted, out-of-bounds,
//     too-many-openings or adopted, or because the adapter was lost, and the line was not seen on hook.
//   - The outcome is broken off: the record ends before it, so it is not known.
//   - The outcome is unknown, and the loop was measured to be open for less than nine tenths of the requested length.
//   - The line was seen off hook after the interruption, and it was not a trial.
//   - This daemon refused the call, so a caller did not get through.
//
// The rules unanswered, emergency, resembles-emergency, life-safety, no-contact and callback-window do not count, since
// they are how the line is meant to work. A cancelled interruption does not count, since somebody is at the telephone.
// An unknown outcome alone does not count: otherwise every clearing of a line without verification would.
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
		return answered && a.Hook != supervision.HookOn && (a.ClearedBy == ClearedByLostAdapter || leavesHold(a.Rule))
	default:
		return false
	}
}

// leavesHold reports whether a rule that kept the loop closed may have left a hold behind unintentionally.
func leavesHold(rule supervision.Suppression) bool {
	switch rule {
	case supervision.SuppressedOtherCall, supervision.SuppressedLate, supervision.SuppressedUnknownCall,
		supervision.SuppressedLoopBusy, supervision.SuppressedLoopFaulted, supervision.SuppressedOutOfBounds,
		supervision.SuppressedTooManyOpenings, supervision.SuppressedAdopted:
		return true
	default:
		return false
	}
}

// Incident is the record of one incident, with or without a call.
type Incident struct {
	Line         string
	Call         supervision.CallID // 0: none
	Reason       supervision.Incident
	Rule         supervision.Suppression
	Flash        bool
	Began, Ended time.Time // Ended is zero while the incident lasts
}
