package bridge

import (
	"context"
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

// endedContact is a contact whose close ends only with its controller.
type endedContact struct {
	*relaytest.Fake
	ended chan struct{}
}

func (c endedContact) Close(context.Context) error {
	<-c.ended
	return relay.ErrUnreachable
}

// SAFETY S126: a line whose old controller could not close its contact serves again once the new contact is closed. The
// old controller may still be closing when the line gets the new contact.
func TestSetContactOfAFaultedLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		old := endedContact{relaytest.NewFake(relay.KindNone), make(chan struct{})}
		next := relaytest.NewFake(relay.KindNone)
		l := NewLine(LineOptions{Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: old,
			Epoch: time.Now(), Logger: zap.NewNop()})
		defer l.Stop()
		l.Start(&callLog{})
		l.Notice(relay.Notice{Kind: relay.CloseFailing, Err: relay.ErrUnreachable})
		synctest.Wait()
		require.Equal(t, supervision.StateFaulted, l.View().Loop)
		l.interrupter.close(0)
		next.FailClose(relay.ErrNoAnswer)
		l.SetContact(next, false)
		synctest.Wait()
		require.Empty(t, next.Calls(), "one close at a time")
		close(old.ended)
		synctest.Wait()
		require.Equal(t, supervision.StateFaulted, l.View().Loop, "not confirmed yet")
		time.Sleep(10 * time.Second) // with the guard time
		synctest.Wait()
		require.Equal(t, supervision.StateClosed, l.View().Loop)
		l.Notice(relay.Notice{Kind: relay.CloseFailing, Err: relay.ErrUnreachable})
		synctest.Wait()
		require.Equal(t, supervision.StateFaulted, l.View().Loop, "the new controller's first alarm counts")
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
