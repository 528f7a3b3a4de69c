package callrecord

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/supervision"
)

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 ms", 803 * time.Millisecond: "803 ms", 803400 * time.Microsecond: "803 ms", time.Second - 1: "1 s",
		time.Second:             "1 s",
		1250 * time.Millisecond: "1.25 s", 59999 * time.Millisecond: "59.999 s", time.Minute - 1: "1 min 00 s",
		125 * time.Second: "2 min 05 s", time.Hour - 1: "1 h 00 min", 62*time.Minute + 31*time.Second: "1 h 02 min",
		76 * time.Hour: "3 d 04 h", -5 * time.Second: "-5 s",
	} {
		assert.Equal(t, want, Span(d), d.String())
	}
}

func TestClockAndOffset(t *testing.T) {
	assert.Equal(t, "0:00", clock(0, 0))
	assert.Equal(t, "1:00", clock(59600*time.Millisecond, 0))
	assert.Equal(t, "1:02:05", clock(time.Hour+2*time.Minute+5*time.Second, 0))
	assert.Equal(t, "+0.012 s", offset(12*time.Millisecond))
	assert.Equal(t, "-34.040 s", offset(-34040*time.Millisecond))
	assert.Equal(t, "+1:00.000", offset(time.Minute-1))
	assert.Equal(t, "-1:01:05.123", offset(-(time.Hour + time.Minute + 5123*time.Millisecond)))
}

func TestClean(t *testing.T) {
	assert.Equal(t, "Zoë", clean("Zoë"))
	assert.Equal(t, "a?[2Jb", clean("a\x1b[2Jb"))
	assert.Equal(t, "a?b?", clean("a\u202eb\xff"))
	long := clean(strings.Repeat("x", maxText+1))
	assert.Len(t, long, maxText)
	assert.True(t, strings.HasSuffix(long, ".."))
	assert.Equal(t, strings.Repeat("ö", maxText), clean(strings.Repeat("ö", maxText)))
}

func TestWrap(t *testing.T) {
	assert.Equal(t, []string{"open for", "800 ms", "(measured:", "1.25 s),", "abcdefghijklm", "nopqrstu"},
		wrap("open for 800 ms (measured: 1.25 s), abcdefghijklmnopqrstu", 13))
	assert.Equal(t, []string{""}, wrap("", 10))
	assert.Equal(t, []string{"a b"}, wrap("a"+tie+"b", 10))
	assert.Equal(t, []string{"x", "s"}, wrap("x s", 2), "no number, no unit")
	assert.Equal(t, []string{"a", "b"}, wrap("ab", 0))
}

// TestWords checks that each value has a word of its own, which is parsed back. A value without a word is its number.
func TestWords(t *testing.T) {
	check := func(n uint8, text func(uint8) string, parse func(string) (uint8, error)) {
		t.Helper()
		seen := map[string]bool{}
		for v := range n {
			w := text(v)
			assert.Regexp(t, `^[a-z]+(-[a-z]+)*$`, w)
			assert.False(t, seen[w], w)
			seen[w] = true
			got, err := parse(w)
			require.NoError(t, err)
			assert.Equal(t, v, got)
		}
		got, err := parse(text(200))
		require.NoError(t, err)
		assert.Equal(t, uint8(200), got)
		_, err = parse("non\x1bsense")
		assert.ErrorIs(t, err, ErrWord)
		assert.Regexp(t, `no [a-z ]+ "non\\x1bsense"; known are `, err.Error())
	}
	check(uint8(directions), func(v uint8) string { return Direction(v).String() },
		func(s string) (uint8, error) { v, err := ParseDirection(s); return uint8(v), err })
	check(uint8(clearedByCount), func(v uint8) string { return ClearedBy(v).String() },
		func(s string) (uint8, error) { v, err := ParseClearedBy(s); return uint8(v), err })
	check(uint8(outcomes), func(v uint8) string { return Outcome(v).String() },
		func(s string) (uint8, error) { v, err := ParseOutcome(s); return uint8(v), err })
}

// TestWordsInJSON checks that enumerations are written to JSON as their words, and read back.
func TestWordsInJSON(t *testing.T) {
	type all struct {
		Direction Direction
		ClearedBy ClearedBy
		Outcome   Outcome
	}
	is := all{Outgoing, ClearedByLostAdapter, OutcomeBrokenOff}
	text, err := json.Marshal(is)
	require.NoError(t, err)
	assert.JSONEq(t, `{"Direction":"outgoing","ClearedBy":"adapter-lost","Outcome":"broken-off"}`,
		string(text))
	var got all
	require.NoError(t, json.Unmarshal(text, &got))
	assert.Equal(t, is, got)
	for _, key := range []string{"Direction", "ClearedBy", "Outcome"} {
		require.ErrorIs(t, json.Unmarshal([]byte(`{"`+key+`":"nonsense"}`), &got), ErrWord)
	}
	assert.Equal(t, is, got, "unchanged on error")
}

// TestJSON checks the documented form. Other programs rely on every key.
func TestJSON(t *testing.T) {
	a := one(t, heldCallScript+"\n+31.6s probe-line\n+31.63s report interrupted call=1 seq=1 interval=800ms hook=off by=probe\n+31.63s report incident call=1 reason=interval-short flash")
	a.Party = Party{Number: "5550142", Name: "Stage door", CallID: "a@millrace.example"}
	text, err := json.MarshalIndent(a.JSON(), "", "\t")
	require.NoError(t, err)
	assert.Equal(t, `{
	"line": "box-office",
	"call": 1,
	"direction": "incoming",
	"emergency": false,
	"trial": false,
	"number": "5550142",
	"name": "Stage door",
	"sip_call_id": "a@millrace.example",
	"began": "2026-03-14T19:30:00Z",
	"answered": "2026-03-14T19:30:04Z",
	"cleared": "2026-03-14T19:30:30Z",
	"ended": "2026-03-14T19:30:31.63Z",
	"length_ms": 26000,
	"cleared_by": "far-end",
	"evidence": "bye",
	"adapter_answer": "confirmed",
	"openings": 1,
	"open_asked_ms": 800,
	"open_measured_ms": 803,
	"hook": "off",
	"verified": "probe",
	"outcome": "incident",
	"incident": "interval-short",
	"flash": true,
	"failed": true
}`, string(text))
	assert.Equal(t, "box-office,1,incoming,false,false,5550142,Stage door,a@millrace.example,2026-03-14T19:30:00.000Z,2026-03-14T19:30:04.000Z,"+
		"2026-03-14T19:30:30.000Z,2026-03-14T19:30:31.630Z,26000,far-end,bye,,confirmed,1,800,803,off,probe,incident,,interval-short,true,,true",
		strings.Join(a.CSV(), ","))
	assert.Equal(t, []string{
		"2026-03-14 19:30:00", "box-office", "1", "incoming", "5550142", "0:26", "far-end", "bye", "800/803 ms",
		"off hook by probe",
		"incident: interval-short, flash, not ended",
	}, Row(a))
}

// TestCSVHasTheKeysOfJSON checks that both forms have the same keys in the same order.
func TestCSVHasTheKeysOfJSON(t *testing.T) {
	full := Account{
		Line: "x", Call: 1, Began: zero, Answered: zero, Cleared: zero.Add(time.Second), Ended: zero,
		IncidentEnded: zero, Evidence: 1, Late: 1,
		Answer: 1, Asked: 1, Measured: 1, Hook: 1, Verified: 1, Rule: 1, Incident: 1,
		Party: Party{Number: "1", Name: "1", CallID: "1"},
	}
	text, err := json.Marshal(full.JSON())
	require.NoError(t, err)
	var keys []string
	d := json.NewDecoder(strings.NewReader(string(text)))
	for n := 0; d.More() || n == 0; n++ {
		token, err := d.Token()
		require.NoError(t, err)
		if n%2 == 1 {
			keys = append(keys, token.(string))
		}
	}
	assert.Equal(t, CSVHeader(), keys)
}

// TestAdviceForEverything checks that each reason and each rule has its own texts on what was seen and what to do.
func TestAdviceForEverything(t *testing.T) {
	type text struct{ seen, advice string }
	given := map[text]string{}
	check := func(what, seen, advice string) {
		assert.Regexp(t, `^[A-Z].*\.$`, seen, what)
		assert.Regexp(t, `^[A-Z].*\.$`, advice, what)
		assert.NotRegexp(t, `\. [A-Z]`, strings.ReplaceAll(advice, "SAFETY.md", ""), "one sentence: "+what)
		assert.NotContains(t, seen+advice, "this version does not know", what)
		assert.Empty(t, given[text{seen, advice}], what)
		given[text{seen, advice}] = what
	}
	n := 0
	for reason := supervision.IncidentUnreachable; !numeric(reason.String()); reason++ {
		if reason != supervision.IncidentSuppressed {
			check(reason.String(), Observation(reason, 0, false), Advice(reason, 0, false))
			n++
		}
	}
	for rule := supervision.SuppressedUnanswered; !numeric(rule.String()); rule++ {
		check(rule.String(), Observation(0, rule, false), Advice(0, rule, false))
		assert.Contains(t, Observation(supervision.IncidentSuppressed, rule, false), Observation(0, rule, false))
		assert.Equal(t, Advice(supervision.IncidentSuppressed, rule, false), Advice(0, rule, false))
		n++
	}
	check("flash", Observation(supervision.IncidentIntervalShort, 0, true),
		Advice(supervision.IncidentIntervalShort, 0, true))
	assert.Greater(t, n, 19)
	assert.Contains(t, Advice(200, 0, false), "the reason 200")
	assert.Contains(t, Observation(0, 200, false), "does not know")
}

func numeric(s string) bool { return s[0] >= '0' && s[0] <= '9' }

// TestProbeCannotTell checks that every text on a line seen off hook without a call says what that does not prove.
func TestProbeCannotTell(t *testing.T) {
	for _, reason := range []supervision.Incident{
		supervision.IncidentIntervalShort, supervision.IncidentOffHookWithoutCall, supervision.IncidentSeized,
		supervision.IncidentSuppressed,
	} {
		assert.Contains(t, Observation(reason, supervision.SuppressedLate, false),
			"a probe cannot tell a held line from a lifted handset", reason)
	}
	stayed := Account{Outcome: OutcomeHoldStayed}
	assert.Contains(t, stayed.Why(), "a probe cannot tell a held line from a lifted handset")
}

// TestEmergencyAdvice checks that no text advises an operator's pulse after an emergency call, whatever its outcome.
func TestEmergencyAdvice(t *testing.T) {
	for outcome := range outcomes {
		for rule := supervision.SuppressionNone; !numeric(rule.String()); rule++ {
			a := Account{Line: "box-office", Call: 1, Emergency: true, Answered: zero, Outcome: outcome, Rule: rule,
				ClearedBy: ClearedByFarEnd}
			if outcome == OutcomeSuppressed && !a.Failed() && rule != supervision.SuppressedEmergency {
				continue // a rule that cannot apply to an emergency call
			}
			assert.NotContains(t, a.Advice(), "clearback pulse", outcome.String()+" "+rule.String())
			assert.Contains(t, Explain(a, nil, 80), "EMERGENCY CALL 1")
			assert.Contains(t, a.Why(), "the loop is never opened for such a call", outcome.String()+" "+rule.String())
		}
	}
}

func TestExplainIncident(t *testing.T) {
	i := Incident{Line: "stage-door", Reason: supervision.IncidentOffHookWithoutCall, Began: zero}
	text := ExplainIncident(i, 80)
	assert.Contains(t, text, "stage-door: incident off-hook-without-call, since 2026-03-14 19:30:00, not ended\n")
	assert.Contains(t, text, "line stage-door")
	i.Ended = zero.Add(2 * time.Minute)
	assert.Contains(t, ExplainIncident(i, 100), "to 2026-03-14 19:32:00\n(2 min 00 s)")
}

// TestOtherCallsInTimeline checks that other calls are described briefly, and that their number is limited.
func TestOtherCallsInTimeline(t *testing.T) {
	var text strings.Builder
	text.WriteString(heldCallScript)
	for range 30 {
		text.WriteString("\n+30.9s call-arrived call=2\n+30.9s offer-call call=2")
	}
	for i := range 30 {
		text.WriteString("\n+31s call-arrived call=" + string(rune('0'+i/10)) + string(rune('0'+i%10)))
	}
	text.WriteString("\n+31.2s report interrupted call=1 seq=1 interval=800ms hook=unknown")
	entries := entriesOf(t, strings.ReplaceAll(text.String(), "call=0", "call=10"))
	accounts, _ := feed(entries)
	got := Explain(accounts[0], entries, 100)
	assert.Contains(t, got, "call 2: arrived, offered, arrived, offered")
	assert.Contains(t, got, ", ...\n")
	assert.Regexp(t, `meanwhile  \d+ more calls`, got)
	assert.Less(t, strings.Count(got, "meanwhile"), maxOthers+2)
}

// TestTimelineWithoutBeginning checks that times count from the first entry if the beginning of the call is not
// recorded.
func TestTimelineWithoutBeginning(t *testing.T) {
	got := Explain(Account{Line: "box-office", Call: 1}, entriesOf(t, "+5s call-answered call=1"), 80)
	assert.Contains(t, got, "\n    +0.000 s  19:30:05.000  adapter")
}

// TestBrokenOff checks that what the next run of the daemon sees of the line is not part of an earlier call's time
// line.
func TestBrokenOff(t *testing.T) {
	entries := entriesOf(t, heldCallScript+"\n+1h call-arrived call=2\n+1h probe-answered hook=on")
	accounts, _ := renderText(t, heldCallScript)
	assert.Contains(t, Explain(accounts[0], entries, 80), "meanwhile", "while it is not over")
	accounts, _ = feed(entries)
	assert.Equal(t, OutcomeBrokenOff, accounts[0].Outcome)
	assert.Equal(t, at(30820*time.Millisecond), accounts[0].Ended)
	accounts[0].Ended = time.Time{} // as the journal writes it after the daemon has died
	got := Explain(accounts[0], entries, 80)
	assert.NotContains(t, got, "meanwhile")
	assert.NotContains(t, got, "on hook")
	assert.Contains(t, got, "The record ends before the outcome")
	assert.True(t, accounts[0].Failed())
}

// TestLongTimeLine checks that a time line is bounded, and says what it leaves out.
func TestLongTimeLine(t *testing.T) {
	var text strings.Builder
	text.WriteString(heldCallScript)
	for range 500 {
		text.WriteString("\n+31s probe-line\n+31.1s probe-answered hook=off")
	}
	text.WriteString("\n+31.2s report interrupted call=1 seq=1 interval=800ms hook=off")
	entries := entriesOf(t, text.String())
	accounts, _ := feed(entries)
	got := Explain(accounts[0], entries, 80)
	assert.Contains(t, got, "lines left out")
	assert.Contains(t, strings.Join(strings.Fields(got), " "), "later events do not fit")
	assert.Less(t, strings.Count(got, "\n"), 220)
	assert.Contains(t, got, "result of the interruption", "the end is not what is left out")
}
