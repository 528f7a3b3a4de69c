package callrecord

import (
	"testing"
	"time"

	"clearback/supervision"
)

// BenchmarkTake adds the entries of one call after another, one entry in each iteration. A line's goroutine does
// this once for each entry.
func BenchmarkTake(b *testing.B) {
	ms := time.Millisecond
	one := []Entry{
		{At: at(0), Event: supervision.Event{Kind: supervision.CallArrived, Call: 1}},
		{At: at(0), Effect: supervision.Effect{Kind: supervision.OfferCall, Call: 1}},
		{At: at(40 * ms), Event: supervision.Event{Kind: supervision.CallRinging, Call: 1}},
		{At: at(4000 * ms), Event: supervision.Event{Kind: supervision.CallAnswered, Call: 1}},
		{At: at(30000 * ms), Event: supervision.Event{Kind: supervision.FarEndCleared, Call: 1,
			Evidence: supervision.EvidenceBye}},
		{At: at(30000 * ms), Effect: supervision.Effect{Kind: supervision.ClearAdapterLeg, Call: 1}},
		{At: at(30012 * ms), Event: supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1,
			Answer: supervision.AnswerConfirmed}},
		{At: at(30012 * ms), Effect: supervision.Effect{Kind: supervision.OpenLoop, Call: 1, Seq: 1,
			Interval: 800 * ms}},
		{At: at(30017 * ms), Event: supervision.Event{Kind: supervision.LoopOpened, Seq: 1}},
		{At: at(30817 * ms), Event: supervision.Event{Kind: supervision.LoopClosed, Seq: 1, Took: 800 * ms}},
		{At: at(31600 * ms), Effect: supervision.Effect{Kind: supervision.ProbeLine}},
		{At: at(31612 * ms), Event: supervision.Event{Kind: supervision.ProbeAnswered, Hook: supervision.HookOn}},
		{At: at(31612 * ms), Effect: supervision.Effect{
			Kind: supervision.Report, Report: supervision.ReportInterrupted, Call: 1, Seq: 1, Interval: 800 * ms,
			Hook: supervision.HookOn,
		}},
	}
	t := NewRecorder("box-office")
	b.ReportAllocs()
	call, past := supervision.CallID(0), time.Duration(0)
	for i := 0; b.Loop(); i++ {
		e := one[i%len(one)]
		if i%len(one) == 0 {
			call, past = call+1, past+32*time.Second
		}
		e.At = e.At.Add(past)
		if e.Event.Call != 0 {
			e.Event.Call = call
		}
		if e.Effect.Call != 0 {
			e.Effect.Call = call
		}
		t.Take(e)
	}
}

// BenchmarkExplain explains a call during which its line has a hundred thousand other entries.
func BenchmarkExplain(b *testing.B) {
	entries := make([]Entry, 0, 100_000)
	for i := range cap(entries) {
		entries = append(entries, Entry{
			At: at(time.Duration(i) * time.Millisecond), Event: supervision.Event{Kind: supervision.CallArrived,
				Call: supervision.CallID(i + 1)},
		})
	}
	a := Account{Line: "box-office", Call: 1, Began: at(0)}
	b.ReportAllocs()
	for b.Loop() {
		Explain(a, entries, 80)
	}
}
