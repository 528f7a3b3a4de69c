package supervision

import "time"

// EffectKind says what the shell is to do.
type EffectKind uint8

// The kinds of effect. The comment names the fields of [Effect] that count.
const (
	EffectNone EffectKind = iota
	// OfferCall: send the arrived call to the adapter now. Call.
	OfferCall
	// RefuseCall: answer the arrived call, never offered, with Code. Call, Code.
	RefuseCall
	// ClearAdapterLeg: end the call towards the adapter (BYE, or CANCEL before its answer). Call.
	// Its outcome returns as AdapterLegCleared.
	ClearAdapterLeg
	// ClearFarEnd: end the call towards the far end; nothing returns. Call.
	ClearFarEnd
	// OpenLoop: interrupt the loop for Interval, but only if the command can be written by NotAfter. Call (0: by hand),
	// Seq, Interval, NotAfter.
	OpenLoop
	// CloseLoop: close the loop at once, or withdraw an opening not yet written. It overtakes every open. Call, Seq (0:
	// whatever is open).
	CloseLoop
	// ProbeLine: ask whether the near end is off hook; ProbeAnswered returns.
	ProbeLine
	// Report: nothing to do, something to record. Report, Call, Suppression.
	Report

	effectKinds
)

// ReportKind says what a Report effect records.
type ReportKind uint8

// The reports.
const (
	ReportNone ReportKind = iota
	// ReportSuppressed: a far-end clearing that does not open the loop. Call, Suppression, Trial (then Interval too).
	ReportSuppressed
	// ReportCancelled: the near end came first; the interruption was withdrawn or cut short. Call, Trial. With an
	// Incident: a trial that could not be made for that reason.
	ReportCancelled
	// ReportInterrupted: the interruption was made; what became of the hold is told by Hook. Call, Seq, Interval, Hook,
	// Trial (then Interval may be 0: a catch trial, which opened nothing and has Seq 0).
	ReportInterrupted
	// ReportIncident: a hold that stayed, an interruption that could not be made, a line off hook without a call, or a
	// storm of clearings. Call, Incident, Suppression (with IncidentSuppressed: the rule), Flash (with
	// IncidentIntervalShort: the adapter took it for one).
	ReportIncident
	// ReportIncidentEnded: the line was seen on hook, or carries a call again, or the contact is known closed again, or
	// the storm is over. Incident.
	ReportIncidentEnded
	// ReportRefused: the operator's pulse or trial is refused. Call (0: a pulse), Suppression.
	ReportRefused
	// ReportNextInterval: a hold stayed, and from now on the line's clearings use Interval. Interval.
	ReportNextInterval

	reportKinds
)

// Suppression tells which rule kept the loop closed.
type Suppression uint8

// The rules that keep the loop closed.
const (
	SuppressionNone           Suppression = iota
	SuppressedUnanswered                  // the near end never answered
	SuppressedNearEnd                     // the near end cleared, or was lost
	SuppressedEmergency                   // a call to or from the emergency centre
	SuppressedLifeSafety                  // the line is marked life_safety
	SuppressedOtherCall                   // another call is on the line
	SuppressedLate                        // learnt too long after it happened
	SuppressedUnknownCall                 // the adapter knew no such call and no trusted probe said off hook
	SuppressedLoopBusy                    // an interruption or its guard time is under way
	SuppressedLoopFaulted                 // nobody knows whether the contact is closed
	SuppressedOutOfBounds                 // the asked interval is outside the policy
	SuppressedNoContact                   // the line has no contact; Seq and Interval tell what would have been opened
	SuppressedCallback                    // the emergency centre may be about to call back
	SuppressedResembles                   // a call to a number that may be read as an emergency number
	SuppressedTooManyOpenings             // more openings than people can make; see Policy.OpeningsPerMinute
	suppressions
)

// Incident is the reason of an incident.
type Incident uint8

// The reasons.
const (
	IncidentNone               Incident = iota
	IncidentUnreachable                 // controller unreachable
	IncidentContactStuck                // contact did not move
	IncidentIntervalShort               // interval too short: the loop opened, the hold stayed
	IncidentSuppressed                  // suppressed by policy
	IncidentNeverSignalled              // the far end's clearing was learnt late
	IncidentSeized                      // the near end seized the line
	IncidentMissedNotAfter              // the opening missed its not-after
	IncidentByeUnanswered               // the adapter leg never answered its BYE
	IncidentOffHookWithoutCall          // off hook without a call
	IncidentUnlistedPrefix              // an emergency call with a prefix that the file does not list
	IncidentTooManyOpenings             // more openings than people can make: no clearing opens the loop until it ends
	IncidentNoSound                     // an emergency call without sound
	IncidentRefused                     // the controller refused the opening
	IncidentLoopOpen                    // the contact reads open and does not close
	IncidentAdapterRefused              // the adapter cannot register: wrong user, password or address. The record's own, the machine has no part in it
	IncidentEmergencyFailed             // an emergency call that no service put through
	IncidentEmergencyAbandoned          // an emergency call that its caller gave up before it was answered
	IncidentFarEndSilent                // an ordinary call without anything of the far end for long
	incidents
)

// Effect is one thing for the shell to do. It is a plain value; which fields count depends on Kind.
type Effect struct {
	Kind        EffectKind
	Call        CallID
	Seq         Seq
	Code        int
	Interval    time.Duration
	NotAfter    Instant
	Report      ReportKind
	Suppression Suppression
	Incident    Incident
	Hook        Hook
	// Flash: the adapter reported a hook flash in that interruption.
	Flash bool
	// Trial: the clearing was a trial.
	Trial bool
}
