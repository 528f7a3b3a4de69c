package relaytest

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

func TestFake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := NewFake(relay.KindWatchdog)
		require.Equal(t, relay.KindWatchdog, f.Kind())
		errOdd := errors.New("odd")
		f.Script(Step{Outcome: relay.Refused}, Step{Outcome: relay.Unknown, Err: errOdd},
			Step{Outcome: relay.Done, Delay: time.Second})
		begin := time.Now()
		opened := 0
		i := relay.Interruption{Seq: 1, Duration: 800 * time.Millisecond, NotAfter: begin.Add(10 * time.Second),
			Opened: func(time.Time) { opened++ }}

		require.ErrorIs(t, f.Interrupt(t.Context(), i).Err, relay.ErrRefused)
		require.False(t, f.Open())
		r := f.Interrupt(t.Context(), i)
		require.Equal(t, relay.Unknown, r.Outcome)
		require.ErrorIs(t, r.Err, errOdd)
		require.True(t, f.Open())
		f.FailClose(errOdd, errOdd, nil)
		ended, end := context.WithCancel(t.Context())
		end()
		require.ErrorIs(t, f.Close(ended), errOdd)
		require.True(t, f.Open())
		closing := time.Now()
		require.NoError(t, f.Close(t.Context()))
		require.Equal(t, relay.CloseEvery, time.Since(closing), "a failed attempt is repeated")
		level, err := f.Read(t.Context())
		require.NoError(t, err)
		require.Equal(t, relay.LevelClosed, level)

		require.Equal(t, relay.Result{Outcome: relay.Done, OpenFor: 800 * time.Millisecond},
			f.Interrupt(t.Context(), i))
		require.Equal(t, 1800*time.Millisecond+relay.CloseEvery, time.Since(begin))
		require.Equal(t, 1, opened)

		i.NotAfter = time.Now().Add(-1)
		require.ErrorIs(t, f.Interrupt(t.Context(), i).Err, relay.ErrLate)
		calls := f.Calls()
		require.Len(t, calls, 7)
		calls[0].Name = "changed"
		require.Equal(t, "interrupt", f.Calls()[0].Name, "a copy is given out")
	})
}

func TestFakeEndsEarly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := NewFake(relay.KindNone)
		end := map[string]func(context.CancelFunc){
			"cancel": func(c context.CancelFunc) { c() },
			"close": func(context.CancelFunc) {
				require.NoError(t, f.Close(t.Context()))
				require.NoError(t, f.Close(t.Context()))
			},
		}
		for name, e := range end {
			ctx, cancel := context.WithCancel(t.Context())
			result := make(chan relay.Result)
			go func() {
				result <- f.Interrupt(ctx, relay.Interruption{Duration: time.Hour, NotAfter: time.Now().Add(time.Hour)})
			}()
			synctest.Wait()
			require.True(t, f.Open(), name)
			require.ErrorIs(t, f.Interrupt(ctx, relay.Interruption{Duration: time.Hour}).Err, relay.ErrRefused, name)
			<-time.After(time.Second)
			e(cancel)
			require.Equal(t, relay.Result{Outcome: relay.Done, OpenFor: time.Second}, <-result, name)
			require.False(t, f.Open(), name)
			cancel()
		}
	})
}

func TestFakeSenses(t *testing.T) {
	f := NewFake(relay.KindNone)
	_, err := f.Sense(t.Context())
	require.ErrorIs(t, err, relay.ErrNoSense)
	f.SenseBy(func(open bool) (relay.Level, error) {
		if open {
			return relay.LevelOpen, nil
		}
		return relay.LevelClosed, nil
	})
	level, err := f.Sense(t.Context())
	require.NoError(t, err)
	require.Equal(t, relay.LevelClosed, level)
	f.Script(Step{Outcome: relay.Unknown})
	f.Interrupt(t.Context(), relay.Interruption{Duration: time.Second, NotAfter: time.Now().Add(time.Hour)})
	level, err = f.Sense(t.Context())
	require.NoError(t, err)
	require.Equal(t, relay.LevelOpen, level)
	require.Len(t, f.SenseTimes(), 3)
}

// A gauge that has just started has measured nothing, even if its goroutine has not run yet.
func TestGaugeBegins(t *testing.T) {
	stop := make(chan struct{}) // closed when the test ends
	g := newGauge(time.Hour, func() { <-stop })
	total, recent := g.total(), g.recentMax()
	close(stop)
	g.end()
	require.Zero(t, total)
	require.LessOrEqual(t, recent, time.Duration(0))
}
