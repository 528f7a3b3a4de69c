package callrecord

import (
	"strconv"
	"time"

	"clearback/supervision"
	"clearback/supervision/sanitize"
)

// JSON is the form of one account in JSON. Later versions may add fields but change none. The words are those of log
// and tables. Times are RFC 3339; a time that has not come is omitted. Durations are milliseconds, with fractions.
type JSON struct {
	Line string `json:"line"`
	// Call is the call's number; 0: an operator's pulse.
	Call uint64 `json:"call"`
	// Direction is incoming, outgoing, by-hand or unknown.
	Direction string `json:"direction"`
	Emergency bool   `json:"emergency"`
	Trial     bool   `json:"trial"`
	// Number and Name are the far end's. CallID is the SIP Call-ID towards the service.
	Number string `json:"number,omitempty"`
	Name   string `json:"name,omitempty"`
	CallID string `json:"sip_call_id,omitempty"`

	Began    time.Time `json:"began"`
	Answered time.Time `json:"answered,omitzero"`
	Cleared  time.Time `json:"cleared,omitzero"`
	// Ended is when the outcome became known.
	Ended time.Time `json:"ended,omitzero"`
	// Length is from the answer to the clearing; omitted while the call is up.
	Length float64 `json:"length_ms,omitempty"`

	// ClearedBy is far-end, near-end, adapter-lost or nobody.
	ClearedBy string `json:"cleared_by"`
	// Evidence is bye, dialog-event, tone, media-lost, session-expired, service-lost, shutdown,
	// not-allowed, no-room or not-here.
	Evidence string `json:"evidence,omitempty"`
	// Late is how long before it was learnt the clearing happened.
	Late float64 `json:"late_ms,omitempty"`
	// Answer is the adapter's answer to the BYE: confirmed, unknown-call or other; omitted if there was none.
	Answer string `json:"adapter_answer,omitempty"`

	// Openings counts the interruptions. Asked and Measured belong to the last one.
	Openings int     `json:"openings"`
	Asked    float64 `json:"open_asked_ms,omitempty"`
	Measured float64 `json:"open_measured_ms,omitempty"`
	// Hook is the state seen after that: on or off; omitted if unknown. Verified is how it was seen: probe or sense.
	Hook     string `json:"hook,omitempty"`
	Verified string `json:"verified,omitempty"`

	// Outcome is in-progress, no-need, cleared, unknown, cancelled, suppressed, incident, broken-off, hold-stayed or
	// refused.
	Outcome string `json:"outcome"`
	// Rule is the rule that kept the loop closed. Incident is the reason of an incident, or, with outcome cancelled,
	// the reason why a trial was not made. Both use the words of the log.
	Rule     string `json:"rule,omitempty"`
	Incident string `json:"incident,omitempty"`
	Flash    bool   `json:"flash"`
	// IncidentEnded is omitted while the incident lasts.
	IncidentEnded time.Time `json:"incident_ended,omitzero"`
	// Failed: somebody should look at the line because of this call.
	Failed bool `json:"failed"`
	// Media is absent until the call has ended on both sides, and if its media was not relayed.
	Media *Media `json:"media,omitempty"`
}

// JSON returns the account in its JSON form.
func (a Account) JSON() JSON {
	j := JSON{
		Line: a.Line, Call: uint64(a.Call), Direction: a.Direction.String(), Emergency: a.Emergency, Trial: a.Trial,
		Number: a.Party.Number, Name: a.Party.Name, CallID: a.Party.CallID,
		Began: a.Began, Answered: a.Answered, Cleared: a.Cleared, Ended: a.Ended,
		ClearedBy: a.ClearedBy.String(), Late: milliseconds(a.Late),
		Openings: a.Openings, Asked: milliseconds(a.Asked), Measured: milliseconds(a.Measured),
		Outcome: a.Outcome.String(), Flash: a.Flash, IncidentEnded: a.IncidentEnded, Failed: a.Failed(),
	}
	if !a.Cleared.IsZero() {
		j.Length = milliseconds(a.Length(a.Cleared))
	}
	if a.Evidence != supervision.EvidenceNone {
		j.Evidence = a.Evidence.String()
	}
	if a.Answer != supervision.AnswerNone {
		j.Answer = a.Answer.String()
	}
	if a.Hook != supervision.HookUnknown {
		j.Hook = a.Hook.String()
	}
	if a.Verified != supervision.VerificationNone {
		j.Verified = a.Verified.String()
	}
	if a.Rule != supervision.SuppressionNone {
		j.Rule = a.Rule.String()
	}
	if a.Incident != supervision.IncidentNone {
		j.Incident = a.Incident.String()
	}
	j.Media = a.media()
	return j
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// CSVHeader returns the titles of [Account.CSV]: the keys of [JSON] without media, in the same order.
func CSVHeader() []string {
	return []string{
		"line", "call", "direction", "emergency", "trial", "number", "name", "sip_call_id", "began", "answered",
		"cleared", "ended",
		"length_ms", "cleared_by", "evidence", "late_ms", "adapter_answer", "openings", "open_asked_ms",
		"open_measured_ms", "hook",
		"verified", "outcome", "rule", "incident", "flash", "incident_ended", "failed",
	}
}

// CSV returns the account as a record for machines. What [JSON] omits is empty. A name or number that a spreadsheet
// would take for a formula is preceded by an apostrophe, since the far end chooses it.
func (a Account) CSV() []string {
	j := a.JSON()
	number := func(ms float64) string {
		if ms == 0 {
			return ""
		}
		return strconv.FormatFloat(ms, 'f', -1, 64)
	}
	instant := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.Format("2006-01-02T15:04:05.000Z07:00")
	}
	return []string{
		j.Line, strconv.FormatUint(j.Call, 10), j.Direction, strconv.FormatBool(j.Emergency),
		strconv.FormatBool(j.Trial),
		sanitize.Cell(j.Number), sanitize.Cell(j.Name), sanitize.Cell(j.CallID),
		instant(j.Began), instant(j.Answered), instant(j.Cleared), instant(j.Ended),
		number(j.Length), j.ClearedBy, j.Evidence, number(j.Late), j.Answer, strconv.Itoa(j.Openings), number(j.Asked),
		number(j.Measured), j.Hook, j.Verified, j.Outcome, j.Rule, j.Incident, strconv.FormatBool(j.Flash),
		instant(j.IncidentEnded),
		strconv.FormatBool(j.Failed),
	}
}
