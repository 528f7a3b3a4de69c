package callrecord

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/supervision"
)

// A call that this daemon refused before it reached the line has an account that failed and that says why and what to
// do.
func TestRefusedCall(t *testing.T) {
	for evidence, want := range map[string][2]string{
		"not-here": {"the adapter was not registered, so the caller got 480", "Check the adapter of line box-office"},
		"no-room":  {"as many calls as `calls` allows", "raise `calls`"},
		"shutdown": {"the daemon is shutting down", "configure a second server in the adapter"},
	} {
		entries := entriesOf(t, "1s call-refused call=7 evidence="+evidence)
		accounts, incidents := feed(entries)
		require.Empty(t, incidents)
		require.Len(t, accounts, 1)
		a := accounts[0]
		require.Equal(t, OutcomeRefused, a.Outcome)
		require.True(t, a.Failed())
		require.Equal(t, Incoming, a.Direction)
		require.Contains(t, a.Why(), want[0])
		require.Contains(t, a.Advice(), want[1])
		require.Contains(t, Explain(a, entries, 100), "refuses a call from the service")
	}
}

// The party of a refused call is given after the refusal.
func TestCallInfoOfRefusedCall(t *testing.T) {
	teller := NewRecorder("box-office")
	for _, e := range entriesOf(t, "1s call-refused call=7 emergency evidence=not-here") {
		teller.Take(e)
	}
	a := teller.AddCallInfo(CallInfo{Line: "box-office", Call: 7, Direction: Incoming, Party: Party{Number: "5550142"}})
	require.NotNil(t, a)
	require.Equal(t, "5550142", a.Party.Number)
	require.Contains(t, a.Why(), "emergency centre")
}

// A call from the adapter failed if no service was available for it. It did not fail if the far end did not answer.
func TestUnansweredWithoutService(t *testing.T) {
	for evidence, want := range map[string]Outcome{
		"service-lost": OutcomeRefused, "shutdown": OutcomeRefused, "bye": OutcomeNotNeeded,
		"not-allowed": OutcomeNotNeeded,
	} {
		accounts, _ := feed(entriesOf(t, `1s call-requested call=1
			1.01s far-end-cleared call=1 evidence=`+evidence+`
			1.01s report suppressed call=1 rule=unanswered`))
		require.Len(t, accounts, 1)
		require.Equal(t, want, accounts[0].Outcome, evidence)
		require.Equal(t, want == OutcomeRefused, accounts[0].Failed(), evidence)
		require.NotContains(t, accounts[0].Why(), "evidence")
	}
}

// A refused adapter is one incident until it registers, whatever happens to the line's own incident.
func TestAdapterRefused(t *testing.T) {
	_, incidents := feed(entriesOf(t, `1s adapter-refused
		2s adapter-refused
		3s report incident reason=off-hook-without-call
		4s report incident-ended reason=off-hook-without-call
		9s adapter-registered`))
	require.Len(t, incidents, 2)
	i := incidents[0]
	require.Equal(t, supervision.IncidentAdapterRefused, i.Reason)
	require.Equal(t, 8.0, i.Ended.Sub(i.Began).Seconds())
	text := strings.Join(strings.Fields(ExplainIncident(i, 100)), " ")
	require.Contains(t, text, "An adapter was refused")
	require.Contains(t, text, "Compare the adapter's SIP user and password")
}
