package frozen

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/agent"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// words writes down the word of each value of an enumeration, up to the first value without a word. Journals and
// registers store the numbers.
func words[T interface {
	~uint8
	fmt.Stringer
}](tr *transcript, title string) (all []T) {
	tr.printf("%s\n----\n", title)
	for v := T(0); v.String() != T(255).String() && v.String() != fmt.Sprint(uint8(v)); v++ {
		tr.printf("%d %s\n", uint8(v), v)
		all = append(all, v)
	}
	tr.printf("\n")
	return all
}

// TestWords compares every word of events, effects and the record with its number, and the text form of each kind of
// event and effect, with no field set and with all fields set.
func TestWords(t *testing.T) {
	var tr transcript
	kinds := words[supervision.EventKind](&tr, "kinds of event")
	words[supervision.Evidence](&tr, "evidence")
	words[supervision.Answer](&tr, "answer")
	words[supervision.Hook](&tr, "hook")
	words[supervision.NumberClass](&tr, "number")
	words[supervision.Progress](&tr, "progress")
	words[supervision.Failure](&tr, "failure")
	words[supervision.Reading](&tr, "reading")
	words[supervision.LoopState](&tr, "loop")
	effects := words[supervision.EffectKind](&tr, "kinds of effect")
	reports := words[supervision.ReportKind](&tr, "reports")
	words[supervision.Suppression](&tr, "rules")
	words[supervision.Incident](&tr, "reasons")
	words[callrecord.Direction](&tr, "directions")
	words[callrecord.ClearedBy](&tr, "cleared by")
	words[callrecord.Outcome](&tr, "outcomes")
	words[supervision.Verification](&tr, "verified")
	// The agent's outcomes are only numbers, in its registers and at its broker.
	tr.printf("outcomes of the agent\n----\n")
	for outcome, name := range []string{
		agent.OutcomeNone: "none", agent.OutcomeOpen: "open", agent.OutcomeDone: "done", agent.OutcomeClosed: "closed",
		agent.OutcomeWatchdog: "watchdog", agent.OutcomeTooLong: "too-long", agent.OutcomeFailed: "failed",
		agent.OutcomeStopped: "stopped",
	} {
		tr.printf("%d %s\n", outcome, name)
	}
	tr.printf("\n")

	tr.printf("events\n----\n")
	event := func(ev supervision.Event) {
		tr.printf("%s\n", ev)
		back, err := supervision.ParseEvent(ev.String())
		require.NoError(t, err)
		require.Equal(t, ev, back)
	}
	for _, kind := range kinds {
		event(supervision.Event{Kind: kind})
	}
	event(supervision.Event{
		Kind: supervision.AttemptEnded, Call: 3, Seq: 4, Emergency: true, Number: supervision.NumberResembles,
		Evidence: supervision.EvidenceBye,
		Answer:   supervision.AnswerConfirmed, Hook: supervision.HookOff, Failure: supervision.FailureLate, Code: 480,
		Progress: supervision.ProgressRinging, Second: true, Late: 1500 * time.Millisecond,
		Took:     800_500 * time.Microsecond,
		Interval: 800 * time.Millisecond, PulseDiallingOff: true, Why: `exception 2, "address"`,
	})

	event(supervision.Event{Kind: supervision.Released, Reading: supervision.ReadingBeforeClosing})

	tr.printf("\neffects\n----\n")
	effect := func(ef supervision.Effect) {
		tr.printf("%s\n", ef)
		back, err := supervision.ParseEffect(ef.String())
		require.NoError(t, err)
		require.Equal(t, ef, back)
	}
	for _, kind := range effects {
		effect(supervision.Effect{Kind: kind})
	}
	for _, report := range reports {
		effect(supervision.Effect{Kind: supervision.Report, Report: report})
	}
	effect(supervision.Effect{Kind: supervision.OpenLoop, NotAfter: supervision.Never})
	effect(supervision.Effect{
		Kind: supervision.Report, Report: supervision.ReportIncident, Call: 3, Seq: 4, Code: 486,
		Interval: 2 * time.Second,
		NotAfter: supervision.Instant(1200 * time.Millisecond), Suppression: supervision.SuppressedLate,
		Incident: supervision.IncidentSeized,
		Hook:     supervision.HookOn, Flash: true, Trial: true, Verified: supervision.VerificationProbe, Pending: true,
	})
	compare(t, "words.txt", tr.String())
}
