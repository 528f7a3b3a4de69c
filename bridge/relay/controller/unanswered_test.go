package controller_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// onHeld runs a test on a controller that serves each request separately, on virtual time. When the test begins, the
// controller still holds a request of the given line's contact that closes. That request's connection has ended.
// Another close was confirmed on the next one, at the given instant, so that only the held request keeps an opening
// waiting.
func onHeld(t *testing.T, line int, request func(*controller.Contact, context.Context) error,
	test func(t *testing.T, b *testController, d *driver, confirmed time.Time)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, false, controller.Options{Poll: time.Hour, NoLock: true, Unordered: true},
			func(o *controller.ContactOptions) { o.Try = controller.TryWithZeroLength })
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		b.Inject(relaytest.Fault{Do: relaytest.StallRequest, On: relaytest.Any, Once: true})
		held := make(chan struct{}) // closed when the request has returned
		go func() {
			_ = request(d.contacts[line], t.Context())
			close(held)
		}()
		synctest.Wait()
		require.Equal(t, 1, b.Stalled())
		b.Inject(relaytest.Fault{Do: relaytest.Hangup, On: relaytest.Any, Once: true})
		_, err := d.contacts[1-line].Read(t.Context())
		require.ErrorIs(t, err, errGone)
		<-held
		synctest.Wait() // the lost connection is noticed
		require.NoError(t, d.group.Ready(background(t)))
		test(t, b, d, time.Now())
		b.Release()
		d.group.Shutdown(background(t))
	})
}

// onUnordered runs a test, on virtual time, with contacts whose controller may carry out requests in another order.
func onUnordered(t *testing.T, test func(t *testing.T, b *testController, d *driver)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, true, controller.Options{Poll: time.Hour, NoLock: true, Unordered: true}, nil)
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		test(t, b, d)
		d.group.Shutdown(background(t))
	})
}

// stalled is how long a request stalls, as seen with a device that has a thread for each request.
const stalled = 23 * time.Millisecond

// opensAt releases the stalled requests after that time, and checks that the opening that waits is made at an instant.
func opensAt(t *testing.T, b *testController, result <-chan relay.Result, at time.Time) {
	t.Helper()
	<-time.After(stalled)
	require.False(t, b.isOpen(0))
	b.Release()
	r := <-result
	require.Equal(t, relay.Done, r.Outcome, r.Err)
	openFor(t, b.Changes(0), asked, asked)
	require.Equal(t, at, b.began.Add(b.Changes(0)[0].At))
}

// start begins an opening of a contact and waits until it is written, or cannot be written yet.
func start(t *testing.T, c *controller.Contact, i relay.Interruption) <-chan relay.Result {
	t.Helper()
	result := make(chan relay.Result, 1) // the test may have failed by then
	go func() { result <- c.Interrupt(t.Context(), i) }()
	synctest.Wait()
	return result
}

// A controller may carry out a close whose connection has ended while the next opening is under way, which it would
// then end. The opening is not written before the time-out has passed since the next close was confirmed. A Try closes
// too.
func TestOpeningWaitsForACloseOfALostConnection(t *testing.T) {
	for name, request := range map[string]func(*controller.Contact, context.Context) error{
		"close": (*controller.Contact).Close, "try": (*controller.Contact).Try,
	} {
		t.Run(name, func(t *testing.T) {
			onHeld(t, 0, request, func(t *testing.T, b *testController, d *driver, confirmed time.Time) {
				opensAt(t, b, start(t, d.contacts[0], opening(1)), confirmed.Add(timeout))
			})
		})
	}
}

// A controller that stood still for longer than several time-outs carries out its old closes when it answers again.
func TestOpeningAfterAStandstill(t *testing.T) {
	onUnordered(t, func(t *testing.T, b *testController, d *driver) {
		b.Inject(relaytest.Fault{Do: relaytest.StallRequest, On: relaytest.Closing, Once: true})
		b.Inject(relaytest.Fault{Do: relaytest.Ignore, On: relaytest.Closing})
		closed := make(chan error, 1) // read below
		go func() { closed <- d.contacts[0].Close(background(t)) }()
		<-time.After(10 * timeout)
		require.Equal(t, 1, b.Stalled())
		b.Clear()
		require.NoError(t, <-closed)
		confirmed := time.Now()
		opensAt(t, b, start(t, d.contacts[0], opening(1)), confirmed.Add(timeout))
	})
}

// The wait ends at the opening's NotAfter, and the opening is dropped.
func TestOpeningIsLateAfterAClose(t *testing.T) {
	shut := (*controller.Contact).Close
	for early, want := range map[time.Duration]error{0: nil, 1: relay.ErrLate, timeout: relay.ErrLate} {
		onHeld(t, 0, shut, func(t *testing.T, b *testController, d *driver, confirmed time.Time) {
			i := opening(1)
			i.NotAfter = confirmed.Add(timeout - early)
			if want == nil {
				i.NotAfter = i.NotAfter.Add(1) // at the same instant, either of the two may come first
			}
			began, end := time.Now(), i.NotAfter
			r := <-start(t, d.contacts[0], i)
			require.ErrorIs(t, r.Err, want)
			if want == nil {
				require.Equal(t, relay.Done, r.Outcome)
				return
			}
			require.Equal(t, relay.Refused, r.Outcome)
			require.ErrorContains(t, r.Err, "an earlier close has no answer, and may still be carried out")
			require.Equal(t, max(0, end.Sub(began)), time.Since(began))
			require.Empty(t, b.Changes(0))
		})
	}
}

// A close withdraws an opening that waits, and is confirmed at once.
func TestCloseDoesNotWaitForACloseOfALostConnection(t *testing.T) {
	onHeld(t, 0, (*controller.Contact).Close, func(t *testing.T, b *testController, d *driver, _ time.Time) {
		began, result := time.Now(), start(t, d.contacts[0], opening(1))
		require.NoError(t, d.contacts[0].Close(t.Context()))
		r := <-result
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrStopped)
		require.Zero(t, time.Since(began))
		require.Empty(t, b.Changes(0))
	})
}

// An opening that waits is refused when its connection is lost.
func TestConnectionLostWhileAnOpeningWaits(t *testing.T) {
	onHeld(t, 0, (*controller.Contact).Close, func(t *testing.T, b *testController, d *driver, _ time.Time) {
		began, result := time.Now(), start(t, d.contacts[0], opening(1))
		b.Inject(relaytest.Fault{Do: relaytest.Hangup, On: relaytest.Any, Once: true})
		_, err := d.contacts[1].Read(t.Context())
		require.Error(t, err)
		r := <-result
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrUnreachable)
		require.Zero(t, time.Since(began))
		require.Empty(t, b.Changes(0))
	})
}

// A close of one contact does not delay the opening of another one, even if that opening begins after one that waits.
func TestOtherContactsDoNotWait(t *testing.T) {
	for line := range 2 {
		onHeld(t, line, (*controller.Contact).Close, func(t *testing.T, b *testController, d *driver, _ time.Time) {
			result := start(t, d.contacts[line], opening(1))
			other := start(t, d.contacts[1-line], opening(1))
			require.False(t, b.isOpen(line))
			require.True(t, b.isOpen(1-line))
			require.Equal(t, relay.Done, (<-other).Outcome)
			require.Equal(t, relay.Done, (<-result).Outcome)
		})
	}
}

// A close whose caller has given up counts until its answer, even though a later one was confirmed on the same
// connection.
func TestOpeningWaitsForACloseThatWasGivenUp(t *testing.T) {
	onUnordered(t, func(t *testing.T, b *testController, d *driver) {
		b.Inject(relaytest.Fault{Do: relaytest.StallRequest, On: relaytest.Closing, Once: true})
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		require.Error(t, d.contacts[0].Close(ctx))
		require.NoError(t, d.contacts[0].Close(t.Context()))
		result := start(t, d.contacts[0], opening(1))
		opensAt(t, b, result, time.Now().Add(stalled)) // the answer ends the wait
	})
}

// A refusal is an answer.
func TestOpeningAfterARefusedClose(t *testing.T) {
	onUnordered(t, func(t *testing.T, b *testController, d *driver) {
		b.Inject(relaytest.Fault{Do: relaytest.Refuse, On: relaytest.Closing, Once: true})
		require.NoError(t, d.contacts[0].Close(t.Context()))
		began := time.Now()
		require.Equal(t, relay.Done, (<-start(t, d.contacts[0], opening(1))).Outcome)
		require.Equal(t, began, b.began.Add(b.Changes(0)[0].At))
	})
}
