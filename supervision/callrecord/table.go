package callrecord

import (
	"strconv"
	"strings"
	"time"

	"clearback/supervision"
)

// Header returns the titles of the columns of [Row].
func Header() []string {
	return []string{
		"when", "line", "call", "direction", "far end", "length", "cleared by", "evidence", "open asked/actual",
		"verified", "outcome",
	}
}

// Row returns the account as a row of a table, with a column for each title of [Header]. A missing value is "-". Times
// are in their own zone. The length is from the answer to the clearing, or "up" while the call lasts.
func Row(a Account) []string {
	return []string{
		stamp(a.Began), a.Line, a.callText(), a.directionText(), a.farEnd(), a.lengthText(),
		orDash(a.ClearedBy != ClearedByNobody, a.ClearedBy.String()),
		a.evidenceText(), a.openText(), a.verifiedText(), a.outcomeText(),
	}
}

func orDash(is bool, s string) string {
	if is {
		return s
	}
	return dash
}

func (a *Account) callText() string {
	return orDash(a.Call != 0, strconv.FormatUint(uint64(a.Call), 10))
}

func (a *Account) directionText() string {
	s := a.Direction.String()
	if a.Emergency {
		s += " emergency"
	}
	if a.Trial {
		s += " trial"
	}
	return s
}

func (a *Account) farEnd() string {
	switch {
	case a.Party.Number != "":
		return clean(a.Party.Number)
	case a.Party.Name != "":
		return clean(a.Party.Name)
	default:
		return dash
	}
}

func (a *Account) lengthText() string {
	switch {
	case a.Answered.IsZero():
		return dash
	case a.Cleared.IsZero() && a.Outcome == OutcomeInProgress:
		return "up"
	case a.Cleared.IsZero():
		return dash // broken off: unknown
	default:
		return clock(a.Length(a.Cleared), 0)
	}
}

func (a *Account) evidenceText() string {
	s := orDash(a.Evidence != supervision.EvidenceNone, a.Evidence.String())
	if a.Late > 0 {
		s += " " + Span(a.Late) + " late"
	}
	return s
}

// openText returns how long the loop should have been open and how long it was, in milliseconds: "800/803 ms"; "2x
// 800/? ms" for the second of two openings, not measured; "800 ms, not opened" for one that was not made.
func (a *Account) openText() string {
	if a.Asked == 0 {
		return dash
	}
	ms := func(d time.Duration) string {
		return strconv.FormatInt(int64(d.Round(time.Millisecond)/time.Millisecond), 10)
	}
	s := ms(a.Asked) + "/"
	switch {
	case a.Measured > 0:
		s += ms(a.Measured)
	case a.Openings == 0:
		return ms(a.Asked) + " ms, not opened"
	default:
		s += "?"
	}
	if a.Openings > 1 {
		s = strconv.Itoa(a.Openings) + "x " + s
	}
	return s + " ms"
}

func (a *Account) verifiedText() string {
	switch {
	case a.Hook == supervision.HookUnknown:
		return dash
	case a.Verified == supervision.VerificationNone:
		return a.Hook.String() + " hook"
	default:
		return a.Hook.String() + " hook by " + a.Verified.String()
	}
}

// outcomeText returns the outcome with its rule or reason: "suppressed: other-call", "incident: interval-short, flash,
// not ended".
func (a *Account) outcomeText() string {
	more := reasonText(a.Incident, a.Rule, a.Flash)
	if a.Outcome == OutcomeIncident && a.IncidentEnded.IsZero() {
		more += ", not ended"
	}
	if more == "" {
		return a.Outcome.String()
	}
	return a.Outcome.String() + ": " + more
}

// sameReason reports whether the rule only repeats the reason of the incident.
func sameReason(reason supervision.Incident, rule supervision.Suppression) bool {
	switch reason {
	case supervision.IncidentTooManyOpenings, supervision.IncidentAdopted:
		return true
	default:
		return reason.OfCall() && rule == supervision.SuppressedUnanswered
	}
}

// reasonText joins the words of reason, rule and flash, without those that are not set.
func reasonText(reason supervision.Incident, rule supervision.Suppression, flash bool) string {
	var more []string
	if reason != supervision.IncidentNone {
		more = append(more, reason.String())
	}
	if rule != supervision.SuppressionNone && !sameReason(reason, rule) {
		more = append(more, rule.String())
	}
	if flash {
		more = append(more, "flash")
	}
	return strings.Join(more, ", ")
}
