package supervision

import "time"

// EffectKind says what package bridge is to do.
type EffectKind uint8

// The kinds of effect. Each comment ends with the fields of [Effect] that the kind uses.
const (
	EffectNone EffectKind = iota
	// OfferCall: send the arrived call to the adapter now. Fields: Call.
	OfferCall
	// RefuseCall: answer the arrived call, which was never offered, with Code. Fields: Call, Code.
	RefuseCall
	// ClearAdapterLeg: end the call towards the adapter (BYE, or CANCEL before its answer). The outcome returns as
	// AdapterLegCleared. Fields: Call.
	ClearAdapterLeg
	// ClearFarEnd: end the call towards the far end. No outcome returns. Fields: Call.
	ClearFarEnd
	// OpenLoop: open the loop for Interval, but only if the command can be written by NotAfter. Fields: Call (0: an
	// operator's pulse), Seq, Interval, NotAfter, Trial.
	OpenLoop
	// CloseLoop: close the loop at once, or withdraw an opening not yet written. It overtakes every opening. Fields:
	// Call, Seq (0: whatever is open).
	CloseLoop
	// ProbeLine: ask whether the near end is off hook. ProbeAnswered returns. No fields.
	ProbeLine
	// Report: something to record; nothing to do. Fields: Report, and those that the report names.
	Report

	effectKinds
)

// ReportKind says what a Report effect records.
type ReportKind uint8

// The reports.
const (
	ReportNone ReportKind = iota
	// ReportSuppressed: a far-end clearing that does not open the loop. The call may never have been offered. Fields:
	// Call, Suppression, Trial, Pending; also Interval for a trial, Seq and Interval with SuppressedNoContact, and Hook
	// and Verified with SuppressedUnknownCall if the line was seen on hook.
	ReportSuppressed
	// ReportCancelled: the near end came first, and the interruption was withdrawn or cut short. With an Incident: a
	// trial that could not be made, for that reason. Fields: Call (0: the operator's pulse Seq), Seq, Trial, Incident,
	// Flash, Pending.
	ReportCancelled
	// ReportInterrupted: the interruption was made. Hook shows whether the hold cleared. For a catch trial, which opens
	// nothing, Seq and Interval are 0. Fields: Call, Seq, Interval, Hook, Verified, Flash, Trial.
	ReportInterrupted
	// ReportIncident: something that people must know; see the kinds of [Incident]. It belongs to Call, or to the
	// operator's pulse Seq, or to neither. Suppression is the rule behind IncidentSuppressed. Flash, with
	// IncidentIntervalShort, means that the adapter took the interruption for a hook flash. Fields: Call, Seq,
	// Incident, Suppression, Flash.
	ReportIncident
	// ReportIncidentEnded: the line was seen on hook or carries a call again, or the contact is known closed again, or
	// the storm is over. An incident of a call ends at once. At any time at most one incident has a given reason, so
	// the reason says which incident ends. Fields: Incident.
	ReportIncidentEnded
	// ReportRefused: the operator's pulse or trial is refused. Fields: Call (0: a pulse), Suppression.
	ReportRefused
	// ReportNextInterval: a hold stayed, and the line's next clearings use Interval. Fields: Interval.
	ReportNextInterval
	// ReportTrustWithdrawn: answers to ProbeLine no longer count, because the adapter has changed, or because it
	// reported on hook in Call. Fields: Call (0: it has changed).
	ReportTrustWithdrawn

	reportKinds
)

// Suppression names the rule that kept the loop closed.
type Suppression uint8

// The rules that keep the loop closed.
const (
	SuppressionNone           Suppression = iota
	SuppressedUnanswered                  // the near end never answered
	SuppressedNearEnd                     // the near end cleared, or was lost
	SuppressedEmergency                   // a call to or from the emergency centre
	SuppressedLifeSafety                  // the line is marked life_safety
	SuppressedOtherCall                   // another call is on the line
	SuppressedLate                        // the clearing was learnt too long after it happened
	SuppressedUnknownCall                 // 481 from the adapter, and nothing trusted said off hook
	SuppressedLoopBusy                    // an interruption or its guard time is under way
	SuppressedLoopFaulted                 // the state of the contact is unknown
	SuppressedOutOfBounds                 // the requested interval is outside the policy
	SuppressedNoContact                   // the line has no contact; Seq and Interval are those of the opening not made
	SuppressedCallback                    // the emergency centre may be about to call back
	SuppressedResembles                   // a call to a number that may be read as an emergency number
	SuppressedTooManyOpenings             // more openings than people can cause; see Policy.OpeningsPerMinute
	SuppressedAdopted                     // an adopted call, and the adapter has not shown that it had its leg
	suppressions
)

// Incident is the reason of an incident.
type Incident uint8

// The reasons.
const (
	IncidentNone               Incident = iota
	IncidentUnreachable                 // controller unreachable
	IncidentContactStuck                // the contact did not move
	IncidentIntervalShort               // interval too short: the loop opened, the hold stayed
	IncidentSuppressed                  // a rule kept the loop closed, and the line is still off hook
	IncidentNeverSignalled              // the far end's clearing was learnt late
	IncidentSeized                      // the near end seized the line
	IncidentMissedNotAfter              // the opening could not be made before its not-after time
	IncidentByeUnanswered               // the adapter did not answer our BYE
	IncidentOffHookWithoutCall          // off hook without a call
	IncidentUnlistedPrefix              // an emergency call with a prefix that the configuration does not list
	IncidentTooManyOpenings             // a storm: until it ends, no clearing opens the loop
	IncidentNoSound                     // an emergency call without audio
	IncidentRefused                     // the controller refused the opening
	IncidentLoopOpen                    // the contact reads open and does not close
	IncidentAdapterRefused              // the adapter cannot register; only the call record reports it
	IncidentEmergencyFailed             // an emergency call that no service completed
	IncidentEmergencyAbandoned          // an emergency call that its caller abandoned before it was answered
	IncidentFarEndSilent                // no RTP or RTCP from the far end of an ordinary call for a long time
	IncidentAdopted                     // SuppressedAdopted kept the loop closed, so the line may still be held
	incidents
)

// Effect is one thing for package bridge to do. It is a plain value. Kind decides which fields are used.
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
	// Flash: the adapter reported a hook flash during that interruption.
	Flash bool
	// Trial: the clearing was a trial.
	Trial bool
	// Verified is how Hook was seen.
	Verified Verification
	// Pending: if the line is later found off hook without a call, that is an incident of this call.
	Pending bool
}
