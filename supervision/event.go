package supervision

import "time"

// CallID identifies a call within the process. Package bridge numbers the calls from 1. An adopted call keeps the
// number that it had in the earlier process. Zero is no call.
type CallID uint64

// Seq numbers the interruptions of a line from 1. A number is never reused while the process lives.
type Seq uint32

// EventKind says what happened.
type EventKind uint8

// The kinds of event. Each comment ends with the fields of [Event] that the kind uses.
const (
	EventNone EventKind = iota
	// CallArrived: the service sent a call for this line, and it has not been offered to the adapter yet. Emergency
	// marks a call-back from the emergency centre (RFC 7090). It is set only if the call comes at a time or from a
	// place that makes the mark believable; otherwise a marked call is an ordinary one. Fields: Call, Emergency.
	CallArrived
	// CallRequested: the adapter asked for a new call, so the near end is off hook (a seizure). The user agent sends
	// the call to the service at once, without waiting for the machine. Fields: Call, Emergency, Number.
	CallRequested
	// CallRinging: the adapter rings for an arrived call. Fields: Call.
	CallRinging
	// CallAnswered: the near end is off hook in this call. For an arrived call the adapter sent a 200 (even one that
	// crosses a CANCEL). For a requested call the service's 200 was passed to the adapter. Fields: Call.
	CallAnswered
	// FarEndCleared: the far end, or the path to it, is gone. The service side sent BYE, CANCEL or a rejection, or
	// there is other evidence. Late is how long ago that happened, 0 if the source does not say. Fields: Call,
	// Evidence, Late.
	FarEndCleared
	// NearEndCleared: the adapter sent BYE or CANCEL, or rejected an offered call. It may follow FarEndCleared of the
	// same call (BYE crossing BYE). Fields: Call.
	NearEndCleared
	// AdapterLost: the adapter restarted or no longer answers within this call. Fields: Call.
	AdapterLost
	// AdapterLegCleared: the outcome of ClearAdapterLeg. Fields: Call, Answer.
	AdapterLegCleared
	// LoopOpened: the controller confirmed the opening. Fields: Seq.
	LoopOpened
	// LoopClosed: the controller confirmed that the loop is closed. Seq 0 means that no interruption ended: package
	// bridge closed the contact at start, after an error or on reconnection. Took is the time the loop was open, if
	// measured. Fields: Seq, Took.
	LoopClosed
	// LoopFailed: the opening was not made, or was shorter than requested, and the loop is closed. With FailureShort,
	// Took is the longest time that the loop can have been open. Fields: Seq, Failure, Took, Why.
	LoopFailed
	// LoopUnknown: the state of the loop is unknown, or the contact reads open (FailureNotMoved). Package bridge keeps
	// trying to close it until LoopClosed. Seq is 0 as in LoopClosed. Fields: Seq, Failure, Why.
	LoopUnknown
	// Seized: a loop-current sensor saw the near end go off hook. Fields: Reading.
	Seized
	// ProbeAnswered: the result of ProbeLine. Fields: Hook.
	ProbeAnswered
	// PulseRequested: the operator asks for one interruption without a call. Interval 0 means the line's own. Fields:
	// Interval.
	PulseRequested
	// TimePassed: a deadline of the machine has passed. No fields.
	TimePassed
	// Released: a loop-current sensor saw the loop current stop (the counterpart of Seized). Fields: Reading.
	Released
	// LeftOffHook: the adapter called the number that it calls when a line is left off hook. No fields.
	LeftOffHook
	// FlashReported: the adapter reported a hook flash (INFO, or telephone-event 16). Fields: Call (0: in no known
	// call).
	FlashReported
	// TrialSet: the clearing of Call will be a trial. It opens the loop for Interval instead of the line's own
	// interval. Interval 0 is a catch trial: nothing is opened, but the line is checked as after an opening.
	// PulseDiallingOff allows an Interval shorter than IntervalFloor. Fields: Call, Interval, PulseDiallingOff.
	TrialSet
	// SoundContested: two unannounced sources send the audio of one side of a call, so neither is passed on. Fields:
	// Call.
	SoundContested
	// SoundMissing: an answered emergency call is, or was, without audio. Fields: Call.
	SoundMissing
	// TrialCall: the call belongs to a tuning session, from its start. Whether or not TrialSet follows, its clearing
	// opens nothing in the call-back window, or after the adapter has asked for another call during it. Fields: Call.
	TrialCall
	// CallRefused: a call from the service was refused before it reached the line. Evidence is the reason. Only the
	// call record uses this event. Fields: Call, Emergency, Evidence.
	CallRefused
	// AdapterRefused: an adapter of this line that has no registration was refused (user, password or address). Only
	// the call record uses this event. No fields.
	AdapterRefused
	// AdapterRegistered: the adapter registered after AdapterRefused. Only the call record uses this event. No fields.
	AdapterRegistered
	// AttemptEnded: an attempt to place an emergency call of the adapter at one service ended, and it is not the
	// attempt that was answered first. Code is its final status, 0 if none came before the attempt was given up.
	// Progress is how far the attempt had come. Fields: Call, Second, Code, Progress.
	AttemptEnded
	// FarEndSilent: neither RTP nor RTCP has come from the far end of an answered ordinary call for a long time, and no
	// signalling explains the silence. The call continues. Late is the length of the silence. Fields: Call, Late.
	FarEndSilent
	// CurrentUnreadable: the loop-current sensor cannot be read. Its reports do not count until the next Seized or
	// Released. No fields.
	CurrentUnreadable
	// AdapterChanged: the adapter's User-Agent is none of those that it had when its answers to ProbeLine were checked.
	// No fields.
	AdapterChanged
	// OnHookInCall: the adapter answered a query of package bridge with on hook, although the near end is off hook in
	// this answered call. Fields: Call.
	OnHookInCall
	// CallAdopted: this process takes up a call that was answered before the daemon restarted. It comes when the line
	// starts, before any other event of a call; several may come. A call of a tuning session is followed by TrialCall.
	// Fields: Call, Emergency, Number.
	CallAdopted
	// AdapterLegHeard: since the start, the adapter has shown that it still has its leg of an adopted call: its audio
	// continues, or it answered a request in that dialog with 2xx and is known to answer 481 in a dialog that it does
	// not have. Fields: Call.
	AdapterLegHeard

	eventKinds
)

// Evidence is how a far-end clearing was learnt.
type Evidence uint8

// The ways to learn that the far end cleared.
const (
	EvidenceNone           Evidence = iota
	EvidenceBye                     // a BYE (or, before the answer, CANCEL or a final rejection)
	EvidenceDialogEvent             // dialog-event package, RFC 4235
	EvidenceTone                    // a call-progress tone in the audio
	EvidenceMediaLost               // neither RTP nor RTCP has arrived for some time
	EvidenceSessionExpired          // session timer, RFC 4028
	EvidenceServiceLost             // an in-dialog request of ours got 481, 408 or no answer
	EvidenceShutdown                // this daemon is ending, or has restarted and does not continue the call
	EvidenceNotAllowed              // this daemon refused the call: the line may not dial the number
	EvidenceNoRoom                  // this daemon refused or ended the call: too many calls, or no media port left
	EvidenceNotHere                 // this daemon refused the call: the adapter is not registered
	evidences
)

// Answer is the adapter's answer to our BYE.
type Answer uint8

// The adapter's answers to our BYE.
const (
	AnswerNone      Answer = iota // no answer, after all retransmissions (Timer F of RFC 3261)
	AnswerConfirmed               // 2xx; or no BYE was needed: the call was never answered, or bridge had ended it already
	AnswerUnknown                 // 481: the adapter does not know the call
	AnswerOther                   // another final answer; or none was awaited, since the adapter sent a BYE of its own
	answers
)

// legEnded reports whether the answer shows that the adapter's leg has ended.
func (a Answer) legEnded() bool { return a == AnswerConfirmed || a == AnswerOther }

// Hook is the hook state that a probe or sensor found.
type Hook uint8

// Hook states. An answer that cannot be trusted is HookUnknown, never HookOn.
const (
	HookUnknown Hook = iota
	HookOn
	HookOff
	hooks
)

// Verification is how a hook state was seen.
type Verification uint8

// The means of verification.
const (
	VerificationNone  Verification = iota // the state was not seen
	VerificationProbe                     // the adapter's answer to a probe
	VerificationSense                     // the loop-current sensor
	verifications
)

// Reading says why a loop-current sensor reports Seized or Released, and whether the report is up to date.
type Reading uint8

// The readings.
const (
	// ReadingChange: the current has changed since the last report, or this is the first report.
	ReadingChange Reading = iota
	// ReadingRepeated: nothing has changed since the last report. The state is reported again because the loop was
	// reported closed, or because the sensor could not be read for a time.
	ReadingRepeated
	// ReadingBeforeClosing: the reading was requested before the loop was last reported closed, by LoopClosed or
	// LoopFailed.
	ReadingBeforeClosing
	readings
)

// NumberClass classifies the dialled number where that is, or may be, an emergency number.
type NumberClass uint8

// The classes. NumberOrdinary also covers a listed emergency number, which Event.Emergency marks.
const (
	NumberOrdinary       NumberClass = iota
	NumberResembles                  // may be read as an emergency number: an ordinary call, but the loop stays closed
	NumberUnlistedPrefix             // an emergency number behind a digit not listed as an outside-line prefix
	numberKinds
)

// Progress is how far an attempt had come before its final status.
type Progress uint8

// The progress of an attempt.
const (
	ProgressNone    Progress = iota // no response
	ProgressTrying                  // 100 only
	ProgressRinging                 // 101 to 199
	progresses
)

// Failure is why an interruption was not made, or why its end is not known.
type Failure uint8

// The failures of an interruption.
const (
	FailureNone        Failure = iota
	FailureRefused             // the controller refused it; Why is its reason
	FailureLate                // its not-after time had passed before the command could be written
	FailureUnreachable         // the controller could not be reached
	FailureNoAnswer            // written, but the controller did not answer
	FailureNoContact           // the line has no contact (`driver: none`)
	FailureStopped             // withdrawn by CloseLoop before it was written
	FailureShort               // opened, but closed by the controller too early
	FailureNotMoved            // the controller confirmed the command, but the contact reads back otherwise
	failures
)

// Event is one thing that happened on the line. It is a plain value. Kind decides which fields are used.
type Event struct {
	Kind      EventKind
	Call      CallID
	Seq       Seq
	Emergency bool
	Number    NumberClass // of CallRequested and CallAdopted
	Evidence  Evidence
	Answer    Answer
	Hook      Hook
	Failure   Failure
	Code      int  // of AttemptEnded: a SIP status code, 200 to 699; 0: none
	Second    bool // of AttemptEnded: the attempt was at the line's second service
	Progress  Progress
	Late      time.Duration
	Took      time.Duration
	Interval  time.Duration
	// PulseDiallingOff: the user declares that the adapter's pulse dialling is off.
	PulseDiallingOff bool
	Reading          Reading // of Seized and Released
	// Why is the device's own message, with LoopFailed and LoopUnknown. It is one line of bounded length, for people
	// only: no decision depends on it.
	Why string
}

// Reached reports whether the emergency centre may know of an attempt that ended (AttemptEnded): the attempt rang or
// was answered there, or the service accepted the call and its final status is unknown.
func (ev *Event) Reached() bool {
	return ev.Progress == ProgressRinging || ev.Code/100 == 2 || ev.Code == 0 && ev.Progress == ProgressTrying
}
