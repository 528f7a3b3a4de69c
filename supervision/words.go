package supervision

// The words of every enumeration, indexed by value. They are read-only.
var (
	eventWords = [eventKinds]string{
		EventNone: "none", CallArrived: "call-arrived", CallRequested: "call-requested", CallRinging: "call-ringing",
		CallAnswered: "call-answered", FarEndCleared: "far-end-cleared", NearEndCleared: "near-end-cleared",
		AdapterLost: "adapter-lost", AdapterLegCleared: "adapter-leg-cleared", LoopOpened: "loop-opened",
		LoopClosed: "loop-closed", LoopFailed: "loop-failed", LoopUnknown: "loop-unknown", Seized: "seized",
		ProbeAnswered: "probe-answered", PulseRequested: "pulse-requested", TimePassed: "time-passed",
		Released:    "released",
		LeftOffHook: "left-off-hook", FlashReported: "flash-reported", TrialSet: "trial-set",
		SoundContested: "sound-contested", SoundMissing: "sound-missing", TrialCall: "trial-call",
		AttemptEnded: "attempt-ended",
		CallRefused:  "call-refused", AdapterRefused: "adapter-refused", AdapterRegistered: "adapter-registered",
		FarEndSilent: "far-end-silent", CurrentUnreadable: "current-unreadable",
		AdapterChanged: "adapter-changed", OnHookInCall: "on-hook-in-call",
		CallAdopted: "call-adopted", AdapterLegHeard: "adapter-leg-heard",
	}
	evidenceWords = [evidences]string{
		EvidenceNone: "none", EvidenceBye: "bye", EvidenceDialogEvent: "dialog-event", EvidenceTone: "tone",
		EvidenceMediaLost: "media-lost", EvidenceSessionExpired: "session-expired",
		EvidenceServiceLost: "service-lost", EvidenceShutdown: "shutdown",
		EvidenceNotAllowed: "not-allowed", EvidenceNoRoom: "no-room", EvidenceNotHere: "not-here",
	}
	answerWords = [answers]string{AnswerNone: "none", AnswerConfirmed: "confirmed", AnswerUnknown: "unknown-call",
		AnswerOther: "other"}
	numberWords = [numberKinds]string{NumberOrdinary: "ordinary", NumberResembles: "resembles-emergency",
		NumberUnlistedPrefix: "unlisted-prefix"}
	progressWords = [progresses]string{ProgressNone: "none", ProgressTrying: "trying", ProgressRinging: "ringing"}

	loopStateWords = [loopStates]string{StateClosed: "closed", StateOpening: "opening", StateOpen: "open",
		StateGuarding: "guarding", StateFaulted: "faulted"}
	readingWords = [readings]string{ReadingChange: "change", ReadingRepeated: "repeated",
		ReadingBeforeClosing: "before-closing"}

	hookWords = [hooks]string{HookUnknown: "unknown", HookOn: "on", HookOff: "off"}

	verificationWords = [verifications]string{VerificationNone: "none", VerificationProbe: "probe",
		VerificationSense: "sense"}

	failureWords = [failures]string{
		FailureNone: "none", FailureRefused: "refused", FailureLate: "late", FailureUnreachable: "unreachable",
		FailureNoAnswer: "no-answer", FailureNoContact: "no-contact", FailureStopped: "stopped",
		FailureShort: "short", FailureNotMoved: "not-moved",
	}
	effectWords = [effectKinds]string{
		EffectNone: "none", OfferCall: "offer-call", RefuseCall: "refuse-call", ClearAdapterLeg: "clear-adapter-leg",
		ClearFarEnd: "clear-far-end", OpenLoop: "open-loop", CloseLoop: "close-loop", ProbeLine: "probe-line",
		Report: "report",
	}
	reportWords = [reportKinds]string{
		ReportNone: "none", ReportSuppressed: "suppressed", ReportCancelled: "cancelled",
		ReportInterrupted: "interrupted", ReportIncident: "incident", ReportIncidentEnded: "incident-ended",
		ReportRefused: "refused", ReportNextInterval: "next-interval",
		ReportTrustWithdrawn: "trust-withdrawn",
	}
	suppressionWords = [suppressions]string{
		SuppressionNone: "none", SuppressedUnanswered: "unanswered", SuppressedNearEnd: "near-end",
		SuppressedEmergency: "emergency", SuppressedLifeSafety: "life-safety", SuppressedOtherCall: "other-call",
		SuppressedLate: "late", SuppressedUnknownCall: "unknown-call", SuppressedLoopBusy: "loop-busy",
		SuppressedLoopFaulted: "loop-faulted", SuppressedOutOfBounds: "out-of-bounds",
		SuppressedNoContact: "no-contact", SuppressedCallback: "callback-window",
		SuppressedResembles: "resembles-emergency", SuppressedTooManyOpenings: "too-many-openings",
		SuppressedAdopted: "adopted",
	}
	incidentWords = [incidents]string{
		IncidentNone: "none", IncidentUnreachable: "controller-unreachable", IncidentContactStuck: "contact-stuck",
		IncidentIntervalShort: "interval-short", IncidentSuppressed: "suppressed",
		IncidentNeverSignalled: "never-signalled", IncidentSeized: "seized",
		IncidentMissedNotAfter: "missed-not-after", IncidentByeUnanswered: "bye-unanswered",
		IncidentOffHookWithoutCall: "off-hook-without-call", IncidentUnlistedPrefix: "unlisted-prefix",
		IncidentTooManyOpenings: "too-many-openings", IncidentNoSound: "no-sound",
		IncidentRefused: "controller-refused", IncidentLoopOpen: "loop-open",
		IncidentAdapterRefused:  "adapter-refused",
		IncidentEmergencyFailed: "emergency-failed", IncidentEmergencyAbandoned: "emergency-abandoned",
		IncidentFarEndSilent: "far-end-silent", IncidentAdopted: "adopted",
	}
)

func word(words []string, v int64) string {
	if v < int64(len(words)) {
		return words[v]
	}
	return string(appendWord(nil, words, v))
}

// String returns the kind's word in the text form.
func (k EventKind) String() string { return word(eventWords[:], int64(k)) }

// String returns the evidence's word in the text form.
func (e Evidence) String() string { return word(evidenceWords[:], int64(e)) }

// String returns the answer's word in the text form.
func (a Answer) String() string { return word(answerWords[:], int64(a)) }

// String returns the number's word in the text form.
func (n NumberClass) String() string { return word(numberWords[:], int64(n)) }

// String returns the hook state's word in the text form.
func (h Hook) String() string { return word(hookWords[:], int64(h)) }

// String returns the state's word.
func (s LoopState) String() string { return word(loopStateWords[:], int64(s)) }

// String returns the verification's word in the text form.
func (v Verification) String() string { return word(verificationWords[:], int64(v)) }

// String returns the reading's word in the text form.
func (r Reading) String() string { return word(readingWords[:], int64(r)) }

// String returns the progress's word in the text form.
func (p Progress) String() string { return word(progressWords[:], int64(p)) }

// String returns the failure's word in the text form.
func (f Failure) String() string { return word(failureWords[:], int64(f)) }

// String returns the kind's word in the text form.
func (k EffectKind) String() string { return word(effectWords[:], int64(k)) }

// String returns the report's word in the text form.
func (k ReportKind) String() string { return word(reportWords[:], int64(k)) }

// String returns the rule's word in the text form.
func (s Suppression) String() string { return word(suppressionWords[:], int64(s)) }

// String returns the reason's word in the text form.
func (i Incident) String() string { return word(incidentWords[:], int64(i)) }
