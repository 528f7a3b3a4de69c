package bridge

import (
	"context"
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
)

// unknownOutcomeContact is a contact whose opening ends with an unknown outcome when it is withdrawn, as if the
// connection had just been lost.
type unknownOutcomeContact struct {
	mu     sync.Mutex
	closes int
}

func (*unknownOutcomeContact) Kind() relay.Kind { return relay.KindNone }

func (*unknownOutcomeContact) Interrupt(ctx context.Context, i relay.Interruption) relay.Result {
	i.Opened(time.Now())
	<-ctx.Done()
	return relay.Result{Outcome: relay.Unknown, Err: relay.ErrNoAnswer}
}

func (l *unknownOutcomeContact) Close(context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closes++
	return nil
}

func (l *unknownOutcomeContact) closed() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closes
}

// A seizure withdraws the opening, whose outcome is unknown. The machine has already asked for the close, so the
// contact is closed without a second request.
func TestWithdrawnOpeningOfUnknownOutcomeIsClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zap.DebugLevel)
		contact := &unknownOutcomeContact{}
		r := &testBed{callLog: &callLog{}, log: logs, began: time.Now()}
		r.Line = NewLine(LineOptions{Name: "box-office", Policy: supervision.DefaultPolicy(), Contact: contact,
			Epoch: time.Now(), Logger: zap.New(core)})
		r.Start(r.callLog)
		r.answeredCall()
		r.confirmed()
		r.after(300 * time.Millisecond)
		r.Post(supervision.Event{Kind: supervision.CallRequested, Call: 2})
		r.after(time.Second)
		assert.Contains(t, r.texts(), "event loop-unknown seq=1")
		assert.Equal(t, 1, contact.closed())
		assert.Contains(t, r.texts(), "event loop-closed seq=1")
		r.Stop()
	})
}

// contextContact is a contact that keeps the context of its last opening.
type contextContact struct {
	*relaytest.Fake
	last context.Context
}

func (c *contextContact) Interrupt(ctx context.Context, i relay.Interruption) relay.Result {
	c.last = ctx
	return c.Fake.Interrupt(ctx, i)
}

// The context of an opening ends with it, or each opening would leave one behind for as long as the daemon runs.
func TestContextOfAnOpeningEndsWithIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		contact := &contextContact{Fake: relaytest.NewFake(relay.KindNone)}
		o := newInterrupter(contact, func(supervision.Event) {})
		o.open(1, 800*time.Millisecond, time.Now().Add(time.Second))
		<-time.After(700 * time.Millisecond)
		require.NoError(t, contact.last.Err())
		<-time.After(time.Second)
		require.ErrorIs(t, contact.last.Err(), context.Canceled)
		o.end()
	})
}

// An opening counts as under way until its outcome has been posted, and no longer. This determines how current that
// flows again is judged.
func TestAnOpeningIsUnderWayUntilItsOutcomeIsPosted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var o *interrupter
		underWay := map[supervision.EventKind]bool{}
		o = newInterrupter(relaytest.NewFake(relay.KindNone),
			func(ev supervision.Event) { underWay[ev.Kind] = o.underWay() })
		require.False(t, o.underWay())
		o.open(1, 800*time.Millisecond, time.Now().Add(time.Second))
		<-time.After(time.Second)
		synctest.Wait()
		require.Equal(t, map[supervision.EventKind]bool{supervision.LoopOpened: true, supervision.LoopClosed: true},
			underWay)
		require.False(t, o.underWay())
		o.end()
	})
}

// slowContact is a contact whose closes take some time and then return err.
type slowContact struct {
	unknownOutcomeContact
	took time.Duration
	err  error
}

func (s *slowContact) Close(ctx context.Context) error {
	s.unknownOutcomeContact.Close(ctx)
	select {
	case <-time.After(s.took):
		return s.err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// The interrupter requests one close at a time, and the contact repeats it. The interrupter posts the confirmation.
func TestOneCloseAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &slowContact{took: 3 * time.Second}
		posted := make(chan supervision.Event, 2) // more than are posted
		o := newInterrupter(s, func(ev supervision.Event) { posted <- ev })
		o.withdraw(1)
		o.withdraw(1) // the contact is being closed already
		<-time.After(2999 * time.Millisecond)
		require.Empty(t, posted)
		<-time.After(time.Millisecond)
		synctest.Wait()
		require.Len(t, posted, 1)
		require.Equal(t, supervision.Event{Kind: supervision.LoopClosed, Seq: 1}, <-posted)
		require.Equal(t, 1, s.closed())

		s.err = relay.ErrNoAnswer // the driver has ended
		o.withdraw(2)
		<-time.After(3 * time.Second)
		synctest.Wait()
		require.Empty(t, posted)

		o.withdraw(3)
		synctest.Wait()
		require.Equal(t, 3, s.closed())
		began := time.Now()
		o.end()
		require.Zero(t, time.Since(began), "the end of the line does not wait for a close")
		require.Empty(t, posted)
	})
}
