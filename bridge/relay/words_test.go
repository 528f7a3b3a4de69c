package relay

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

func TestKindWords(t *testing.T) {
	require.Equal(t, "none watchdog oneshot", KindNone.String()+" "+KindWatchdog.String()+" "+KindOneshot.String())
	require.Equal(t, "none", (KindOneshot + 1).String())
	require.Equal(t, KindOneshot, NoContact{}.Kind(), "a loop that never opens needs no close")
}

// TestSleepOnAnotherClock: if the kernel's sleep does not move the clock, SleepUntil sleeps the rest of the time by
// that clock.
func TestSleepOnAnotherClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at := time.Now().Add(2 * time.Millisecond)
		require.Equal(t, 2*time.Millisecond-SleepMargin, TimerWait(at))
		SleepUntil(at)
		require.Equal(t, at, time.Now())
		SleepUntil(at.Add(-time.Second))
		require.Equal(t, at, time.Now())
	})
}

// TestSettledMeanwhile: a failed attempt is not reported if another close was confirmed during the attempt. A Wait that
// gives up in the same instant still returns that the contact is closed.
func TestSettledMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var notices []NoticeKind
		fails := make(chan struct{}) // closed to let the attempt fail
		var k *CloseRetrier
		k = NewCloseRetrier(func(context.Context) error { <-fails; return errors.New("no answer") },
			func(n Notice) { notices = append(notices, n.Kind) })
		ctx, cancel := context.WithCancel(t.Context())
		ran := make(chan struct{})
		go func() { k.Run(ctx); close(ran) }()
		synctest.Wait()
		require.True(t, k.Settle(k.Epoch()))
		close(fails)
		synctest.Wait()
		require.NoError(t, k.Owed())
		require.Empty(t, notices)
		cancel()
		<-ran
		k.Stop()

		k = NewCloseRetrier(nil, func(Notice) {})
		settling := settlesWhenDone{t.Context(), k}
		require.NoError(t, k.Wait(settling))
		k = NewCloseRetrier(nil, func(Notice) {})
		k.Stop()
		err := k.Wait(t.Context())
		require.ErrorIs(t, err, errEnded)
		require.ErrorIs(t, err, errNotClosedYet)
	})
}

// settlesWhenDone is a context that has ended. Its Done method settles the retrier without closing the channel that
// Wait watches.
type settlesWhenDone struct {
	context.Context
	k *CloseRetrier
}

func (s settlesWhenDone) Done() <-chan struct{} {
	s.k.mu.Lock()
	s.k.err = nil
	s.k.mu.Unlock()
	done := make(chan struct{})
	close(done)
	return done
}

func (settlesWhenDone) Err() error { return context.Canceled }
