package callrecord

import (
	"strings"

	"clearback/supervision"
)

// noRoomObservation and noRoomAdvice are for an emergency call that was ended in favour of others.
const (
	noRoomObservation = "The line made too many emergency calls at once, and this one came without a password from an address that somebody may have forged."
	noRoomAdvice      = "Find out who sends emergency calls from the address of the adapter of line LINE: nobody makes so many real calls at once."
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
		return "Look at the power and the network of the relay board, then run `clearback check --live`; until its contact is known closed, " +
			"the telephones of line LINE may be dead."
	case supervision.IncidentContactStuck:
		return "Compare the board, coil and input in the configuration with the wiring, then look for a welded contact or a wrong coil; " +
			"disconnect the pair from the adapter before you touch it, and leave to a licensed person what your law leaves to one " +
			"(see Wiring in SAFETY.md)."
	case supervision.IncidentLoopOpen:
		return "Restore the telephones of line LINE with the bypass, or by cutting the board's power; then check " +
			"the relay, `open_level` and whether anything else drives the output; disconnect the pair from the " +
			"adapter before you touch it."
	case supervision.IncidentRefused:
		return "Read what the board said (`clearback explain LINE`, or the log), then compare unit, register, path, topic, user and limit in the " +
			"configuration with its manual; `clearback check --live` tries the command where that cannot open the loop."
	case supervision.IncidentIntervalShort:
		if flash {
			return "Switch hook flash detection off in the adapter, or use an interval longer than its flash window: tell it in " +
				"`policy.flash_max`, and let `clearback window LINE` and `clearback tune LINE` find one."
		}
		return "The next clearing of this line uses the next longer interval, if it has one; `clearback tune LINE` finds the right one, and " +
			"`clearback keep LINE` writes the one in use into the file."
	case supervision.IncidentNeverSignalled:
		return "Find out why the service told nobody when the far end went: it has to send a BYE, or its dialog event, within 1 s; " +
			"free the line by hand with `clearback pulse LINE` if its lamp still shows the hold."
	case supervision.IncidentSeized:
		return "Go and look at the lamps and handsets of line LINE, and ask who lifted; hang up what is off, and only then free a hold with " +
			"`clearback pulse LINE`."
	case supervision.IncidentMissedNotAfter:
		return "Look at the load of this machine and of the network to the relay board, which were too busy or too slow to open within 2 s; " +
			"free the line by hand with `clearback pulse LINE` if its lamp still shows the hold."
	case supervision.IncidentByeUnanswered:
		return "Look at the adapter: its power, its network, its firmware; it has to answer a BYE at once, or `lead` has to be longer than it " +
			"takes."
	case supervision.IncidentOffHookWithoutCall:
		return "Go and look at the lamps and handsets of line LINE: hold pressed at dial tone, a call lost in a crash and a handset " +
			"left off look alike from here; hang up what is off, and only then free a hold with `clearback pulse LINE`."
	case supervision.IncidentUnlistedPrefix:
		return "Add the digit that people dial for an outside line to `emergency.outside_prefixes`, and run `clearback check`; until then this " +
			"emergency call passes only because line LINE may not dial that number otherwise."
	case supervision.IncidentTooManyOpenings:
		return "Find out who makes so many calls to or from line LINE and ends them (`clearback calls`): forged calls, or a service or an adapter " +
			"gone wrong; then look whether its lamp shows a hold, and free it with `clearback pulse LINE`, which works " +
			"meanwhile; if people did it, raise `policy.openings_per_minute`."
	case supervision.IncidentNoSound:
		return "Find out from where the service and the adapter of line LINE send their sound, and whether their SDP names another address or the " +
			"network drops it; a network that SDP does not name, and that you trust, goes into `media.from`."
	case supervision.IncidentAdapterRefused:
		return "Compare the adapter's SIP user and password with `adapter` of line LINE, and the adapter's address " +
			"with `adapter.allow_from`; the daemon's log names the user and the address that were refused."
	case supervision.IncidentEmergencyFailed:
		return "Make sure now, from another telephone, that help is on its way; then read in `clearback explain LINE` what each service answered, " +
			"ask the service why it does not put emergency calls through, and give line LINE a second service if it has none."
	case supervision.IncidentEmergencyAbandoned:
		return "Ask who dialled on line LINE whether help is needed, and keep the line on hook, since the emergency centre may call back; " +
			"`clearback explain LINE` tells how far the call had come."
	case supervision.IncidentFarEndSilent:
		return "Ask on line LINE whether somebody is still there, and hang up if not; if that happens often and nobody was there, " +
			"`media_lost: act` ends such calls."
	default:
		return "Read this record with the version of clearback that wrote it; this version does not know the " +
			"reason " +
			reason.String() + "."
	}
}

func ruleAdvice(rule supervision.Suppression) string {
	const lamp = "look whether the lamp of line LINE still shows a hold, and free it with `clearback pulse LINE`."
	switch rule {
	case supervision.SuppressionNone, supervision.SuppressedUnanswered:
		return "Nothing is to be done."
	case supervision.SuppressedNearEnd:
		return "Look at the adapter (power, network, why it started anew), then " + lamp
	case supervision.SuppressedEmergency:
		return "Look at the lamp of line LINE and end a hold at the telephone itself, so that the emergency centre can call back."
	case supervision.SuppressedResembles:
		return "If that number is not an emergency number, end a hold on line LINE at the telephone itself: the daemon cannot know how the " +
			"service reads the number."
	case supervision.SuppressedLifeSafety:
		return "End a hold on line LINE at the telephone itself: `life_safety` in the configuration keeps the daemon away from its loop."
	case supervision.SuppressedOtherCall:
		return "Switch call waiting off in the adapter, so that line LINE carries one call at a time; then " + lamp
	case supervision.SuppressedLate:
		return "Find out why the service, or this machine, was so late: a clearing has to be learnt and acted on within 1 s; then " +
			lamp
	case supervision.SuppressedUnknownCall:
		return "Find out why the adapter lost the call (a restart, its own session timer); let `clearback check --live --states LINE` find out " +
			"whether its answers can be trusted, so that the line can be probed then; and " + lamp
	case supervision.SuppressedLoopBusy:
		return "Wait until the last interruption and its guard time are over, then " + lamp
	case supervision.SuppressedLoopFaulted:
		return "Look at the power and the network of the relay board, then run `clearback check --live`; when its contact is known closed, " +
			lamp
	case supervision.SuppressedOutOfBounds:
		return "Ask for an interval within the policy of line LINE: `clearback window LINE` says which those are."
	case supervision.SuppressedNoContact:
		return "Give line LINE a contact in the configuration if its holds are to be cleared; it is only looked on at now."
	case supervision.SuppressedTooManyOpenings:
		return "Find out who makes so many calls to or from line LINE and ends them, then " + lamp
	case supervision.SuppressedCallback:
		return "Wait until the call-back window is over (`policy.callback_window`): the emergency centre may be about to call back."
	default:
		return "Read this record with the version of clearback that wrote it; this version does not know the rule " + rule.String() +
			"."
	}
}

// refusedAdvice returns what to do about a call that this daemon refused.
func refusedAdvice(why supervision.Evidence) string {
	switch why {
	case supervision.EvidenceNotHere:
		return "Look at the adapter of line LINE: its power, its network, its SIP server, user and password; " +
			"`clearback lines` shows whether it is registered, and the daemon's log shows whether it was refused."
	case supervision.EvidenceServiceLost:
		return "Look at the network and at the service of line LINE; `clearback lines` shows whether the line is " +
			"registered there."
	case supervision.EvidenceNoRoom:
		return "Find out why line LINE gets so many calls at once; if they are genuine, raise `calls`; if the " +
			"daemon's log says that no media port could be opened, follow its advice."
	default:
		return "Nothing is to be done: the daemon was ending. To let calls through at such times, configure a " +
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
		return "The relay board did not answer, so the loop was not opened as asked, or nobody knows whether it is closed."
	case supervision.IncidentContactStuck:
		return "The contact did not move: the board confirmed the command, and the contact, read back, stayed closed, or the loop-current input saw " +
			"current all the time."
	case supervision.IncidentLoopOpen:
		return "The contact reads open although nobody opened it, and it does not close on command."
	case supervision.IncidentRefused:
		return "The board refused the command to open, so the loop stayed closed."
	case supervision.IncidentIntervalShort:
		if flash {
			return "The adapter reported a hook flash: it took the opening for one, and the line was still off hook afterwards."
		}
		return "The loop was opened and closed as asked, and the line was still off hook afterwards: the line card did not let go in that " +
			"time, or somebody listens to a dead line; " + cannotTell + "."
	case supervision.IncidentNeverSignalled:
		return "The far end had gone for more than 1 s when it was learnt; by then somebody may have hung up and lifted again, so the loop " +
			"stayed closed."
	case supervision.IncidentSeized:
		return "The near end came first in the interruption (it hung up, or lifted for a new call), and then the line stayed off hook without a " +
			"call; " + cannotTell + "."
	case supervision.IncidentMissedNotAfter:
		return "The opening could not be commanded in time to end within 2 s of the BYE, so it was dropped; the loop stayed closed."
	case supervision.IncidentByeUnanswered:
		return "The adapter never answered the BYE of its leg, so it may have taken the call for one that goes on."
	case supervision.IncidentOffHookWithoutCall:
		return "The line is off hook and carries no call; " + cannotTell + "."
	case supervision.IncidentUnlistedPrefix:
		return "An emergency number was dialled behind a digit that `emergency.outside_prefixes` does not list. The call was put through as it was " +
			"dialled."
	case supervision.IncidentTooManyOpenings:
		return "The far end cleared this line more often within a minute than people can make happen (`policy.openings_per_minute`), so no clearing " +
			"opens its loop for 5 min, and longer if that goes on."
	case supervision.IncidentNoSound:
		return "An emergency call was answered, and for 2 s no sound came from one side, or from both. From then on sound was taken from any " +
			"address."
	case supervision.IncidentAdapterRefused:
		return "An adapter was refused, and no adapter is registered for this line. Until one is, the line can " +
			"neither make nor receive calls."
	case supervision.IncidentEmergencyFailed:
		return "An emergency call was not put through: no service answered it, or this daemon could not pass it on."
	case supervision.IncidentEmergencyAbandoned:
		return "An emergency call was abandoned: its caller, or the adapter, gave it up before anybody answered."
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
		return "The adapter was lost in the call (it started anew, or did not answer any more), so the loop stayed closed."
	case supervision.SuppressedEmergency:
		return "It was a call to or from the emergency centre: the loop is never opened for one."
	case supervision.SuppressedResembles:
		return "The number dialled may be read as an emergency number, so the loop stayed closed."
	case supervision.SuppressedLifeSafety:
		return "The line is marked `life_safety`: its loop is never opened."
	case supervision.SuppressedOtherCall:
		return "Another call was on the line: an opening would have cut it."
	case supervision.SuppressedLate:
		return "It was too late: an opening could not have ended within 2 s of the BYE, or the clearing was learnt more than 1 s after it " +
			"happened."
	case supervision.SuppressedUnknownCall:
		return "The adapter answered that it knew no such call (481), and no answer that can be trusted said that the line was off hook."
	case supervision.SuppressedLoopBusy:
		return "The last interruption or its guard time was not over."
	case supervision.SuppressedLoopFaulted:
		return "Nobody knew whether the contact was closed, so it was not opened."
	case supervision.SuppressedOutOfBounds:
		return "The interval asked for is outside the policy of the line."
	case supervision.SuppressedNoContact:
		return "The line has no contact, so what would have been opened is only recorded."
	case supervision.SuppressedTooManyOpenings:
		return "The line had been cleared more often within a minute than people can make happen, so for 5 min no clearing opened its loop."
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
			return "Nothing is to be done."
		}
		return ruleAdvice(a.Rule)
	case OutcomeUnknown:
		if a.Failed() {
			return "Find out what closed the contact early (`clearback check --live`), and look whether the lamp of line LINE still shows a hold."
		}
		return "Nothing is to be done if the lamp is dark; `clearback check --live --states LINE` finds out whether the line can be trusted " +
			"to tell, and `verify` sets how."
	case OutcomeCancelled:
		if a.Incident != supervision.IncidentNone {
			return Advice(a.Incident, a.Rule, a.Flash)
		}
		return "Nothing is to be done."
	case OutcomeRefused:
		return refusedAdvice(a.Evidence)
	case OutcomeHoldStayed:
		if a.Trial {
			return "Nothing is to be done: the trial counts as a hold that stayed."
		}
		return Advice(supervision.IncidentIntervalShort, a.Rule, a.Flash)
	case OutcomeBrokenOff:
		if a.Answered.IsZero() {
			return "Nothing is to be done for this call; the daemon's log shows why the daemon ended."
		}
		return "Look whether the lamp of line LINE still shows a hold, and free it with `clearback pulse LINE`; " +
			"the daemon's log shows why the daemon ended."
	case OutcomeInProgress:
		return "Wait: it is not over."
	case OutcomeNotNeeded:
		if a.Evidence == supervision.EvidenceNotAllowed {
			return "If line LINE is to call such numbers, allow them in `dial` (`international` for other countries); if nobody dialled it, find out " +
				"who can use this line."
		}
		if a.Evidence == supervision.EvidenceNoRoom {
			return noRoomAdvice
		}
		return "Nothing is to be done."
	default:
		return "Nothing is to be done."
	}
}
