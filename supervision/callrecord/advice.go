package callrecord

import (
	"strings"

	"clearback/supervision"
)

// noRoomObservation and noRoomAdvice are for an emergency call that was ended in favour of others.
const (
	noRoomObservation = "The line made too many emergency calls at once, and this one came without a password, from an " +
		"address that may be forged."
	noRoomAdvice = "Find out what sends emergency calls from the address of the adapter of line LINE: so many calls " +
		"at once cannot all be real."
)

// cannotTell is added wherever the line was seen off hook without a call.
const cannotTell = "a probe cannot tell a held line from a lifted handset"

// Advice returns a sentence on what to do about an incident, or, with [supervision.IncidentNone], about a rule that
// kept the loop closed. flash means that the adapter took the opening for a hook flash. LINE in the text stands for the
// name of the line; see [Account.Advice].
func Advice(reason supervision.Incident, rule supervision.Suppression, flash bool) string {
	switch reason {
	case supervision.IncidentNone, supervision.IncidentSuppressed:
		return ruleAdvice(rule)
	case supervision.IncidentUnreachable:
		return "Check the power and the network of the relay board, then run `clearback check --live`; until the contact " +
			"is known to be closed, the telephones of line LINE may be dead."
	case supervision.IncidentContactStuck:
		return "Compare the board, coil and input in the configuration with the wiring, then look for a welded contact " +
			"or a wrong coil; disconnect the pair from the adapter before you touch the pair, and leave work that " +
			"the law reserves for licensed persons to them (see Wiring in SAFETY.md)."
	case supervision.IncidentLoopOpen:
		return "Restore the telephones of line LINE with the bypass, or by cutting the board's power; then check the " +
			"relay and `open_level`, and whether anything else drives the output; disconnect the pair from the " +
			"adapter before you touch the pair."
	case supervision.IncidentRefused:
		return "Read the board's message (`clearback explain LINE`, or the log), then compare unit, register, path, " +
			"topic, user and limit in the configuration with the board's manual; `clearback check --live` tries the " +
			"command if that cannot open the loop."
	case supervision.IncidentIntervalShort:
		if flash {
			return "Switch hook flash detection off in the adapter, or use an interval longer than its flash window: set " +
				"`policy.flash_max` to the end of that window, and let `clearback window LINE` and " +
				"`clearback tune LINE` find an interval."
		}
		return "The next clearing of this line uses the next longer interval, if there is one; `clearback tune LINE` " +
			"finds the right interval, and `clearback keep LINE` writes the interval in use to the configuration file."
	case supervision.IncidentNeverSignalled:
		return "Find out why the service did not signal in time that the far end cleared: it has to send a BYE or a " +
			"dialog event within 1 s; free the line with `clearback pulse LINE` if its lamp still shows the hold."
	case supervision.IncidentSeized:
		return "Go and check the lamps and handsets of line LINE, and ask who lifted a handset; hang up every handset " +
			"that is off hook, and only then free a hold with `clearback pulse LINE`."
	case supervision.IncidentMissedNotAfter:
		return "Check the load of this machine and of the network to the relay board, which were too busy or too slow " +
			"for an opening within 2 s; free the line with `clearback pulse LINE` if its lamp still shows the hold."
	case supervision.IncidentByeUnanswered:
		return "Check the adapter's power, network and firmware; the adapter has to answer a BYE at once, or `lead` has " +
			"to be longer than the answer takes."
	case supervision.IncidentOffHookWithoutCall:
		return "Go and check the lamps and handsets of line LINE: to the daemon, a hold pressed at dial tone, a call " +
			"lost in a crash and a handset left off hook look alike; hang up every handset that is off hook, and only " +
			"then free a hold with `clearback pulse LINE`."
	case supervision.IncidentUnlistedPrefix:
		return "Add the digit that people dial for an outside line to `emergency.outside_prefixes`, and run " +
			"`clearback check`; until then, such an emergency call passes only because line LINE may not dial that " +
			"number as an ordinary call."
	case supervision.IncidentTooManyOpenings:
		return "Find out what causes so many calls to or from line LINE and ends them (`clearback calls`): forged calls, " +
			"or a faulty service or adapter; then check whether the line's lamp shows a hold, and free it with " +
			"`clearback pulse LINE`, which works even while clearings open nothing; if the calls are genuine, raise " +
			"`policy.openings_per_minute`."
	case supervision.IncidentNoSound:
		return "Find out from which addresses the service and the adapter of line LINE send sound, and whether their SDP " +
			"names other addresses or the network drops the packets; if you trust a network that SDP does not name, " +
			"add it to `media.from`."
	case supervision.IncidentAdapterRefused:
		return "Compare the adapter's SIP user and password with `adapter` of line LINE, and the adapter's address " +
			"with `adapter.allow_from`; the daemon's log names the user and the address that were refused."
	case supervision.IncidentEmergencyFailed:
		return "Make sure now, from another telephone, that help is on its way; then read in `clearback explain LINE` " +
			"what each service answered, ask the service why it does not put emergency calls through, and give line " +
			"LINE a second service if it has none."
	case supervision.IncidentEmergencyAbandoned:
		return "Ask the person who dialled on line LINE whether help is needed, and keep the line on hook, since the " +
			"emergency centre may call back; `clearback explain LINE` shows how far the call got."
	case supervision.IncidentAdopted:
		return "Check whether the lamp of line LINE still shows a hold, and if so, free it with `clearback pulse LINE`; the " +
			"daemon's log shows why it restarted."
	case supervision.IncidentFarEndSilent:
		return "Ask on line LINE whether somebody is still there, and hang up if not; if this often happens with nobody " +
			"there, set `media_lost: act`, which ends such calls."
	default:
		return "Read this record with the version of clearback that wrote it; this version does not know the reason " +
			reason.String() + "."
	}
}

func ruleAdvice(rule supervision.Suppression) string {
	const lamp = "check whether the lamp of line LINE still shows a hold, and if so, free it with `clearback pulse LINE`."
	switch rule {
	case supervision.SuppressionNone, supervision.SuppressedUnanswered:
		return "Nothing needs to be done."
	case supervision.SuppressedNearEnd:
		return "Check the adapter (its power, its network, the reason for a restart), then " + lamp
	case supervision.SuppressedEmergency:
		return "Check the lamp of line LINE, and end any hold at the telephone itself, so that the emergency centre can " +
			"call back."
	case supervision.SuppressedResembles:
		return "If that number is not an emergency number, end any hold on line LINE at the telephone itself: the daemon " +
			"cannot know how the service reads the number."
	case supervision.SuppressedLifeSafety:
		return "End any hold on line LINE at the telephone itself: because of `life_safety` in the configuration, the " +
			"daemon never opens the loop."
	case supervision.SuppressedOtherCall:
		return "Switch call waiting off in the adapter, so that line LINE carries one call at a time; then " + lamp
	case supervision.SuppressedLate:
		return "Find out why the service, or this machine, was late: the daemon has to learn of a clearing, and act on " +
			"it, within 1 s; then " + lamp
	case supervision.SuppressedUnknownCall:
		return "Find out why the adapter lost the call (a restart, its own session timer); run " +
			"`clearback check --live --states LINE` to find out whether the line reports its hook state reliably; if it " +
			"does, the daemon can probe the line in such a case; then " + lamp
	case supervision.SuppressedLoopBusy:
		return "Wait until the last interruption and its guard time are over, then " + lamp
	case supervision.SuppressedLoopFaulted:
		return "Check the power and the network of the relay board, then run `clearback check --live`; when the contact " +
			"is known to be closed, " + lamp
	case supervision.SuppressedOutOfBounds:
		return "Request an interval within the policy of line LINE; `clearback window LINE` shows which intervals are " +
			"possible."
	case supervision.SuppressedNoContact:
		return "If the holds of line LINE are to be cleared, give the line a contact in the configuration; at present the " +
			"daemon only monitors it."
	case supervision.SuppressedTooManyOpenings:
		return "Find out what causes so many calls to or from line LINE and ends them, then " + lamp
	case supervision.SuppressedAdopted:
		return "Find out why the daemon restarted (its log and the system's say so), then " + lamp
	case supervision.SuppressedCallback:
		return "Wait until the call-back window is over (`policy.callback_window`): the emergency centre may be about to " +
			"call back."
	default:
		return "Read this record with the version of clearback that wrote it; this version does not know the rule " +
			rule.String() + "."
	}
}

// refusedAdvice returns what to do about a call that this daemon refused.
func refusedAdvice(why supervision.Evidence) string {
	switch why {
	case supervision.EvidenceNotHere:
		return "Check the adapter of line LINE: its power, its network, its SIP server, user and password; " +
			"`clearback lines` shows whether it is registered, and the daemon's log shows whether it was refused."
	case supervision.EvidenceServiceLost:
		return "Check the network and the service of line LINE; `clearback lines` shows whether the line is registered " +
			"with the service."
	case supervision.EvidenceNoRoom:
		return "Find out why line LINE gets so many calls at once; if they are genuine, raise `calls`; if the " +
			"daemon's log says that no media port could be opened, follow its advice."
	default:
		return "Nothing needs to be done: the daemon was shutting down. To let calls through at such times, configure a " +
			"second server in the adapter."
	}
}

// Observation returns in a sentence or two what was seen when an incident began, or, with [supervision.IncidentNone],
// when a rule kept the loop closed.
func Observation(reason supervision.Incident, rule supervision.Suppression, flash bool) string {
	switch reason {
	case supervision.IncidentNone:
		return ruleObservation(rule)
	case supervision.IncidentSuppressed:
		return ruleObservation(rule) + " The line was still off hook afterwards; " + cannotTell + "."
	case supervision.IncidentUnreachable:
		return "The relay board did not answer, so the loop was not opened as requested, or it is unknown whether the loop " +
			"is closed."
	case supervision.IncidentContactStuck:
		return "The contact did not move: the board confirmed the command, but the contact still read closed, or the " +
			"loop-current input saw current all the time."
	case supervision.IncidentLoopOpen:
		return "The contact reads open although nobody opened it, and it does not close on command."
	case supervision.IncidentRefused:
		return "The board refused the command to open, so the loop stayed closed."
	case supervision.IncidentIntervalShort:
		if flash {
			return "The adapter took the opening for a hook flash and reported it, and the line was still off hook afterwards."
		}
		return "The loop was opened and closed as requested, and the line was still off hook afterwards: the line card did " +
			"not release the hold in that time, or somebody was listening to a dead line; " + cannotTell + "."
	case supervision.IncidentNeverSignalled:
		return "The clearing was learnt more than 1 s after the far end cleared; by then somebody may have hung up and " +
			"lifted again, so the loop stayed closed."
	case supervision.IncidentSeized:
		return "The near end acted first in the interruption (it hung up, or went off hook for a new call), and then the " +
			"line stayed off hook without a call; " + cannotTell + "."
	case supervision.IncidentMissedNotAfter:
		return "A command to open could not be sent in time for the opening to end within 2 s of the BYE, so that opening " +
			"was not made."
	case supervision.IncidentByeUnanswered:
		return "The adapter never answered the BYE of its leg, so it may believe that the call continues."
	case supervision.IncidentOffHookWithoutCall:
		return "The line is off hook and carries no call; " + cannotTell + "."
	case supervision.IncidentUnlistedPrefix:
		return "An emergency number was dialled after a digit that `emergency.outside_prefixes` does not list. The call " +
			"was put through as it was dialled."
	case supervision.IncidentTooManyOpenings:
		return "The far end cleared this line more often within a minute than people can cause " +
			"(`policy.openings_per_minute`), so no clearing opens its loop for 5 min, and longer if that rate continues."
	case supervision.IncidentNoSound:
		return "An emergency call was answered, and for 2 s no sound came from one side, or from both. From then on, sound " +
			"was accepted from any address."
	case supervision.IncidentAdapterRefused:
		return "An adapter was refused, and no adapter is registered for this line. Until one is, the line can " +
			"neither make nor receive calls."
	case supervision.IncidentEmergencyFailed:
		return "An emergency call was not put through: no service answered it, or this daemon could not pass it on."
	case supervision.IncidentEmergencyAbandoned:
		return "An emergency call was abandoned: its caller, or the adapter, ended it before anybody answered."
	case supervision.IncidentAdopted:
		return "The far end cleared a call that was answered before the daemon restarted. For such a call the loop opens " +
			"only if the adapter is heard in it after the restart and then confirms the BYE in time, since somebody may have " +
			"hung up and lifted again. It was not heard, or did not confirm, so the loop stayed closed."
	case supervision.IncidentFarEndSilent:
		return "For 5 min neither sound nor RTCP reports came from the far end, although it had sent some before " +
			"and nobody had signalled hold. The service still knew the call, or at least did not deny it."
	default:
		return "An incident of a kind that this version does not know: " + reason.String() + "."
	}
}

func ruleObservation(rule supervision.Suppression) string {
	switch rule {
	case supervision.SuppressionNone:
		return "No rule kept the loop closed."
	case supervision.SuppressedUnanswered:
		return "The near end never answered, so nothing was held."
	case supervision.SuppressedNearEnd:
		return "The adapter was lost during the call (it restarted, or no longer answered), so the loop stayed closed."
	case supervision.SuppressedEmergency:
		return "It was a call to or from the emergency centre; the loop is never opened for such a call."
	case supervision.SuppressedResembles:
		return "The number dialled may be read as an emergency number, so the loop stayed closed."
	case supervision.SuppressedLifeSafety:
		return "The line is marked `life_safety`: its loop is never opened."
	case supervision.SuppressedOtherCall:
		return "Another call was on the line: an opening would have cut that call off."
	case supervision.SuppressedLate:
		return "It was too late: an opening could not have ended within 2 s of the BYE, or the clearing was learnt more " +
			"than 1 s after it happened."
	case supervision.SuppressedUnknownCall:
		return "The adapter answered that it knew no such call (481), and no trusted answer said that the line was off hook."
	case supervision.SuppressedLoopBusy:
		return "The last interruption or its guard time was not over."
	case supervision.SuppressedLoopFaulted:
		return "It was unknown whether the contact was closed, so it was not opened."
	case supervision.SuppressedOutOfBounds:
		return "The requested interval is outside the policy of the line."
	case supervision.SuppressedNoContact:
		return "The line has no contact, so the opening was recorded but not made."
	case supervision.SuppressedTooManyOpenings:
		return "The far end had cleared this line more often within a minute than people can cause, so for 5 min no " +
			"clearing opened its loop."
	case supervision.SuppressedAdopted:
		return "The call was answered before the daemon restarted, and after the restart the adapter was not heard in it, or " +
			"did not confirm the BYE in time."
	case supervision.SuppressedCallback:
		return "An emergency call had ended shortly before, and the emergency centre might have been about to call " +
			"back."
	default:
		return "A rule that this version does not know kept the loop closed: " + rule.String() + "."
	}
}

// Advice returns a sentence on what to do about the outcome of the call.
func (a *Account) Advice() string {
	return strings.ReplaceAll(a.advice(), "LINE", a.Line)
}

func (a *Account) advice() string {
	if a.Incident.OfCall() {
		text := Advice(a.Incident, a.Rule, a.Flash)
		if a.Emergency && !a.Answered.IsZero() {
			text += " " + ruleAdvice(supervision.SuppressedEmergency)
		}
		if a.Evidence == supervision.EvidenceNoRoom {
			text += " " + noRoomAdvice
		}
		return text
	}
	if a.Emergency && !a.Answered.IsZero() && a.Failed() { // whatever the reason, the operator must not open the loop
		return ruleAdvice(supervision.SuppressedEmergency)
	}
	switch a.Outcome {
	case OutcomeIncident:
		return Advice(a.Incident, a.Rule, a.Flash)
	case OutcomeSuppressed:
		if a.Hook == supervision.HookOn {
			return "Nothing needs to be done."
		}
		return ruleAdvice(a.Rule)
	case OutcomeUnknown:
		if a.Failed() {
			return "Find out what closed the contact early (`clearback check --live`), and check whether the lamp of line " +
				"LINE still shows a hold."
		}
		return "Nothing needs to be done if the lamp is dark; `clearback check --live --states LINE` finds out whether the " +
			"line reports its hook state reliably, and `verify` in the configuration selects the method."
	case OutcomeCancelled:
		if a.Incident != supervision.IncidentNone {
			return Advice(a.Incident, a.Rule, a.Flash)
		}
		return "Nothing needs to be done."
	case OutcomeRefused:
		return refusedAdvice(a.Evidence)
	case OutcomeHoldStayed:
		if a.Trial {
			return "Nothing needs to be done: the trial counts as one in which the hold stayed."
		}
		return Advice(supervision.IncidentIntervalShort, a.Rule, a.Flash)
	case OutcomeBrokenOff:
		if a.Answered.IsZero() {
			return "Nothing needs to be done for this call; the daemon's log shows why the daemon ended."
		}
		return "Check whether the lamp of line LINE still shows a hold, and if so, free it with `clearback pulse LINE`; the " +
			"daemon's log shows why the daemon ended."
	case OutcomeInProgress:
		return "Wait: this record is not complete yet."
	case OutcomeNotNeeded:
		if a.Evidence == supervision.EvidenceNotAllowed {
			return "If line LINE is to call such numbers, allow them in `dial` (`international` for other countries); if " +
				"nobody dialled this number, find out who can use the line."
		}
		if a.Evidence == supervision.EvidenceNoRoom {
			return noRoomAdvice
		}
		return "Nothing needs to be done."
	default:
		return "Nothing needs to be done."
	}
}
