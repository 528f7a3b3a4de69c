package supervision

import "time"

// CallID names a call within the process; the shell gives each call its own, from 1. Zero is no call.
type CallID uint64

// Seq numbers the interruptions of a line, from 1, never reused while the process lives.
type Seq uint32

// EventKind says what happened.
type EventKind uint8

// The kinds of event. The comment names the fields of [Event] that count.
const (
	EventNone EventKind = iota
	// CallArrived: the service sent a call for this line; it was not offered to the adapter yet.
	// Call, Emergency (a call-back from the emergency centre, RFC 7090, at a time or from a place that makes the mark
	// believable; another marked call is an ordinary one).
	CallArrived
	// CallRequested: the adapter asked for a new call, so the near end is off hook (a seizure).
	// Call, Emergency. The user agent passes it on at once, without waiting for the machine.
	CallRequested
	// CallRinging: the adapter rings for an arrived call. Call.
	CallRinging
	// CallAnswered: the near end is off hook in this call: the adapter's own 200 for an arrived call
	// (also one that crosses a CANCEL), or the 200 passed to it for a requested one. Call.
	CallAnswered
	// FarEndCleared: the far end, or the way to it, is gone: BYE, CANCEL or rejection from the service side,
	// or other evidence. Call, Evidence, Late (how long ago it happened, if the source says; else 0).
	FarEndCleared
	// NearEndCleared: the adapter's own BYE or CANCEL, or its rejection of an offered call. Call.
	// It may follow FarEndCleared of the same call (BYE crossing BYE).
	NearEndCleared
	// AdapterLost: the adapter restarted or no longer answers within this call. Call.
	AdapterLost
	// AdapterLegCleared: what became of ClearAdapterLeg. Call, Answer.
	AdapterLegCleared
	// LoopOpened: the controller confirmed the opening. Seq.
	LoopOpened
	// LoopClosed: the controller confirmed that the loop is closed. Seq (0: not from an interruption:
	// the contact was put to closed at start, after an error or on reconnection), Took (time open, if measured).
	LoopClosed
	// LoopFailed: the interruption was not made, or not for as long as asked, and the loop is closed. Seq, Failure,
	// Took (with FailureShort: how long it was open at most).
	LoopFailed
	// LoopUnknown: nobody knows whether the loop is open, or it is (FailureNotMoved); the shell goes on closing it
	// until LoopClosed. Seq (0 as above), Failure.
	LoopUnknown
	// Seized: a loop-current sensor saw the near end go off hook. No field.
	Seized
	// ProbeAnswered: what ProbeLine found. Hook.
	ProbeAnswered
	// PulseRequested: the operator asks for one interruption by hand. Interval (0: the line's own).
	PulseRequested
	// TimePassed: a deadline of the machine came. No field.
	TimePassed
	// Released: a loop-current sensor saw the loop current stop (the counterpart of Seized). No field.
	Released
	// LeftOffHook: the adapter called the number that it calls when a line is left off hook. No field.
	LeftOffHook
	// FlashReported: the adapter reported a hook flash (INFO, or telephone-event 16). Call (0: in none that is known).
	FlashReported
	// TrialSet: the clearing of Call is a trial: it opens the loop for Interval instead of the line's own
	// interval (0: a catch trial, which opens nothing and is judged all the same). PulseDiallingOff lets Interval be
	// shorter than IntervalFloor.
	TrialSet
	// SoundContested: two hosts that nobody named send the sound of one side of a call, so that neither is heard. Call.
	SoundContested
	// SoundMissing: an answered emergency call is, or was, without sound. Call.
	SoundMissing
	// TrialCall: the call is one of a tuning session, from its start. Whatever its clearing is set to, it opens nothing
	// in the call-back window, nor once the adapter has asked for a call beside it. Call.
	TrialCall
	// CallRefused: a call from the service was refused before it came to the line. Call, Emergency, Evidence (why). The
	// machine has no part in it; the record has.
	CallRefused
	// AdapterRefused: an adapter of this line without a registration was refused (user, password or address). No field.
	// For the record only.
	AdapterRefused
	// AdapterRegistered: the adapter registered after AdapterRefused. No field. For the record only.
	AdapterRegistered
	// AttemptEnded: one service's attempt at an emergency call of the adapter ended, and it is not the one that was
	// answered first. Call, Second, Code (its final status; 0: none came before the attempt was given up), Progress
	// (how far it had come).
	AttemptEnded
	// FarEndSilent: neither RTP nor RTCP has come from the far end of an answered ordinary call for a long time, and
	// nobody signalled a reason. It ends nothing. Call, Late (for how long).
	FarEndSilent

	eventKinds
)

// Evidence tells how a far-end clearing was learnt.
type Evidence uint8

// The ways to learn that the far end cleared.
const (
	EvidenceNone           Evidence = iota
	EvidenceBye                     // a BYE (or, before the answer, CANCEL or a final rejection)
	EvidenceDialogEvent             // dialog-event package, RFC 4235
	EvidenceTone                    // a call-progress tone in the audio
	EvidenceMediaLost               // no RTP and no RTCP any more
	EvidenceSessionExpired          // session timer, RFC 4028
	EvidenceServiceLost             // an in-dialog request of ours got 481, 408 or no answer
	EvidenceShutdown                // this daemon is ending
	EvidenceNotAllowed              // this daemon refused the call: the line may not dial that
	EvidenceNoRoom                  // this daemon refused the call, or gave it up for another: there were too many, or no media port was left
	EvidenceNotHere                 // this daemon refused the call: the adapter is not registered
	evidences
)

// Answer is what the adapter said to our BYE.
type Answer uint8

// The adapter's answers to our BYE.
const (
	AnswerNone      Answer = iota // none at all, after all repeats (Timer F of RFC 3261)
	AnswerConfirmed               // a final answer other than 481, or the leg had ended already
	AnswerUnknown                 // 481: the adapter knows no such call
	answers
)

// Hook is what a probe found.
type Hook uint8

// Hook states; an answer that cannot be trusted is HookUnknown, never HookOn.
const (
	HookUnknown Hook = iota
	HookOn
	HookOff
	hooks
)

// Number says what a call that is surely no ordinary one, or may not be one, was dialled with.
type Number uint8

// The numbers. The zero value says nothing out of the ordinary.
const (
	NumberOrdinary       Number = iota
	NumberResembles             // it may be read as an emergency number; a call to it is an ordinary call for which the loop stays closed
	NumberUnlistedPrefix        // an emergency call behind a digit that the file does not list as an outside-line prefix
	numberKinds
)

// Progress is how far an attempt at a service had come before its final status.
type Progress uint8

// The progress of an attempt.
const (
	ProgressNone    Progress = iota // nothing came
	ProgressTrying                  // 100 only
	ProgressRinging                 // 101 to 199
	progresses
)

// Failure tells why an interruption was not made or is not known to have ended.
type Failure uint8

// The failures of an interruption.
const (
	FailureNone        Failure = iota
	FailureRefused             // the controller refused it; Why says its reason
	FailureLate                // its not-after had passed before it could be written
	FailureUnreachable         // the controller could not be reached
	FailureNoAnswer            // written, but the controller did not answer
	FailureNoContact           // the line has no contact (`driver: none`)
	FailureStopped             // withdrawn by CloseLoop before it was written
	FailureShort               // opened, and closed by the controller before its time
	FailureNotMoved            // the controller confirmed the command, and the contact reads back otherwise
	failures
)

// Event is one thing that happened on the line. It is a plain value; which fields count depends on Kind.
type Event struct {
	Kind      EventKind
	Call      CallID
	Seq       Seq
	Emergency bool
	Number    Number // of CallRequested
	Evidence  Evidence
	Answer    Answer
	Hook      Hook
	Failure   Failure
	Code      int  // of AttemptEnded: a status code of SIP, 200 to 699; 0: none
	Second    bool // of AttemptEnded: at the line's second service
	Progress  Progress
	Late      time.Duration
	Took      time.Duration
	Interval  time.Duration
	// PulseDiallingOff: the user states that the adapter's pulse dialling is off.
	PulseDiallingOff bool
	// Why is what the device said, with LoopFailed and LoopUnknown; one bounded line for people, of which nothing
	// depends.
	Why string
}

// Reached reports whether the emergency centre may know of an attempt that ended (AttemptEnded): it rang or was
// answered there, or the service accepted the call and nobody knows what became of it.
func (ev *Event) Reached() bool {
	return ev.Progress == ProgressRinging || ev.Code/100 == 2 || ev.Code == 0 && ev.Progress == ProgressTrying
}
