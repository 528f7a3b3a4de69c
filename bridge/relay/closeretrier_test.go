package relay_test

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var errBoard = errors.New("the board says no")

// runningRetrier is a running CloseRetrier that records its attempts and notices.
type runningRetrier struct {
	*relay.CloseRetrier
	mu      sync.Mutex
	fail    bool
	tries   []time.Duration
	notices []relay.Notice
	start   time.Time
	owed    error // the result of Owed before Run started
}

func runRetrier(t *testing.T, fail bool) (*runningRetrier, func()) {
	k := &runningRetrier{fail: fail, start: time.Now()}
	k.CloseRetrier = relay.NewCloseRetrier(func(context.Context) error {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.tries = append(k.tries, time.Since(k.start))
		if k.fail {
			return errBoard
		}
		return nil
	}, func(n relay.Notice) {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.notices = append(k.notices, n)
	})
	k.owed = k.Owed()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		k.Run(ctx)
	}()
	return k, func() {
		cancel()
		<-done
		k.Stop()
	}
}

// did returns copies of the attempts and notices so far.
func (k *runningRetrier) did() ([]time.Duration, []relay.Notice) {
	synctest.Wait()
	k.mu.Lock()
	defer k.mu.Unlock()
	return slices.Clone(k.tries), slices.Clone(k.notices)
}

func TestCloseRetrierClosesAtTheStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, stop := runRetrier(t, false)
		defer stop()
		require.Error(t, k.owed, "the state of the contact is unknown")
		tries, notices := k.did()
		require.NoError(t, k.Owed())
		require.Equal(t, []time.Duration{0}, tries)
		require.Empty(t, notices, "neither an alarm nor its end")
		require.NoError(t, k.Wait(t.Context()))
	})
}

func TestCloseRetrierRepeatsAndReports(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, stop := runRetrier(t, true)
		defer stop()
		tries, notices := k.did()
		require.Len(t, tries, 1)
		require.Len(t, notices, 1, "an alarm at once")
		require.Equal(t, relay.CloseFailing, notices[0].Kind)
		require.ErrorIs(t, notices[0].Err, errBoard)

		<-time.After(relay.CloseEvery - time.Nanosecond)
		tries, _ = k.did()
		require.Len(t, tries, 1)
		<-time.After(time.Nanosecond)
		tries, _ = k.did()
		require.Len(t, tries, 2, "exactly %v later", relay.CloseEvery)

		<-time.After(relay.ReportEvery - relay.CloseEvery - time.Nanosecond)
		_, notices = k.did()
		require.Len(t, notices, 1)
		<-time.After(time.Nanosecond)
		tries, notices = k.did()
		require.Len(t, notices, 2, "and again after ReportEvery")
		require.Equal(t, notices[0].Since, notices[1].Since)
		require.Len(t, tries, 1+int(relay.ReportEvery/relay.CloseEvery))

		k.mu.Lock()
		k.fail = false
		k.mu.Unlock()
		require.NoError(t, k.Wait(t.Context()))
		_, notices = k.did()
		require.Len(t, notices, 3)
		require.Equal(t, relay.CloseConfirmed, notices[2].Kind)
	})
}

func TestCloseRetrierTriesAtOnceWhenOwed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, stop := runRetrier(t, false)
		defer stop()
		synctest.Wait()
		<-time.After(time.Hour)
		k.Owe(errBoard)
		tries, notices := k.did()
		require.Equal(t, []time.Duration{0, time.Hour}, tries)
		require.Len(t, notices, 2)
		require.NoError(t, k.Owed())
	})
}

func TestEarlierCloseSettlesNoLaterOne(t *testing.T) {
	k := relay.NewCloseRetrier(func(context.Context) error { return nil }, func(relay.Notice) {})
	before := k.Epoch()
	k.Owe(errBoard)
	k.Settle(before)
	require.ErrorIs(t, k.Owed(), errBoard)
	k.Settle(k.Epoch())
	require.NoError(t, k.Owed())
}

func TestCloseRetrierWait(t *testing.T) {
	k := relay.NewCloseRetrier(func(context.Context) error { return nil }, func(relay.Notice) {})
	k.Owe(errBoard)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	err := k.Wait(ctx)
	require.ErrorIs(t, err, errBoard)
	require.ErrorIs(t, err, context.Canceled)
	k.Stop()
	require.ErrorIs(t, k.Wait(context.Background()), errBoard, "no further attempt is made")
}

// A close that was already under way when a caller wanted the contact closed does not count for that caller.
func TestCloseRetrierRenew(t *testing.T) {
	k := relay.NewCloseRetrier(func(context.Context) error { return nil }, func(relay.Notice) {})
	before := k.Epoch()
	k.Renew()
	k.Settle(before)
	require.Error(t, k.Owed(), "that close may have been done before")
	k.Settle(k.Epoch())
	require.NoError(t, k.Owed())
	settled := k.Epoch()
	k.Renew()
	require.Equal(t, settled, k.Epoch(), "nothing is owed")
}

func TestSleepUntilIsNeverEarly(t *testing.T) {
	for _, d := range []time.Duration{-time.Second, 0, time.Microsecond, 300 * time.Microsecond, 3 * time.Millisecond} {
		until := time.Now().Add(d)
		relay.SleepUntil(until)
		require.False(t, time.Now().Before(until), d)
	}
	require.Less(t, relay.TimerWait(time.Now().Add(time.Second)), time.Second)
}

func TestLock(t *testing.T) {
	board := relaytest.ProcessName("modbus relays.example:502 unit 1 coil")
	one, err := relay.Lock(board + " 3")
	require.NoError(t, err)
	_, err = relay.Lock(board + " 3")
	require.ErrorIs(t, err, relay.ErrLocked)
	require.ErrorContains(t, err, "relays.example")
	other, err := relay.Lock(board + " 4")
	require.NoError(t, err)
	require.NoError(t, other.Close())
	require.NoError(t, one.Close())
	again, err := relay.Lock(board + " 3")
	require.NoError(t, err)
	require.NoError(t, again.Close())
}

func TestNoContact(t *testing.T) {
	var c relay.Contact = relay.NoContact{}
	r := c.Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: 800 * time.Millisecond,
		NotAfter: time.Now().Add(time.Second),
		Opened:   func(time.Time) { t.Error("Opened was called") }})
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrNoContact)
	require.ErrorContains(t, r.Err, "800ms")
	require.NoError(t, c.Close(t.Context()))
}

func TestNoticeWords(t *testing.T) {
	require.Equal(t, "timer failed", relay.TimerFailed.String())
	require.Equal(t, "unknown notice", relay.NoticeKind(99).String())
	require.True(t, relay.CloseFailing.Alarm())
	require.False(t, relay.LinkLost.Alarm())
}

// An alarm whose turn comes after the contact has been closed is not given, since no notice would ever end it.
func TestCloseRetrierNotifiesInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, stop := runRetrier(t, false)
		defer stop()
		_, _ = k.did()
		alarm := k.OweLater(errBoard)
		require.NoError(t, k.Wait(t.Context()))
		alarm()
		_, notices := k.did()
		require.Empty(t, notices)
		k.OweLater(errBoard)()
		require.NoError(t, k.Wait(t.Context()))
		_, notices = k.did()
		for i, n := range notices { // none if the contact was closed before the alarm's turn came
			require.Equal(t, []relay.NoticeKind{relay.CloseFailing, relay.CloseConfirmed}[i], n.Kind)
		}
		require.NotEqual(t, 1, len(notices))
	})
}
