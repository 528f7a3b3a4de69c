package supervision_test

import (
	"testing"
	"time"

	"clearback/supervision"
)

// ordinary holds the events of ordinary calls. A round ends in the state in which it began, so that it can be repeated.
var ordinary = []struct {
	name string
	evs  []supervision.Event
}{
	{"ArrivedToInterrupted", []supervision.Event{
		{Kind: supervision.CallArrived, Call: 1},
		{Kind: supervision.CallRinging, Call: 1},
		{Kind: supervision.CallAnswered, Call: 1},
		{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye},
		{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed},
		{Kind: supervision.LoopOpened, Seq: 1},
		{Kind: supervision.LoopClosed, Seq: 1, Took: 800 * time.Millisecond},
		{Kind: supervision.TimePassed},
		{Kind: supervision.TimePassed},
		{Kind: supervision.ProbeAnswered, Hook: supervision.HookOn},
	}},
	{"ListenedAndHungUp", []supervision.Event{
		{Kind: supervision.CallArrived, Call: 1},
		{Kind: supervision.CallAnswered, Call: 1},
		{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye},
		{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed},
		{Kind: supervision.LoopOpened, Seq: 1},
		{Kind: supervision.LoopClosed, Seq: 1, Took: 800 * time.Millisecond},
		{Kind: supervision.TimePassed},
		{Kind: supervision.TimePassed},
		{Kind: supervision.ProbeAnswered, Hook: supervision.HookOff},
		{Kind: supervision.TimePassed},
		{Kind: supervision.ProbeAnswered, Hook: supervision.HookOn},
	}},
	{"RequestedToNearEndCleared", []supervision.Event{
		{Kind: supervision.CallRequested, Call: 1},
		{Kind: supervision.CallAnswered, Call: 1},
		{Kind: supervision.NearEndCleared, Call: 1},
	}},
	{"SeizedWhileOpen", []supervision.Event{
		{Kind: supervision.CallArrived, Call: 1},
		{Kind: supervision.CallAnswered, Call: 1},
		{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye},
		{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed},
		{Kind: supervision.CallArrived, Call: 2},
		{Kind: supervision.CallRequested, Call: 3},
		{Kind: supervision.LoopClosed, Seq: 1},
		{Kind: supervision.TimePassed},
		{Kind: supervision.NearEndCleared, Call: 3},
	}},
}

// round plays a round. seq is the number of the opening that it makes. Most events come one second after the other.
func round(m *supervision.Machine, now supervision.Instant, evs []supervision.Event,
	seq supervision.Seq) (supervision.Instant, int) {
	effects := 0
	for _, ev := range evs {
		if ev.Seq != 0 {
			ev.Seq = seq
		}
		step := time.Second
		if ev.Kind == supervision.AdapterLegCleared || ev.Kind == supervision.LoopOpened {
			step = 10 * time.Millisecond
		}
		now = now.Add(step)
		out, _ := m.Step(now, ev)
		effects += len(out)
	}
	return now, effects
}

// TestWatchingDoesNotAllocate looks at an idle line many times.
func TestWatchingDoesNotAllocate(t *testing.T) {
	m, now := probed(), supervision.Instant(0)
	looks := 0
	allocs := testing.AllocsPerRun(1000, func() {
		now = now.Add(2 * time.Minute)
		out, _ := m.Step(now, supervision.Event{Kind: supervision.TimePassed})
		looks += len(out)
		m.Step(now, supervision.Event{Kind: supervision.ProbeAnswered, Hook: supervision.HookOn})
	})
	if allocs != 0 || looks < 1000 {
		t.Errorf("%v allocations a look; %d looks of 1000", allocs, looks)
	}
}

func probed() *supervision.Machine {
	p := supervision.DefaultPolicy()
	p.ProbeTrusted, p.Listening, p.OpeningsPerMinute = true, time.Second, 60
	return supervision.New(p)
}

// BenchmarkStep measures one step, averaged over whole calls.
func BenchmarkStep(b *testing.B) {
	for _, o := range ordinary {
		b.Run(o.name, func(b *testing.B) {
			m, now, seq := probed(), supervision.Instant(0), supervision.Seq(0)
			b.ReportAllocs()
			for b.Loop() {
				seq++
				now, _ = round(m, now, o.evs, seq)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(o.evs)), "ns/step")
		})
	}
}

// TestStepDoesNotAllocate covers the common events, an interruption and a seizure.
func TestStepDoesNotAllocate(t *testing.T) {
	for _, o := range ordinary {
		t.Run(o.name, func(t *testing.T) {
			m, now, seq := probed(), supervision.Instant(0), supervision.Seq(0)
			effects := 0
			allocs := testing.AllocsPerRun(1000, func() {
				seq++
				now, effects = round(m, now, o.evs, seq)
			})
			if allocs != 0 {
				t.Errorf("%v allocations a round", allocs)
			}
			if effects < len(o.evs)/3 {
				t.Errorf("only %d effects a round: the machine does not follow", effects)
			}
		})
	}
}

// BenchmarkAppend measures the writing of one event and one effect.
func BenchmarkAppend(b *testing.B) {
	ev := supervision.Event{Kind: supervision.FarEndCleared, Call: 3, Evidence: supervision.EvidenceBye}
	ef := supervision.Effect{Kind: supervision.OpenLoop, Call: 3, Seq: 1, Interval: 800 * time.Millisecond,
		NotAfter: 12_345_678_901}
	buf := make([]byte, 0, 256)
	b.ReportAllocs()
	for b.Loop() {
		buf = ev.Append(buf[:0])
		buf = ef.Append(buf)
	}
}

func TestAppendDoesNotAllocate(t *testing.T) {
	ev := supervision.Event{Kind: supervision.LoopClosed, Seq: 3, Took: 801_234_567}
	ef := supervision.Effect{Kind: supervision.OpenLoop, Call: 3, Seq: 1, Interval: 800 * time.Millisecond,
		NotAfter: 12_345_678_901}
	buf := make([]byte, 0, 256)
	if n := testing.AllocsPerRun(1000, func() { buf = ef.Append(ev.Append(buf[:0])) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}
