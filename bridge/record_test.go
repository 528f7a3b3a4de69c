package bridge

import (
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// newTestBedWith is newTestBed with other options. Name, contact, epoch and logger are those of the test bed.
func newTestBedWith(o LineOptions) *testBed {
	core, logs := observer.New(zap.DebugLevel)
	r := &testBed{callLog: &callLog{}, contact: relaytest.NewFake(relay.KindNone), log: logs, began: time.Now()}
	o.Name, o.Contact, o.Epoch, o.Logger = "box-office", r.contact, r.began, zap.New(core)
	if o.Policy.Interval == 0 {
		o.Policy = supervision.DefaultPolicy()
	}
	r.Line = NewLine(o)
	r.Start(r.callLog)
	return r
}

func entryText(e callrecord.Entry) string {
	if e.Event.Kind != supervision.EventNone {
		return "event " + string(e.Event.Append(nil))
	}
	return "effect " + string(e.Effect.Append(nil))
}

// The record has the same entries as the log, in the same order, each with the wall-clock time of its step. TimePassed
// is not recorded. Entries are written after the effects have been carried out.
func TestRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var r *testBed
		var texts []string
		var at []time.Duration
		began := time.Now()
		r = newTestBedWith(LineOptions{Record: func(e callrecord.Entry) {
			assert.Equal(t, "box-office", e.Line)
			if e.Effect.Kind == supervision.ClearAdapterLeg {
				assert.Contains(t, r.callLog.list(), "clear adapter leg", "carried out before it is recorded")
			}
			texts, at = append(texts, entryText(e)), append(at, e.At.Sub(began))
		}})
		r.answeredCall()
		r.after(100 * time.Millisecond)
		r.confirmed()
		r.after(10 * time.Second)
		r.Stop()
		// without the not-after, which counts from the start of the process; the log gives it as a time of day
		logged := strings.Split(r.texts(), "\n")
		for i, text := range texts {
			text, _, _ = strings.Cut(text, " not-after=")
			assert.Equal(t, text, logged[i])
		}
		assert.Len(t, logged, len(texts))
		require.GreaterOrEqual(t, len(texts), 8)
		for i, text := range texts {
			assert.NotContains(t, text, "time-passed")
			if strings.HasPrefix(text, "effect open-loop") {
				assert.Equal(t, 100*time.Millisecond, at[i])
			}
			if strings.HasPrefix(text, "event loop-closed") {
				assert.Equal(t, 900*time.Millisecond, at[i])
			}
		}
	})
}

// slowCallLog takes some time to clear the adapter's leg.
type slowCallLog struct{ callLog }

func (d *slowCallLog) ClearAdapterLeg(supervision.CallID) { <-time.After(40 * time.Millisecond) }

// Log and record have the time of the step and not the time at which its effects had been carried out. Otherwise an
// effect's consequence would appear to have come before it.
func TestLogAndRecordHaveTheInstantOfTheStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zap.DebugLevel)
		began := time.Now()
		var recorded []time.Duration
		l := NewLine(LineOptions{
			Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: relaytest.NewFake(relay.KindNone),
			Epoch: began, Logger: zap.New(core),
			Record: func(e callrecord.Entry) { recorded = append(recorded, e.At.Sub(began)) },
		})
		l.Start(&slowCallLog{})
		l.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
		l.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
		<-time.After(time.Second)
		l.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye})
		<-time.After(time.Second)
		l.Stop()
		var logged []time.Duration
		for _, e := range logs.All() {
			if e.Message == "event" || e.Message == "effect" {
				logged = append(logged, e.Time.Sub(began))
			}
		}
		assert.Equal(t, recorded, logged)
		assert.Equal(t, []time.Duration{time.Second, time.Second}, logged[3:5], "the clearing and its effect")
	})
}

func TestSaveState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := supervision.DefaultPolicy()
		p.Listening = 0 // a hold that stayed counts at once
		p.ProbeTrusted, p.Watch, p.Steps = true, 0, []time.Duration{900 * time.Millisecond, time.Second}
		var kept []supervision.SavedState
		r := newTestBedWith(LineOptions{Policy: p, Saved: supervision.SavedState{Stayed: 1},
			Save: func(k supervision.SavedState) { kept = append(kept, k) }})
		assert.Equal(t, 900*time.Millisecond, r.View().Interval, "as an earlier machine left it")
		assert.Equal(t, 1, r.View().Stayed)
		r.answeredCall()
		r.confirmed()
		r.after(1700 * time.Millisecond) // 1.6 s after the opening the adapter recognises on hook
		require.Len(t, kept, 1, "one more opening")
		assert.Equal(t, supervision.SavedState{Stayed: 1, Recent: 1, RecentAt: kept[0].RecentAt}, kept[0])
		require.Contains(t, r.callLog.list(), "probe")
		r.Post(supervision.Event{Kind: supervision.ProbeAnswered, Hook: supervision.HookOff})
		synctest.Wait()
		require.Len(t, kept, 2)
		assert.Equal(t, supervision.SavedState{Stayed: 2, Recent: 1, RecentAt: kept[0].RecentAt}, kept[1])
		assert.Equal(t, 2, r.View().Stayed)
		r.Stop()
		assert.Equal(t, 2, r.View().Stayed, "also after the end")
	})
}

// A policy is in use when SetPolicy returns. What is under way continues with the old policy.
func TestSetPolicy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		p := r.Policy()
		assert.Equal(t, supervision.DefaultPolicy(), p)
		r.answeredCall()
		r.confirmed()
		p.Interval, p.Steps = 500*time.Millisecond, []time.Duration{600 * time.Millisecond}
		r.SetPolicy(p)
		p.Steps[0] = time.Hour // the caller's own slice
		assert.Equal(t, 600*time.Millisecond, r.Policy().Steps[0])
		r.Policy().Steps[0] = time.Hour
		assert.Equal(t, 600*time.Millisecond, r.Policy().Steps[0])
		assert.Equal(t, 500*time.Millisecond, r.View().Interval)
		r.after(10 * time.Second)
		r.Post(supervision.Event{Kind: supervision.PulseRequested})
		synctest.Wait()
		var asked []time.Duration
		for _, c := range r.contact.Calls() {
			asked = append(asked, c.Interruption.Duration)
		}
		assert.Equal(t, []time.Duration{800 * time.Millisecond, 500 * time.Millisecond}, asked)
		r.Stop()
		p.Interval = 300 * time.Millisecond
		r.SetPolicy(p) // returns and does nothing
		assert.Equal(t, 500*time.Millisecond, r.Policy().Interval)
	})
}

// Before Start and after Stop no goroutine runs the line, but its state can still be read.
func TestQueriesOfAStoppedLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := NewLine(LineOptions{Name: "workshop", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
			Epoch: time.Now(), Logger: zap.NewNop()})
		p := l.Policy()
		p.Interval = 600 * time.Millisecond
		l.SetPolicy(p)
		assert.Equal(t, 600*time.Millisecond, l.View().Interval)
		assert.True(t, l.AtRest())
		l.Stop()
		l.Stop()
		assert.True(t, l.AtRest())
		assert.Equal(t, supervision.StateClosed, l.View().Loop)
		assert.Equal(t, 600*time.Millisecond, l.Policy().Interval)
	})
}

// Followers are added and removed at any time, one of them by itself. None receives events from before it was added or
// after it was removed.
func TestFollow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		count := func(n *int, limit int) {
			var stop func()
			stop = r.Follow(func(callrecord.Entry) {
				if *n++; *n == limit {
					stop()
				}
			})
		}
		event := func() {
			r.Post(supervision.Event{Kind: supervision.Released})
			synctest.Wait()
		}
		var all, two, none int
		event()
		var stopLater func()
		r.Follow(func(callrecord.Entry) { stopLater() })
		// stopped by the follower before it, before its first call
		stopLater = r.Follow(func(callrecord.Entry) { none++ })
		count(&all, -1)
		count(&two, 2)
		stop := r.Follow(func(callrecord.Entry) { none++ })
		stop()
		stop()
		for range 5 {
			event()
		}
		assert.Equal(t, []int{5, 2, 0}, []int{all, two, none})
		r.Stop()
	})
}

// For the race detector: followers are added and removed while the line is busy.
func TestFollowersBesideABusyLine(t *testing.T) {
	l := NewLine(LineOptions{Name: "workshop", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
		Epoch: time.Now(), Logger: zap.NewNop()})
	l.Start(&callLog{})
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			for range 200 {
				heard := make(chan struct{})
				once := sync.OnceFunc(func() { close(heard) })
				stop := l.Follow(func(callrecord.Entry) { once() })
				l.Post(supervision.Event{Kind: supervision.Released})
				<-heard
				l.View()
				stop()
			}
		})
	}
	all.Wait()
	l.Stop()
	assert.Empty(t, *l.followers.list.Load())
}

// found is when the probe of an incidentLine is answered: 1.6 s after the opening, when the adapter recognises on hook.
const found = 1700 * time.Millisecond

// incidentLine returns a test bed in which a hold has stayed.
func incidentLine(remind time.Duration) *testBed {
	p := supervision.DefaultPolicy()
	p.Listening = 0 // a hold that stayed counts at once
	p.ProbeTrusted, p.Watch = true, 0
	r := newTestBedWith(LineOptions{Policy: p, Remind: remind})
	r.answeredCall()
	r.confirmed()
	r.after(found)
	r.Post(supervision.Event{Kind: supervision.ProbeAnswered, Hook: supervision.HookOff})
	synctest.Wait()
	return r
}

// An incident is logged again at its interval while it lasts, with its duration, and once when it is over.
func TestRemind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := incidentLine(15 * time.Minute)
		began := time.Now()
		lasts := func() []map[string]any {
			var all []map[string]any
			for _, e := range r.log.FilterMessage("incident lasts").All() {
				assert.Equal(t, zap.WarnLevel, e.Level)
				all = append(all, e.ContextMap())
			}
			return all
		}
		r.after(found + 15*time.Minute - 1)
		assert.Empty(t, lasts())
		r.after(found + 45*time.Minute)
		all := lasts()
		require.Len(t, all, 3)
		assert.Equal(t, "interval-short", all[0]["reason"])
		assert.Equal(t, "15m0s", all[0]["lasted"])
		assert.EqualValues(t, 1, all[0]["call"])
		assert.Equal(t, began, all[0]["since"])
		assert.Equal(t, strings.ReplaceAll(callrecord.Advice(supervision.IncidentIntervalShort, 0, false), "LINE",
			"box-office"), all[0]["advice"])
		assert.Contains(t, all[0]["advice"], "`clearback tune box-office`")
		assert.Equal(t, "box-office", all[0]["line"])
		assert.Equal(t, "45m0s", all[2]["lasted"])
		assert.Empty(t, r.log.FilterMessage("incident is over").All())

		r.after(found + 50*time.Minute)
		r.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		synctest.Wait()
		over := r.log.FilterMessage("incident is over").All()
		require.Len(t, over, 1)
		assert.Equal(t, "50m0s", over[0].ContextMap()["lasted"])
		r.after(5 * time.Hour)
		assert.Len(t, lasts(), 3)
		r.Stop()
	})
}

func TestRemindNever(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := incidentLine(0)
		r.after(100 * time.Hour)
		assert.Empty(t, r.log.FilterMessage("incident lasts").All())
		r.Stop()
	})
}

// A faulted loop and an incident of the line last at the same time, and each ends by itself. The fault lasts because
// the contact is not known to be closed.
func TestTwoIncidents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := incidentLine(time.Minute)
		r.Post(supervision.Event{Kind: supervision.LoopUnknown})
		synctest.Wait()
		r.after(found + 90*time.Second)
		reasons := map[string]int{}
		for _, e := range r.log.FilterMessage("incident lasts").All() {
			reasons[e.ContextMap()["reason"].(string)]++
		}
		assert.Equal(t, map[string]int{"interval-short": 1, "controller-unreachable": 1}, reasons)
		r.Post(supervision.Event{Kind: supervision.LoopClosed})
		synctest.Wait()
		over := r.log.FilterMessage("incident is over").All()
		require.Len(t, over, 1)
		assert.Equal(t, "controller-unreachable", over[0].ContextMap()["reason"])
		r.Stop()
	})
}

// A storm and an incident of the line last at the same time, and each ends by itself.
func TestStormBesideAnIncident(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := supervision.DefaultPolicy()
		p.SenseTrusted, p.Watch = true, time.Minute
		r := newTestBedWith(LineOptions{Policy: p, Remind: 4 * time.Minute,
			Saved: supervision.SavedState{NoOpeningBy: supervision.Instant(5 * time.Minute)}})
		r.Post(supervision.Event{Kind: supervision.Seized})
		r.answeredCall()
		r.confirmed()
		r.after(4*time.Minute + time.Second)
		reasons := map[string]int{}
		for _, e := range r.log.FilterMessage("incident lasts").All() {
			reasons[e.ContextMap()["reason"].(string)]++
		}
		assert.Equal(t, map[string]int{"suppressed": 1, "too-many-openings": 1}, reasons)
		r.after(5 * time.Minute)
		over := r.log.FilterMessage("incident is over").All()
		require.Len(t, over, 1)
		assert.Equal(t, "too-many-openings", over[0].ContextMap()["reason"])
		assert.NotContains(t, r.callLog.list(), "open")
		r.Post(supervision.Event{Kind: supervision.Released})
		synctest.Wait()
		over = r.log.FilterMessage("incident is over").All()
		require.Len(t, over, 2)
		assert.Equal(t, "suppressed", over[1].ContextMap()["reason"])
		r.Stop()
	})
}

// BenchmarkSetPolicy measures the time from the call until the policy is in use. The limit is 10 ms.
//
//	go test ./bridge -run '^$' -bench SetPolicy
func BenchmarkSetPolicy(b *testing.B) {
	l := NewLine(LineOptions{Name: "workshop", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
		Epoch: time.Now(), Logger: zap.NewNop()})
	l.Start(&callLog{})
	defer l.Stop()
	p := l.Policy()
	for b.Loop() {
		l.SetPolicy(p)
	}
}
