package bridge

import (
	"fmt"
	"os"
	"os/exec"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// hookedCalls is a Calls that runs a hook in ClearAdapterLeg and in Offer, if set.
type hookedCalls struct {
	callLog
	clear func()
	offer func(supervision.CallID)
}

func (c *hookedCalls) ClearAdapterLeg(call supervision.CallID) {
	c.callLog.ClearAdapterLeg(call)
	if c.clear != nil {
		c.clear()
	}
}

func (c *hookedCalls) Offer(call supervision.CallID) {
	c.callLog.Offer(call)
	if c.offer != nil {
		c.offer(call)
	}
}

// started returns a started line with a fake contact.
func started(o LineOptions, calls Calls) (*Line, *relaytest.Fake) {
	contact := relaytest.NewFake(relay.KindNone)
	o.Name, o.Policy, o.Contact = "box-office", supervision.DefaultPolicy(), contact
	o.Epoch, o.Logger = time.Now(), zap.NewNop()
	l := NewLine(o)
	l.Start(calls)
	return l, contact
}

func clearedCall(l *Line) {
	l.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
	l.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
	l.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye})
}

// When Post returns, the effects of the event have been carried out: no other goroutine has to be scheduled for them.
func TestPostCarriesOutTheEffects(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		calls := &hookedCalls{}
		l, _ := started(LineOptions{}, calls)
		clearedCall(l)
		require.Equal(t, []string{"offer", "clear adapter leg"}, calls.list())
		l.Stop()
	})
}

// An event that is posted while another goroutine uses the machine is not lost, and its poster does not wait. Nor does
// the goroutine that uses the machine carry out its effects.
func TestPostWhileTheMachineIsInUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entered, goOn, offering := make(chan struct{}), make(chan struct{}), make(chan struct{})
		calls := &hookedCalls{clear: func() { close(entered); <-goOn }}
		l, _ := started(LineOptions{}, calls)
		first := make(chan struct{}) // closed when the first poster has returned
		go func() { defer close(first); clearedCall(l) }()
		<-entered
		synctest.Wait() // the line's goroutine waits for the next event
		calls.offer = func(supervision.CallID) { <-offering }
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		l.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 2})
		l.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed})
		l.Post(supervision.Event{Kind: supervision.CallArrived, Call: 3})
		require.Len(t, calls.list(), 2)
		close(goOn)
		<-first // although the offer of call 3 has not returned
		synctest.Wait()
		close(offering)
		synctest.Wait()
		require.Equal(t, []string{"offer", "clear adapter leg", "clear far end", "offer"}, calls.list())
		l.Stop()
	})
}

// An effect may post its outcome before it returns, as that on a call does which has just ended.
func TestEffectPostsItsOutcome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		calls := &hookedCalls{}
		l, contact := started(LineOptions{}, calls)
		calls.clear = func() {
			l.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed})
		}
		clearedCall(l)
		synctest.Wait()
		require.True(t, contact.Open())
		l.Stop()
	})
}

// Invariant 10: a record that takes its time delays neither an opening nor a close. Stop waits for the record.
func TestRecordDelaysNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		goOn := make(chan struct{})
		var recorded []string
		l, contact := started(LineOptions{Record: func(e callrecord.Entry) {
			<-goOn
			recorded = append(recorded, e.Event.Kind.String())
		}, Save: func(supervision.SavedState) { recorded = append(recorded, "save") }}, &callLog{})
		clearedCall(l)
		l.Post(supervision.Event{Kind: supervision.AdapterLegCleared, Call: 1, Answer: supervision.AnswerConfirmed})
		synctest.Wait()
		require.True(t, contact.Open())
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		synctest.Wait()
		require.False(t, contact.Open(), "a seizure closes the loop")
		require.False(t, l.AtRest(), "not recorded yet")

		stopped := make(chan struct{})
		go func() { defer close(stopped); l.Stop() }()
		synctest.Wait()
		select {
		case <-stopped:
			t.Error("Stop has not waited for the record")
		default:
		}
		close(goOn)
		<-stopped
		require.Contains(t, recorded, supervision.CallRequested.String())
		require.Contains(t, recorded, "save")
		require.True(t, l.AtRest())
	})
}

// View returns when what it shows is recorded, also on a line that was not started.
func TestViewIsRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		l, _ := started(LineOptions{Record: func(callrecord.Entry) { <-time.After(time.Second) }}, &callLog{})
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 1})
		require.False(t, l.AtRest(), "not recorded yet")
		require.Len(t, l.View().Calls, 1)
		require.Equal(t, time.Second, time.Since(began))
		require.True(t, l.AtRest())
		l.Stop()
		require.Len(t, l.View().Calls, 1)
	})
	saved := false
	l := NewLine(LineOptions{Name: "workshop", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
		Epoch: time.Now(), Logger: zap.NewNop(), Save: func(supervision.SavedState) { saved = true },
		Saved: supervision.SavedState{CallbackBy: 1}})
	p := l.Policy()
	l.machine.Restore(supervision.SavedState{CallbackBy: 2}) // what a change of the policy may lead to
	l.SetPolicy(p)
	require.Equal(t, supervision.Instant(2), l.View().CallbackBy)
	l.Stop()
	require.True(t, saved)
}

// A follower does not get what happened before it was added, even if that has not been recorded yet.
func TestFollowerGetsNothingEarlier(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		goOn := make(chan struct{})
		l, _ := started(LineOptions{Record: func(callrecord.Entry) { <-goOn }}, &callLog{})
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 1})
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		var got []supervision.CallID
		l.Follow(func(e callrecord.Entry) { got = append(got, e.Event.Call) })
		l.Post(supervision.Event{Kind: supervision.CallRequested, Call: 3})
		close(goOn)
		l.Stop()
		require.Equal(t, supervision.CallID(3), got[0])
		require.NotContains(t, got, supervision.CallID(1))
		require.NotContains(t, got, supervision.CallID(2))
	})
}

// Many goroutines post and query at once: every event is recorded once, and those of one poster in their order.
func TestManyPosters(t *testing.T) {
	const posters, each = 8, 200
	last, n := map[supervision.CallID]time.Duration{}, 0
	l, _ := started(LineOptions{Record: func(e callrecord.Entry) {
		if e.Event.Kind == supervision.FarEndSilent {
			n++
			assert.Equal(t, last[e.Event.Call]+1, e.Event.Late, "poster %d", e.Event.Call)
			last[e.Event.Call] = e.Event.Late
		}
	}}, &callLog{})
	var all sync.WaitGroup
	for i := range posters {
		all.Go(func() {
			for k := range each {
				l.Post(supervision.Event{Kind: supervision.FarEndSilent, Call: supervision.CallID(i + 1),
					Late: time.Duration(k + 1)})
				if k%20 == 0 {
					l.View()
				}
			}
		})
	}
	all.Wait()
	require.Eventually(t, l.AtRest, 10*time.Second, time.Millisecond)
	l.Stop()
	require.Equal(t, posters*each, n)
}

// A panic in a step ends the process, although the poster recovers from panics. Otherwise the line would stay locked,
// perhaps with its loop open.
func TestPanicInAStepEndsTheProcess(t *testing.T) {
	if os.Getenv("CLEARBACK_PANIC") != "" {
		l, _ := started(LineOptions{}, &hookedCalls{clear: func() { panic("no footlights") }})
		func() {
			defer func() { _ = recover() }()
			clearedCall(l)
		}()
		fmt.Println("recovered")
		return
	}
	cmd := exec.Command(os.Args[0], "-test.run=^TestPanicInAStepEndsTheProcess$", "-test.count=1")
	cmd.Env = append(os.Environ(), "CLEARBACK_PANIC=1")
	out, err := cmd.CombinedOutput()
	require.Error(t, err, "%s", out)
	require.Contains(t, string(out), "panic: line box-office: no footlights")
	require.Contains(t, string(out), "hookedCalls", "the stack of the step")
	require.NotContains(t, string(out), "recovered")
}
