package supervision_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"clearback/supervision"
)

// TestTextForm compares the form that scripts, journals and people read.
func TestTextForm(t *testing.T) {
	const ms = time.Millisecond
	events := map[string]supervision.Event{
		"call-arrived call=1":           {Kind: supervision.CallArrived, Call: 1},
		"call-arrived call=1 emergency": {Kind: supervision.CallArrived, Call: 1, Emergency: true},
		"far-end-cleared call=3 evidence=bye": {Kind: supervision.FarEndCleared, Call: 3,
			Evidence: supervision.EvidenceBye},
		"far-end-cleared call=3 evidence=tone late=1.5s": {Kind: supervision.FarEndCleared, Call: 3,
			Evidence: supervision.EvidenceTone, Late: 1500 * ms},
		"adapter-leg-cleared call=2 answer=none": {Kind: supervision.AdapterLegCleared, Call: 2},
		"adapter-leg-cleared call=2 answer=unknown-call": {Kind: supervision.AdapterLegCleared, Call: 2,
			Answer: supervision.AnswerUnknown},
		"loop-closed seq=4 took=800ms": {Kind: supervision.LoopClosed, Seq: 4, Took: 800 * ms},
		"loop-closed seq=4 took=0.8005s": {Kind: supervision.LoopClosed, Seq: 4, Took: 800*ms +
			500*time.Microsecond},
		"loop-failed seq=4 failure=no-contact": {Kind: supervision.LoopFailed, Seq: 4,
			Failure: supervision.FailureNoContact},
		"probe-answered hook=unknown": {Kind: supervision.ProbeAnswered},
		"trial-set call=2 interval=20ms pulse-dialling-off": {Kind: supervision.TrialSet, Call: 2, Interval: 20 * ms,
			PulseDiallingOff: true},
		"current-unreadable":     {Kind: supervision.CurrentUnreadable},
		"adapter-changed":        {Kind: supervision.AdapterChanged},
		"on-hook-in-call call=2": {Kind: supervision.OnHookInCall, Call: 2},
		"call-adopted call=2 emergency number=resembles-emergency": {Kind: supervision.CallAdopted, Call: 2,
			Emergency: true, Number: supervision.NumberResembles},
		"adapter-leg-heard call=2": {Kind: supervision.AdapterLegHeard, Call: 2},
		"adapter-leg-cleared call=2 answer=other": {Kind: supervision.AdapterLegCleared, Call: 2,
			Answer: supervision.AnswerOther},
		"seized":                    {Kind: supervision.Seized},
		"released reading=repeated": {Kind: supervision.Released, Reading: supervision.ReadingRepeated},
		"released reading=before-closing": {Kind: supervision.Released,
			Reading: supervision.ReadingBeforeClosing},
		"flash-reported":         {Kind: supervision.FlashReported},
		"sound-contested call=2": {Kind: supervision.SoundContested, Call: 2},
		"sound-missing call=2":   {Kind: supervision.SoundMissing, Call: 2},
		"far-end-silent call=2 late=300s": {Kind: supervision.FarEndSilent, Call: 2,
			Late: 5 * time.Minute},
		"attempt-ended call=2 code=0 progress=none": {Kind: supervision.AttemptEnded, Call: 2},
		"attempt-ended call=2 code=480 progress=ringing second": {
			Kind: supervision.AttemptEnded, Call: 2, Code: 480, Progress: supervision.ProgressRinging, Second: true},
		"time-passed":   {Kind: supervision.TimePassed},
		"none":          {},
		"200 answer=77": {Kind: 200, Answer: 77},
	}
	for text, ev := range events {
		if got := ev.String(); got != text {
			t.Errorf("%+v is written %q; want %q", ev, got, text)
		}
		if got, err := supervision.ParseEvent(text); err != nil || got != ev {
			t.Errorf("%q is read as %+v, %v; want %+v", text, got, err, ev)
		}
	}
	effects := map[string]supervision.Effect{
		"offer-call call=1":           {Kind: supervision.OfferCall, Call: 1},
		"refuse-call call=1 code=486": {Kind: supervision.RefuseCall, Call: 1, Code: 486},
		"open-loop call=1 seq=1 interval=800ms not-after=+1.2s": {Kind: supervision.OpenLoop, Call: 1, Seq: 1,
			Interval: 800 * ms, NotAfter: supervision.Instant(1200 * ms)},
		"open-loop seq=1 interval=800ms not-after=never": {Kind: supervision.OpenLoop, Seq: 1,
			Interval: 800 * ms, NotAfter: supervision.Never},
		"report suppressed call=1 rule=life-safety": {Kind: supervision.Report,
			Report: supervision.ReportSuppressed, Call: 1, Suppression: supervision.SuppressedLifeSafety},
		"report incident call=1 reason=interval-short": {Kind: supervision.Report,
			Report: supervision.ReportIncident, Call: 1, Incident: supervision.IncidentIntervalShort},
		"report interrupted call=1 hook=off trial": {Kind: supervision.Report,
			Report: supervision.ReportInterrupted, Call: 1, Hook: supervision.HookOff, Trial: true},
		"report incident call=1 reason=interval-short flash": {Kind: supervision.Report,
			Report: supervision.ReportIncident, Call: 1, Incident: supervision.IncidentIntervalShort, Flash: true},
		"report incident call=1 rule=other-call reason=suppressed": {Kind: supervision.Report,
			Report: supervision.ReportIncident, Call: 1, Incident: supervision.IncidentSuppressed,
			Suppression: supervision.SuppressedOtherCall},
		"report next-interval interval=1.2s": {Kind: supervision.Report,
			Report: supervision.ReportNextInterval, Interval: 1200 * ms},
		"report trust-withdrawn call=2": {Kind: supervision.Report, Report: supervision.ReportTrustWithdrawn, Call: 2},
		"report interrupted call=1 hook=unknown": {Kind: supervision.Report,
			Report: supervision.ReportInterrupted, Call: 1},
	}
	for text, ef := range effects {
		if got := ef.String(); got != text {
			t.Errorf("%+v is written %q; want %q", ef, got, text)
		}
		if got, err := supervision.ParseEffect(text); err != nil || got != ef {
			t.Errorf("%q is read as %+v, %v; want %+v", text, got, err, ef)
		}
	}
}

// TestEveryValueHasAWord goes through each enumeration up to its first value without a word.
func TestEveryValueHasAWord(t *testing.T) {
	counts := map[string][2]int{}
	walk := func(name string, want int, word func(i uint8) string) {
		n := 0
		seen := map[string]bool{}
		for w := word(0); w != "0" && (w[0] < '0' || w[0] > '9'); w = word(uint8(n)) {
			if seen[w] {
				t.Errorf("%s: the word %q stands for two values", name, w)
			}
			seen[w] = true
			n++
		}
		counts[name] = [2]int{n, want}
	}
	walk("progress", 3, func(i uint8) string { return supervision.Progress(i).String() })
	walk("event kind", 34, func(i uint8) string { return supervision.EventKind(i).String() })
	walk("evidence", 11, func(i uint8) string { return supervision.Evidence(i).String() })
	walk("reading", 3, func(i uint8) string { return supervision.Reading(i).String() })
	walk("number", 3, func(i uint8) string { return supervision.NumberClass(i).String() })
	walk("answer", 4, func(i uint8) string { return supervision.Answer(i).String() })
	walk("hook", 3, func(i uint8) string { return supervision.Hook(i).String() })
	walk("failure", 9, func(i uint8) string { return supervision.Failure(i).String() })
	walk("effect kind", 9, func(i uint8) string { return supervision.EffectKind(i).String() })
	walk("report", 9, func(i uint8) string { return supervision.ReportKind(i).String() })
	walk("suppression", 16, func(i uint8) string { return supervision.Suppression(i).String() })
	walk("incident", 20, func(i uint8) string { return supervision.Incident(i).String() })
	for name, n := range counts {
		if n[0] != n[1] {
			t.Errorf("%s: %d words, want %d", name, n[0], n[1])
		}
	}
}

func TestTextErrors(t *testing.T) {
	for _, text := range []string{
		"", "   ", "call-vanished", "call=3", "call-arrived call", "call-arrived call=x", "call-arrived call=1 call=2",
		"call-arrived call=-1", "call-arrived seq=4294967296", "call-arrived evidence=smoke", "call-arrived late=5",
		"call-arrived emergency=1", "call-arrived what=1", "256",
		`loop-failed why=busy`, `loop-failed why="busy" seq=1`, `loop-failed why="busy`,
	} {
		if ev, err := supervision.ParseEvent(text); !errors.Is(err, supervision.ErrText) {
			t.Errorf("%q is read as event %v, error %v", text, ev, err)
		}
	}
	for _, text := range []string{"", "open-door", "report loudly", "open-loop not-after=soon",
		"open-loop interval=1"} {
		if ef, err := supervision.ParseEffect(text); !errors.Is(err, supervision.ErrText) {
			t.Errorf("%q is read as effect %v, error %v", text, ef, err)
		}
	}
}

func drawEvent(t *rapid.T) supervision.Event {
	byteOf := func(name string) uint8 { return rapid.Uint8().Draw(t, name) }
	return supervision.Event{
		Kind: supervision.EventKind(byteOf("kind")), Call: supervision.CallID(rapid.Uint64().Draw(t, "call")),
		Seq: supervision.Seq(rapid.Uint32().Draw(t, "seq")), Emergency: rapid.Bool().Draw(t, "emergency"),
		Evidence: supervision.Evidence(byteOf("evidence")), Answer: supervision.Answer(byteOf("answer")),
		Hook: supervision.Hook(byteOf("hook")), Failure: supervision.Failure(byteOf("failure")),
		Late: drawDuration(t, "late"), Took: drawDuration(t, "took"), Interval: drawDuration(t, "interval"),
		PulseDiallingOff: rapid.Bool().Draw(t, "pulse dialling off"), Why: rapid.String().Draw(t, "why"),
		Reading: supervision.Reading(byteOf("reading")),
	}
}

func drawDuration(t *rapid.T, name string) time.Duration {
	unit := rapid.SampledFrom([]int64{1, 1e3, 1e6, 1e8, 1e9}).Draw(t, name+" unit")
	n := rapid.Int64Range(math.MinInt64/unit, math.MaxInt64/unit).Draw(t, name)
	return time.Duration(n * unit)
}

// TestEventTextRoundTrip tries every value, with and without a word.
func TestEventTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ev := drawEvent(t)
		if got, err := supervision.ParseEvent(ev.String()); err != nil || got != ev {
			t.Fatalf("%q came back as %q, %v", ev, got, err)
		}
	})
}

func TestEffectTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ef := supervision.Effect{
			Kind: supervision.EffectKind(rapid.Uint8().Draw(t, "kind")),
			Call: supervision.CallID(rapid.Uint64().Draw(t, "call")),
			Seq:  supervision.Seq(rapid.Uint32().Draw(t, "seq")), Code: rapid.Int().Draw(t, "code"),
			Interval: drawDuration(t, "interval"), NotAfter: supervision.Instant(drawDuration(t, "not-after")),
			Report:      supervision.ReportKind(rapid.Uint8().Draw(t, "report")),
			Suppression: supervision.Suppression(rapid.Uint8().Draw(t, "rule")),
			Incident:    supervision.Incident(rapid.Uint8().Draw(t, "reason")),
			Hook:        supervision.Hook(rapid.Uint8().Draw(t, "hook")),
			Flash:       rapid.Bool().Draw(t, "flash"), Trial: rapid.Bool().Draw(t, "trial"),
		}
		if got, err := supervision.ParseEffect(ef.String()); err != nil || got != ef {
			t.Fatalf("%q came back as %q, %v", ef, got, err)
		}
	})
}

// FuzzText checks that every text that can be parsed is written and parsed back as the same.
func FuzzText(f *testing.F) {
	f.Add("far-end-cleared call=3 evidence=bye late=1.5s")
	f.Add("open-loop call=1 seq=1 interval=800ms not-after=+1.2s")
	f.Add("report suppressed call=1 rule=life-safety")
	f.Add("call-adopted call=7 emergency number=resembles-emergency")
	f.Add("adapter-leg-cleared call=7 answer=other")
	f.Fuzz(func(t *testing.T, text string) {
		if ev, err := supervision.ParseEvent(text); err == nil {
			if again, err := supervision.ParseEvent(ev.String()); err != nil || again != ev {
				t.Errorf("event %q, written %q, is read as %q, %v", text, ev, again, err)
			}
		}
		if ef, err := supervision.ParseEffect(text); err == nil {
			if again, err := supervision.ParseEffect(ef.String()); err != nil || again != ef {
				t.Errorf("effect %q, written %q, is read as %q, %v", text, ef, again, err)
			}
		}
	})
}
