package callrecord

import (
	"strconv"

	"clearback/supervision"
)

// The first column of a time line: the party that acts.
const (
	whoService  = "service"
	whoAdapter  = "adapter"
	whoContact  = "contact"
	whoProbe    = "probe"
	whoSense    = "sense"
	whoOperator = "operator"
	whoUs       = "clearback"
)

// phrase returns an entry of the call's own in words, or "" if the entry needs no row.
func (c *timeline) phrase(e *Entry) (who, text string) {
	switch ev := &e.Event; ev.Kind {
	case supervision.EventNone:
		return c.effectPhrase(&e.Effect)
	case supervision.LoopOpened, supervision.LoopClosed, supervision.LoopFailed, supervision.LoopUnknown:
		return whoContact, contactPhrase(ev)
	case supervision.Seized, supervision.Released:
		return whoSense, readingPhrase(ev)
	case supervision.CurrentUnreadable:
		return whoSense, "cannot read the loop current"
	case supervision.ProbeAnswered:
		return whoProbe, probePhrase(ev.Hook)
	case supervision.FarEndSilent:
		return whoUs, "has received neither sound nor RTCP from the far end since " + e.At.Add(-ev.Late).Format("15:04:05")
	case supervision.PulseRequested:
		if ev.Interval > 0 {
			return whoOperator, "requested an interruption of " + Span(ev.Interval)
		}
		return whoOperator, "requested an interruption"
	case supervision.TrialSet:
		if ev.Interval > 0 {
			return whoOperator, "set the clearing of this call as a trial of " + Span(ev.Interval)
		}
		return whoOperator, "set the clearing of this call as a trial that opens nothing"
	case supervision.TrialCall:
		return whoOperator, "makes this call to tune the line"
	case supervision.TimePassed:
		return "", ""
	default:
		return c.callPhrase(ev)
	}
}

// readingPhrase describes a reading of the loop current.
func readingPhrase(ev *supervision.Event) string {
	flows := ev.Kind == supervision.Seized
	switch {
	case ev.Reading == supervision.ReadingRepeated && flows:
		return "loop current still flows"
	case ev.Reading == supervision.ReadingRepeated:
		return "still no loop current"
	case ev.Reading == supervision.ReadingBeforeClosing && flows:
		return "loop current flowed before the loop closed"
	case ev.Reading == supervision.ReadingBeforeClosing:
		return "no loop current flowed before the loop closed"
	case flows:
		return "loop current flows: the near end is off hook, or the line is held again"
	default:
		return "the loop current stopped"
	}
}

// callPhrase describes an event of the signalling.
func (c *timeline) callPhrase(ev *supervision.Event) (who, text string) {
	switch ev.Kind {
	case supervision.CallArrived:
		if ev.Emergency {
			return whoService, "sent a call from the emergency centre"
		}
		return whoService, "sent the call"
	case supervision.CallRequested:
		if ev.Emergency {
			return whoAdapter, "requested an emergency call: the near end is off hook"
		}
		if ev.Number == supervision.NumberResembles {
			return whoAdapter, "requested a call to a number that may be read as an emergency number: the near end is off hook"
		}
		return whoAdapter, "requested the call: the near end is off hook"
	case supervision.CallRinging:
		return whoAdapter, "rings"
	case supervision.CallAdopted:
		switch {
		case ev.Emergency:
			return whoUs, "takes up an emergency call that was answered before the daemon restarted"
		case ev.Number == supervision.NumberResembles:
			return whoUs, "takes up a call that was answered before the daemon restarted; its number may be read as an " +
				"emergency number"
		}
		return whoUs, "takes up a call that was answered before the daemon restarted"
	case supervision.AdapterLegHeard:
		return whoAdapter, "is heard in this call for the first time since the restart"
	case supervision.CallAnswered:
		switch {
		case c.cleared:
			return whoAdapter, "answered after the call was cleared: the near end is off hook"
		case c.a.Direction == Outgoing:
			return whoService, "the far end answered"
		default:
			return whoAdapter, "answered: the near end is off hook"
		}
	case supervision.FarEndCleared:
		return c.farEndPhrase(ev)
	case supervision.NearEndCleared:
		switch {
		case c.answered && c.cleared:
			return whoAdapter, "its own BYE: the near end hung up"
		case c.answered:
			return whoAdapter, "BYE: the near end hung up"
		case c.a.Direction == Outgoing:
			return whoAdapter, "abandoned the call before it was answered"
		default:
			return whoAdapter, "did not take the call"
		}
	case supervision.AdapterLost:
		return whoAdapter, "was lost: it restarted, or no longer answers"
	case supervision.AdapterLegCleared:
		return whoAdapter, answerPhrase(ev.Answer)
	case supervision.LeftOffHook:
		return whoAdapter, "called the number for a line left off hook"
	case supervision.FlashReported:
		return whoAdapter, "reported a hook flash"
	case supervision.SoundContested:
		return whoUs, "receives sound for one side from two unknown addresses, and forwards neither"
	case supervision.SoundMissing:
		return whoUs, "receives no sound from one side, or from both"
	case supervision.CallRefused:
		return whoUs, "refuses a call from the service: " + refusedPhrase(ev.Evidence)
	case supervision.AdapterRefused:
		return whoAdapter, "was refused: wrong user, password or address"
	case supervision.AdapterRegistered:
		return whoAdapter, "registered"
	case supervision.AdapterChanged:
		return whoAdapter, "has a different User-Agent from the one it had when its answers were checked"
	case supervision.OnHookInCall:
		return whoAdapter, "reports on hook (200 to OPTIONS) in this answered call"
	case supervision.AttemptEnded:
		return whoService, attemptPhrase(ev)
	default:
		return whoUs, ev.String()
	}
}

// attemptPhrase describes how far an emergency call got at one service.
func attemptPhrase(ev *supervision.Event) string {
	s := "the service "
	if ev.Second {
		s = "the second service "
	}
	switch {
	case ev.Code/100 == 2:
		return s + "also answered, but after the other service or too late; that call is ended"
	case ev.Code != 0:
		s += "answered " + strconv.Itoa(ev.Code)
		if ev.Progress == supervision.ProgressRinging {
			s += " after ringing"
		}
		return s
	case ev.Progress == supervision.ProgressRinging:
		return s + "rang, but nobody answered"
	case ev.Progress == supervision.ProgressTrying:
		return s + "answered 100, then nothing more"
	default:
		return s + "did not answer at all"
	}
}

func (c *timeline) farEndPhrase(ev *supervision.Event) (who, text string) {
	who = whoService
	switch ev.Evidence {
	case supervision.EvidenceBye:
		text = "BYE: the far end cleared"
		if !c.answered {
			text = "the far end cancelled the call, or refused it"
		}
	case supervision.EvidenceDialogEvent:
		text = "dialog event: the far end cleared"
	case supervision.EvidenceTone:
		text = "a tone in the sound shows that the far end cleared"
	case supervision.EvidenceMediaLost:
		text = "neither sound nor RTCP comes from the far end: it counts as cleared"
	case supervision.EvidenceSessionExpired:
		text = "the session timer expired, or our refresh was not accepted: the far end counts as cleared"
	case supervision.EvidenceServiceLost:
		text = "no longer knows the call, or does not answer: the far end counts as cleared"
	case supervision.EvidenceShutdown:
		who, text = whoUs, "shuts down or has restarted, and clears the call"
	case supervision.EvidenceNotAllowed:
		who, text = whoUs, "refuses the call: the line may not dial this number"
	case supervision.EvidenceNoRoom:
		who, text = whoUs, "ends the call: the line made too many emergency calls at once, and this one came from an "+
			"unverified address"
	default:
		text = "the far end cleared"
	}
	if c.cleared {
		text += " (again; the call was already cleared)"
	}
	if ev.Late > 0 {
		text += ", " + Span(ev.Late) + " earlier"
	}
	return who, text
}

func refusedPhrase(e supervision.Evidence) string {
	switch e {
	case supervision.EvidenceNotHere:
		return "the adapter is not registered"
	case supervision.EvidenceShutdown:
		return "the daemon is shutting down"
	case supervision.EvidenceNoRoom:
		return "there were too many calls, or no media port was left"
	default:
		return e.String()
	}
}

func answerPhrase(a supervision.Answer) string {
	switch a {
	case supervision.AnswerConfirmed:
		return "confirmed that its leg is cleared"
	case supervision.AnswerUnknown:
		return "answered that it knows no such call (481)"
	case supervision.AnswerOther:
		return "ended its leg without confirming our BYE (no 2xx)"
	default:
		return "never answered"
	}
}

func probePhrase(h supervision.Hook) string {
	switch h {
	case supervision.HookOn:
		return "on hook"
	case supervision.HookOff:
		return "off hook"
	default:
		return "no trusted answer"
	}
}

func contactPhrase(ev *supervision.Event) string {
	switch ev.Kind {
	case supervision.LoopOpened:
		return "the loop is open"
	case supervision.LoopClosed:
		if ev.Took > 0 {
			return "the loop is closed; the board confirmed " + Span(ev.Took)
		}
		return "the loop is closed"
	case supervision.LoopFailed:
		if ev.Failure == supervision.FailureShort {
			return "the loop is closed: the connection to the board was lost, and the board closed the contact early, after " +
				"at most " + Span(ev.Took) + deviceText(ev)
		}
		return "the loop was not opened: " + failurePhrase(ev.Failure) + deviceText(ev)
	default:
		if ev.Failure == supervision.FailureNotMoved {
			return "the loop is open: the contact reads open, and a command to close does not change that"
		}
		return "the state of the loop is unknown: " + failurePhrase(ev.Failure) + deviceText(ev)
	}
}

// deviceText returns the device's own message, or what its driver says about it, in parentheses.
func deviceText(ev *supervision.Event) string {
	if ev.Why == "" {
		return ""
	}
	return " (" + ev.Why + ")"
}

func failurePhrase(f supervision.Failure) string {
	switch f {
	case supervision.FailureRefused:
		return "the board refused the command"
	case supervision.FailureLate:
		return "the command could not be sent in time"
	case supervision.FailureUnreachable:
		return "the board could not be reached"
	case supervision.FailureNoAnswer:
		return "the board did not answer"
	case supervision.FailureNoContact:
		return "the line has no contact"
	case supervision.FailureNotMoved:
		return "the board confirmed the command, but the contact did not move"
	case supervision.FailureStopped:
		return "the command was withdrawn before it was sent"
	default:
		return "no reason was given"
	}
}

// effectPhrase describes a decision of the machine.
func (c *timeline) effectPhrase(ef *supervision.Effect) (who, text string) {
	switch ef.Kind {
	case supervision.EffectNone:
		return "", ""
	case supervision.OfferCall:
		return whoUs, "offers the call to the adapter"
	case supervision.RefuseCall:
		return whoUs, "answers " + strconv.Itoa(ef.Code) + ": the near end went off hook first"
	case supervision.ClearAdapterLeg:
		if c.answered {
			return whoUs, "sends BYE to the adapter"
		}
		return whoUs, "ends the adapter's leg"
	case supervision.ClearFarEnd:
		return whoUs, "ends the far end's leg"
	case supervision.OpenLoop:
		return whoUs, "tells the contact to open for " + Span(ef.Interval)
	case supervision.CloseLoop:
		return whoUs, "tells the contact to close"
	case supervision.ProbeLine:
		return whoUs, "probes the line"
	case supervision.Report:
		return whoUs, reportPhrase(ef)
	default:
		return whoUs, ef.String()
	}
}

func reportPhrase(ef *supervision.Effect) string {
	switch ef.Report {
	case supervision.ReportSuppressed:
		return "keeps the loop closed: " + ef.Suppression.String()
	case supervision.ReportCancelled:
		if ef.Incident != supervision.IncidentNone {
			return "the trial cannot be made: " + ef.Incident.String()
		}
		return "withdraws the interruption"
	case supervision.ReportInterrupted:
		s := "result of the interruption: "
		if ef.Seq == 0 {
			s = "result of the trial without an opening: "
		}
		switch ef.Hook {
		case supervision.HookOn:
			return s + "on hook, the hold cleared"
		case supervision.HookOff:
			return s + "off hook, the hold stayed"
		default:
			return s + "unknown"
		}
	case supervision.ReportIncident:
		s := "incident: " + ef.Incident.String()
		if ef.Suppression != supervision.SuppressionNone {
			s += ", " + ef.Suppression.String()
		}
		if ef.Flash {
			s += ", flash"
		}
		return s
	case supervision.ReportIncidentEnded:
		return "incident ended: " + ef.Incident.String()
	case supervision.ReportRefused:
		return "refused: " + ef.Suppression.String()
	case supervision.ReportTrustWithdrawn:
		return "no longer trusts the adapter's answers about the line"
	case supervision.ReportNextInterval:
		return "from now on, clearings of this line open the loop for " + Span(ef.Interval)
	default:
		return ef.String()
	}
}

// actionOf returns in a few words what another call did at the same time, or "" if that needs no mention.
func actionOf(e *Entry) string {
	switch e.Event.Kind {
	case supervision.EventNone:
	case supervision.CallArrived:
		return "arrived"
	case supervision.CallRefused:
		return "refused (" + e.Event.Evidence.String() + ")"
	case supervision.CallRequested:
		return "requested by the adapter"
	case supervision.CallAdopted:
		return "taken up after a restart"
	case supervision.CallAnswered:
		return "answered"
	case supervision.FarEndCleared:
		return "cleared by the far end"
	case supervision.NearEndCleared:
		return "cleared by the near end"
	case supervision.AdapterLost:
		return "adapter lost"
	case supervision.PulseRequested:
		return "requested"
	default:
		return ""
	}
	switch ef := &e.Effect; ef.Kind {
	case supervision.OfferCall:
		return "offered"
	case supervision.RefuseCall:
		return "refused"
	case supervision.OpenLoop:
		return "loop opened"
	case supervision.Report:
		switch ef.Report {
		case supervision.ReportSuppressed, supervision.ReportRefused:
			return ef.Report.String() + " (" + ef.Suppression.String() + ")"
		case supervision.ReportCancelled:
			return "cancelled"
		}
	}
	return ""
}
