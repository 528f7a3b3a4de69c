package bridge

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/supervision"
)

// A line is idle if it has no call, its loop is at rest, and no call-back from the emergency centre is expected.
func TestIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		synctest.Wait()
		require.True(t, r.Idle())
		r.Post(supervision.Event{Kind: supervision.CallRequested, Call: 1, Emergency: true})
		r.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
		synctest.Wait()
		require.False(t, r.Idle(), "a call")
		require.True(t, r.AtRest())
		r.Post(supervision.Event{Kind: supervision.NearEndCleared, Call: 1})
		synctest.Wait()
		require.Empty(t, r.View().Calls)
		window := time.Duration(r.View().CallbackBy) - time.Since(r.began)
		require.Positive(t, window)
		time.Sleep(window - time.Nanosecond)
		synctest.Wait()
		require.False(t, r.Idle(), "the call-back window")
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		require.True(t, r.Idle())
		r.Post(supervision.Event{Kind: supervision.PulseRequested})
		synctest.Wait()
		require.False(t, r.Idle(), "an opening")
		r.Stop()
		require.True(t, r.Idle())
	})
}

// The next opening uses the new contact, and the effects on calls go to the new user agent.
func TestSetContactAndCalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newTestBed()
		next, calls := relaytest.NewFake(relay.KindOneshot), &callLog{}
		r.SetContact(next, false)
		r.SetCalls(calls)
		r.Post(supervision.Event{Kind: supervision.CallArrived, Call: 1})
		r.Post(supervision.Event{Kind: supervision.CallAnswered, Call: 1})
		r.Post(supervision.Event{Kind: supervision.FarEndCleared, Call: 1, Evidence: supervision.EvidenceBye})
		r.confirmed()
		require.True(t, next.Open())
		require.False(t, r.contact.Open())
		require.Empty(t, r.contact.Calls())
		require.Equal(t, []string{"offer", "clear adapter leg"}, calls.list())
		require.NotContains(t, r.callLog.list(), "offer")
		time.Sleep(10 * time.Second)
		require.False(t, next.Open())
		r.Stop()
	})
}

// The loop-current input of the new contact is watched, and that of the old one is not any more.
func TestSetContactMovesTheMonitor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := supervision.DefaultPolicy()
		p.SenseTrusted = true
		old, next := relaytest.NewFake(relay.KindOneshot), relaytest.NewFake(relay.KindOneshot)
		l := NewLine(LineOptions{Name: "box-office", Policy: p, Contact: old, Epoch: time.Now(), Logger: zap.NewNop(),
			Sense: true})
		l.Start(&callLog{})
		reads := func(c *relaytest.Fake) int { return len(c.SenseTimes()) }
		for _, c := range []*relaytest.Fake{old, next} {
			c.SenseBy(func(bool) (relay.Level, error) { return relay.LevelOpen, nil })
		}
		time.Sleep(time.Second)
		require.Positive(t, reads(old))
		l.SetContact(next, true)
		before := reads(old)
		time.Sleep(time.Second)
		require.Equal(t, before, reads(old))
		require.Positive(t, reads(next))
		l.SetContact(next, false)
		before = reads(next)
		time.Sleep(time.Second)
		require.Equal(t, before, reads(next))
		l.Stop()
	})
}
