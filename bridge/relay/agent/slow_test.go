package agent

import (
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
)

// An opening counts from the output's confirmation, but a slow output adds at most 50 ms.
func TestSlowOutput(t *testing.T) {
	out := &output{slow: 30 * ms}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, 300*ms))
		sleep(time.Second)
		require.Equal(t, 300*ms, r.c.State().Measured)
		out.set(func() { out.slow = 150 * ms })
		require.NoError(t, r.pulse(2, 300*ms))
		sleep(time.Second)
		require.Equal(t, 200*ms, r.c.State().Measured, "350 ms from the call")
	})
}

// A master that reads the outcome also reads the length of that opening: both appear when the close is confirmed.
func TestOutcomeComesWithItsLength(t *testing.T) {
	for _, fails := range []error{nil, io.ErrUnexpectedEOF} {
		out := &output{}
		on(t, out, func(t *testing.T, r *testBed) {
			require.NoError(t, r.pulse(1, 300*ms))
			out.set(func() { out.slowGet, out.getFails = 20*ms, fails })
			sleep(310 * ms) // the close is under way
			require.False(t, out.isOpen())
			require.Equal(t, State{Level: relay.LevelOpen, Seq: 1, HasSeq: true, Last: OutcomeOpen, Pulses: 1},
				r.c.State())
			sleep(200 * ms)
			s := r.c.State()
			require.Equal(t, OutcomeDone, s.Last)
			if fails != nil {
				require.Equal(t, relay.LevelUnknown, s.Level)
				out.set(func() { out.getFails = nil })
				return
			}
			require.Equal(t, 320*ms, s.Measured)
		})
	}
}

// Requests without a pause do not delay the end of an opening.
func TestContinuousRequestsDelayNoClose(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		var asking sync.WaitGroup
		end := make(chan struct{}) // closed to end the requests
		out.set(func() { out.slowGet = 5 * ms })
		for range 8 {
			asking.Go(func() {
				for {
					select {
					case <-end:
						return
					default:
						_, _ = r.c.Read() // the test does not need the answers
					}
				}
			})
		}
		require.NoError(t, r.pulse(1, 300*ms))
		sleep(time.Second)
		close(end)
		asking.Wait()
		require.Len(t, out.lengths(), 1)
		require.InDelta(t, 300*ms, out.lengths()[0], float64(20*ms), "a read-back or two late")
	})
}

// A command that timed out for its caller has no later effect, and neither has a command that waited behind it.
func TestHungOutputOpensNothingLate(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		hang := make(chan struct{})
		out.set(func() { out.hang = hang })
		began := time.Now()
		behind := make(chan error, 1) // one result
		go func() {
			sleep(10 * ms)
			behind <- r.pulse(2, 2*time.Second)
		}()
		require.ErrorIs(t, r.pulse(1, 2*time.Second), ErrHung)
		require.Equal(t, answerWithin, time.Since(began))
		require.ErrorIs(t, r.pulse(3, time.Second), ErrHung, "at once")
		require.Equal(t, answerWithin, time.Since(began))
		require.ErrorIs(t, <-behind, ErrHung)
		require.NotZero(t, r.Health()&HealthThread)
		out.set(func() { out.hang = nil })
		close(hang)
		sleep(0)
		require.False(t, out.isOpen())
		require.Equal(t, relay.LevelClosed, r.c.State().Level)
		require.Equal(t, []time.Duration{0}, out.lengths())
		require.NoError(t, r.pulse(4, 100*ms))
		sleep(time.Second)
		require.Equal(t, []time.Duration{0, 100 * ms}, out.lengths())
	})
}

// A close whose caller timed out is done as soon as the output answers again.
func TestHungOutputIsClosedWhenItReturns(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		require.NoError(t, r.pulse(1, 2*time.Second))
		hang := make(chan struct{})
		out.set(func() { out.hangGet = hang })
		_, err := r.c.Read()
		require.ErrorIs(t, err, ErrHung)
		require.ErrorIs(t, r.c.Close(r.m), ErrHung, "at once")
		out.set(func() { out.hangGet = nil })
		close(hang)
		synctest.Wait()
		require.Equal(t, []time.Duration{answerWithin}, out.lengths())
		require.Equal(t, OutcomeClosed, r.c.State().Last)
	})
}
