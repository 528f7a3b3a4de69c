package callrecord

import (
	"slices"
	"strconv"
	"strings"

	"clearback/supervision"
)

// minWidth is the smallest width of an explanation, in columns.
const minWidth = 60

// Explain returns the explanation of a call: its time line in words, a small drawing of the loop, the reason for its
// outcome, and what to do. entries are those of the call and those of its line at the same time, in order. width is the
// number of columns, at least 60. The text is ASCII except for names. Times are in the zone of the account's times.
func Explain(a Account, entries []Entry, width int) string {
	width = max(width, minWidth)
	c := newTimeline(&a, entries)
	a.observed = c.observed()
	var b strings.Builder
	title(&b, &a, width)
	b.WriteString("\nWhat happened (times count from " + c.zeroName() + "):\n\n")
	c.write(&b, width)
	b.WriteString("\n")
	draw(&b, c, width)
	if m := a.media(); m != nil {
		adopted := slices.ContainsFunc(entries, func(e Entry) bool {
			return e.Event.Kind == supervision.CallAdopted && e.Event.Call == a.Call
		})
		paragraph(&b, "Sound:", m.text(adopted), width)
	}
	paragraph(&b, "Why:  ", a.Why(), width)
	paragraph(&b, "To do:", a.Advice(), width)
	return b.String()
}

// ExplainIncident returns an incident in a few lines: what it is, how long it lasted, what was seen, and what to do.
// width is as with [Explain]. For an incident of a call, the explanation of that call says more.
func ExplainIncident(i Incident, width int) string {
	width = max(width, minWidth)
	what := i.Line + ": incident " + reasonText(i.Reason, i.Rule, i.Flash)
	if i.Call != 0 {
		what += ", call " + strconv.FormatUint(uint64(i.Call), 10)
	}
	began := strings.ReplaceAll(stamp(i.Began), " ", tie)
	if i.Ended.IsZero() {
		what += ", since " + began + ", not ended"
	} else {
		what += ", from " + began + " to " + strings.ReplaceAll(stamp(i.Ended), " ", tie) + " (" +
			strings.ReplaceAll(Span(i.Ended.Sub(i.Began)), " ", tie) + ")"
	}
	var b strings.Builder
	for _, line := range wrap(what, width) {
		b.WriteString(line + "\n")
	}
	paragraph(&b, "Why:  ", Observation(i.Reason, i.Rule, i.Flash), width)
	paragraph(&b, "To do:", strings.ReplaceAll(Advice(i.Reason, i.Rule, i.Flash), "LINE", i.Line), width)
	return b.String()
}

// title writes which call it is, and its outcome.
func title(b *strings.Builder, a *Account, width int) {
	what := []string{a.Line}
	switch {
	case a.Call == 0:
		what = append(what, "an interruption by hand")
	case a.Emergency:
		what = append(what, "EMERGENCY CALL "+strconv.FormatUint(uint64(a.Call), 10))
	default:
		what = append(what, "call "+strconv.FormatUint(uint64(a.Call), 10))
	}
	if a.Trial {
		what = append(what, "a trial")
	}
	switch a.Direction {
	case Incoming:
		what = append(what, strings.TrimSpace("incoming "+a.party("from")))
	case Outgoing:
		what = append(what, strings.TrimSpace("outgoing "+a.party("to")))
	default:
		if p := a.party("with"); p != "" {
			what = append(what, p)
		}
	}
	what = append(what, strings.ReplaceAll(stamp(a.Began), " ", tie))
	if !a.Answered.IsZero() && !a.Cleared.IsZero() {
		what = append(what, "length"+tie+clock(a.Length(a.Cleared), 0))
	}
	for _, line := range wrap(strings.Join(what, ", "), width) {
		b.WriteString(line + "\n")
	}
	paragraph(b, "Outcome:", a.outcomeText(), width)
}

// party returns the far end's number and name after a preposition, or "" if neither is known.
func (a *Account) party(preposition string) string {
	number, name := clean(a.Party.Number), clean(a.Party.Name)
	switch {
	case number == "" && name == "":
		return ""
	case name == "":
		return preposition + " " + number
	case number == "":
		return preposition + " " + name
	default:
		return preposition + " " + number + " (" + name + ")"
	}
}

// paragraph writes a heading with the text beside it.
func paragraph(b *strings.Builder, head, text string, width int) {
	for i, line := range wrap(text, width-len(head)-1) {
		if i == 0 {
			b.WriteString(head + " " + line + "\n")
			continue
		}
		b.WriteString(strings.Repeat(" ", len(head)+1) + line + "\n")
	}
}

// Why returns in sentences what was seen and the reason for the outcome.
func (a *Account) Why() string {
	var s []string
	switch a.Outcome {
	case OutcomeInProgress:
		s = append(s, a.whyOpen())
	case OutcomeNotNeeded:
		s = append(s, a.whyNoNeed())
	case OutcomeRefused:
		s = append(s, a.whyRefused())
	case OutcomeCleared:
		s = append(s, a.whyCleared())
	case OutcomeUnknown:
		s = append(s, a.opened(), "Nothing trusted shows whether the hold cleared.")
		if a.Failed() {
			s = append(s, "The loop was open for less time than requested.")
		}
	case OutcomeHoldStayed:
		s = append(s, a.opened(),
			"Afterwards the line was seen off hook by "+a.by()+": the hold stayed; "+cannotTell+".")
	case OutcomeCancelled:
		if a.Incident != supervision.IncidentNone {
			s = append(s, "The trial could not be made.", Observation(a.Incident, a.Rule, a.Flash), a.opened())
			break
		}
		s = append(s, "The interruption was withdrawn: the near end hung up or went off hook for a new call, the adapter was "+
			"lost, or the daemon was shutting down.",
			a.opened())
	case OutcomeSuppressed:
		s = append(s, ruleObservation(a.Rule))
		if a.Hook == supervision.HookOn {
			s = append(s, "The line was seen on hook, so nothing is held.")
		}
	case OutcomeIncident:
		s = append(s, a.whyIncident()...)
	case OutcomeBrokenOff:
		s = append(s, "The record ends before the outcome: the daemon ended, or entries were lost.", a.opened())
	default:
		s = append(s, "This version does not know the outcome "+a.Outcome.String()+".")
	}
	if a.ClearedBy == ClearedByFarEnd && a.Openings > 0 && a.Answer == supervision.AnswerNone &&
		a.Outcome != OutcomeInProgress &&
		a.Incident != supervision.IncidentByeUnanswered {
		s = append(s, "The adapter never answered the BYE of its leg, as far as the record shows.")
	}
	if a.Flash && a.Incident != supervision.IncidentIntervalShort {
		s = append(s, "The adapter reported a hook flash meanwhile.")
	}
	if seen := ruleObservation(supervision.SuppressedEmergency); a.Emergency && !strings.HasPrefix(s[0], seen) {
		s = append(s, seen)
	}
	return strings.ReplaceAll(strings.Join(strings.Fields(strings.Join(s, " ")), " "), tie, " ")
}

func (a *Account) whyOpen() string {
	switch {
	case a.Call == 0:
		return "The interruption is not over."
	case !a.Cleared.IsZero():
		return "The call was cleared, but the clearing of the line is not complete."
	case a.Answered.IsZero():
		return "The call has not been answered yet."
	default:
		return "The call is up."
	}
}

func (a *Account) whyNoNeed() string {
	switch {
	case a.Evidence == supervision.EvidenceNotAllowed && a.Answered.IsZero():
		return "The line may not dial this number, so the call was refused. `dial` in the configuration sets which numbers " +
			"the line may dial, and `clearback check` describes them."
	case a.Evidence == supervision.EvidenceNoRoom && a.Answered.IsZero():
		return noRoomObservation
	case a.Answered.IsZero():
		return "The call ended before it was answered, so nothing was held."
	case a.ClearedBy == ClearedByNearEnd:
		return "The near end hung up first, so nothing was held."
	default:
		return "Nothing was held."
	}
}

func (a *Account) whyRefused() string {
	s := "The call never got through: "
	switch {
	case a.Direction == Outgoing && a.Evidence == supervision.EvidenceServiceLost:
		s += "no service could be reached, or none answered."
	case a.Evidence == supervision.EvidenceNotHere:
		s += "the adapter was not registered, so the caller got 480 (temporarily unavailable)."
	case a.Evidence == supervision.EvidenceNoRoom:
		s += "the line had as many calls as `calls` allows, or no media port could be opened."
	default:
		s += refusedPhrase(a.Evidence) + "."
	}
	if a.Emergency && a.Direction == Incoming {
		s += " It came from the emergency centre."
	}
	return s
}

func (a *Account) whyCleared() string {
	if a.Trial && a.Openings == 0 {
		return "This trial opened nothing, but afterwards the line was seen on hook by " + a.by() +
			": the adapter cleared the hold itself, or nothing was held."
	}
	return a.opened() + " Afterwards the line was seen on hook by " + a.by() + ": the hold cleared."
}

func (a *Account) whyIncident() []string {
	s := []string{Observation(a.Incident, a.Rule, a.Flash)}
	if a.Incident.OfCall() && a.Evidence == supervision.EvidenceNoRoom {
		s = append(s, noRoomObservation)
	}
	if a.Late > 0 {
		s = append(s, "The clearing was learnt "+Span(a.Late)+" after it happened (evidence: "+a.Evidence.String()+").")
	}
	s = append(s, a.opened())
	if a.Hook != supervision.HookUnknown && a.Incident != supervision.IncidentIntervalShort {
		s = append(s, "The line was seen "+a.Hook.String()+" hook by "+a.by()+".")
	}
	if a.Rule != supervision.SuppressionNone && a.Incident != supervision.IncidentSuppressed &&
		!sameReason(a.Incident, a.Rule) {
		s = append(s, "The rule that kept the loop closed: "+a.Rule.String()+".")
	}
	if a.IncidentEnded.IsZero() {
		return append(s, "The incident has not ended.")
	}
	return append(s, "The incident ended at "+strings.ReplaceAll(stamp(a.IncidentEnded), " ", tie)+".")
}

// opened returns a sentence on the opening, or "" if none was requested.
func (a *Account) opened() string {
	switch {
	case a.Asked == 0:
		return ""
	case a.Openings == 0:
		return "The loop should have been opened for " + Span(a.Asked) + " but was not."
	}
	s := "The loop was opened. Requested: "
	if a.Openings > 1 {
		s = "The loop was opened " + strconv.Itoa(a.Openings) + " times. Requested the last time: "
	}
	s += Span(a.Asked)
	if a.Measured > 0 {
		s += "; confirmed by the board: " + Span(a.Measured)
	} else {
		s += "; the board confirmed no length"
	}
	if a.observed > 0 {
		return s + "; measured here: " + Span(a.observed) + "."
	}
	return s + "; not measured here."
}

func (a *Account) by() string {
	switch a.Verified {
	case supervision.VerificationProbe:
		return "the probe"
	case supervision.VerificationSense:
		return "the loop-current sensor"
	default:
		return "unknown means"
	}
}
