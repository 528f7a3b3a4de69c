package controller_test

import (
	"context"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"

	"github.com/stretchr/testify/require"
)

// attempts records a controller's attempts to connect and its notices. Its device works; only its connections fail.
type attempts struct {
	mu      sync.Mutex
	device  *dialled
	fail    error // the error of the next attempts
	hang    time.Duration
	at      []time.Time // the time of each attempt
	stops   []bool      // for each session, whether it was stopped with a reset
	notices []relay.Notice
	lose    chan struct{} // closed to end the session in use
}

// attempted is one session of attempts.
type attempted struct {
	controller.Session
	of *attempts
}

func (s attempted) Stop(reset bool) {
	s.of.mu.Lock()
	s.of.stops = append(s.of.stops, reset)
	s.of.mu.Unlock()
	s.Session.Stop(reset)
}

// losable is a device whose connection can be ended.
type losable struct {
	*dialled
	gone chan struct{}
}

func (l losable) Gone() <-chan struct{} { return l.gone }
func (l losable) Cause() error          { return errGone }

func (a *attempts) connect(context.Context) (controller.Session, error) {
	a.mu.Lock()
	a.at = append(a.at, time.Now())
	fail, hang := a.fail, a.hang
	a.lose = make(chan struct{})
	lose := a.lose
	a.mu.Unlock()
	<-time.After(hang)
	if fail != nil {
		return nil, fail
	}
	return attempted{controller.NewDeviceSession(losable{a.device, lose}, time.Second), a}, nil
}

// fails ends the connection and makes the next attempts fail with err.
func (a *attempts) fails(err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.fail, a.at = err, nil
	close(a.lose)
}

func (a *attempts) tried() []time.Time {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.at)
}

func (a *attempts) told() (kinds []relay.NoticeKind) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, n := range a.notices {
		kinds = append(kinds, n.Kind)
	}
	return kinds
}

// onAttempts runs a started controller with two contacts on virtual time.
func onAttempts(t *testing.T, change func(*controller.Options, *controller.ContactOptions),
	test func(*testing.T, *attempts, *controller.Controller, [2]*controller.Contact)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		a := &attempts{device: atOnce(func(*dialled, controller.Op) error { return nil })}
		o := controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour, NoLock: true,
			Connect: a.connect,
			Notify:  func(n relay.Notice) { a.mu.Lock(); defer a.mu.Unlock(); a.notices = append(a.notices, n) }}
		var co controller.ContactOptions
		if change != nil {
			change(&o, &co)
		}
		b := controller.New(o)
		var contacts [2]*controller.Contact
		for i, name := range []string{"box-office", "stage-door"} {
			var err error
			co.Name = name
			contacts[i], err = b.Contact(co)
			require.NoError(t, err)
		}
		b.Start()
		require.NoError(t, b.Ready(t.Context()))
		test(t, a, b, contacts)
		b.Shutdown(background(t))
	})
}

// TestPausesBetweenConnections checks that the pauses double up to 2 s, that each is shortened by up to a quarter, and
// that they start again after a connection.
func TestPausesBetweenConnections(t *testing.T) {
	shortest, longest := map[time.Duration]float64{}, map[time.Duration]float64{} // as fractions of the full pause
	for range 20 {
		onAttempts(t, nil, func(t *testing.T, a *attempts, b *controller.Controller, _ [2]*controller.Contact) {
			for range 2 {
				lost := time.Now()
				a.fails(errNo)
				<-time.After(20 * time.Second)
				tried := append([]time.Time{lost}, a.tried()...)
				pause := 100 * time.Millisecond
				for i := range tried[1:] {
					share := float64(tried[i+1].Sub(tried[i])) / float64(pause)
					require.LessOrEqual(t, share, 1.0)
					require.GreaterOrEqual(t, share, 0.75)
					if shortest[pause] == 0 {
						shortest[pause] = share
					}
					shortest[pause], longest[pause] = min(shortest[pause], share), max(longest[pause], share)
					pause = min(2*pause, 2*time.Second)
				}
				require.Greater(t, len(tried), 12)
				a.mu.Lock()
				a.fail = nil
				a.mu.Unlock()
				<-time.After(2 * time.Second)
				require.NoError(t, b.Ready(t.Context()))
			}
			require.Equal(t, []relay.NoticeKind{relay.LinkLost, relay.LinkBack, relay.LinkLost, relay.LinkBack},
				a.told())
		})
	}
	require.Len(t, shortest, 6)
	// There were about 400 of the longest pauses. The probability that chance misses one of these fractions is below 1
	// in 10^15.
	require.Less(t, shortest[2*time.Second], 0.775)
	require.Greater(t, longest[2*time.Second], 0.975)
}

// TestLostConnection checks that a connection that ends by itself is reset and reported with its reason and time, and
// that the same is done for the next one. The end of the daemon is not reported as a loss.
func TestLostConnection(t *testing.T) {
	onAttempts(t, nil, func(t *testing.T, a *attempts, b *controller.Controller, contacts [2]*controller.Contact) {
		<-time.After(time.Second)
		lost := time.Now()
		a.fails(nil)
		synctest.Wait()
		_, err := contacts[0].Read(t.Context())
		require.ErrorIs(t, err, relay.ErrUnreachable)
		require.ErrorIs(t, err, errGone)
		<-time.After(time.Second)
		require.Equal(t, []relay.NoticeKind{relay.LinkLost, relay.LinkBack}, a.told())
		a.mu.Lock()
		require.ErrorIs(t, a.notices[0].Err, errGone)
		require.ErrorContains(t, a.notices[0].Err, "controller loft at here: ")
		require.Equal(t, lost, a.notices[0].Since)
		require.Equal(t, lost, a.notices[1].Since)
		require.Equal(t, []bool{true}, a.stops)
		a.mu.Unlock()
		require.Empty(t, b.Shutdown(t.Context()))
		require.Len(t, a.told(), 2)
		require.Equal(t, []bool{true, false}, a.stops)
	})
}

// TestAwayForADay checks that a board or a broker that is away for a day causes one notice, with the time since when,
// and as few attempts as a board that is away for a minute. An opening in that time fails at once, and is not made when
// the connection is back: the contacts are closed then.
func TestAwayForADay(t *testing.T) {
	onAttempts(t, nil, func(t *testing.T, a *attempts, _ *controller.Controller, contacts [2]*controller.Contact) {
		<-time.After(time.Second)
		lost := time.Now()
		a.fails(errGone)
		for range 24 {
			<-time.After(time.Hour)
			asked := time.Now()
			require.ErrorIs(t, contacts[0].Interrupt(t.Context(), opening(1)).Err, relay.ErrUnreachable)
			require.Zero(t, time.Since(asked))
		}
		require.Equal(t, []relay.NoticeKind{relay.LinkLost}, a.told())
		// the longest pause is 2 s, and at least three quarters of it pass
		require.Less(t, len(a.tried()), 24*60*60*100/150+10)
		a.device.mu.Lock()
		a.device.done = nil
		a.device.mu.Unlock()
		a.mu.Lock()
		a.fail = nil
		a.mu.Unlock()
		<-time.After(time.Minute)
		require.Equal(t, []relay.NoticeKind{relay.LinkLost, relay.LinkBack}, a.told())
		a.mu.Lock()
		require.Equal(t, lost, a.notices[0].Since)
		a.mu.Unlock()
		a.device.mu.Lock()
		require.Equal(t, []controller.Op{controller.Close, controller.Close}, a.device.done)
		a.device.mu.Unlock()
		require.NoError(t, contacts[0].Interrupt(t.Context(), opening(2)).Err)
	})
}

// TestConnectionThatCannotClose checks that a connection on which the contacts cannot be closed or read back is not
// used.
func TestConnectionThatCannotClose(t *testing.T) {
	for _, op := range []controller.Op{controller.Close, controller.Read} {
		onAttempts(t, nil, func(t *testing.T, a *attempts, b *controller.Controller, contacts [2]*controller.Contact) {
			a.device.acts = func(_ context.Context, asked controller.Op) error {
				if asked == op {
					return errGone
				}
				return nil
			}
			a.fails(nil)
			<-time.After(5 * time.Second)
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			defer cancel()
			require.ErrorIs(t, b.Ready(ctx), errGone)
			require.ErrorIs(t, contacts[0].Interrupt(t.Context(), opening(1)).Err, relay.ErrUnreachable)
			require.Equal(t, []relay.NoticeKind{relay.LinkLost}, a.told())
			a.mu.Lock()
			defer a.mu.Unlock()
			require.NotContains(t, a.stops, false)
			require.InDelta(t, len(a.at), len(a.stops), 1, "each session was stopped; one may be under way")
		})
	}
}

// TestAWishForAConnection checks that a close without a connection ends the pause between attempts.
func TestAWishForAConnection(t *testing.T) {
	onAttempts(t, nil, func(t *testing.T, a *attempts, _ *controller.Controller, contacts [2]*controller.Contact) {
		a.fails(errNo)
		<-time.After(10 * time.Second) // the pauses are long by now
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		// The second case is while a close is owed, before its CloseRetrier tries again.
		for _, wish := range []time.Duration{0, 100 * time.Millisecond} {
			before := len(a.tried())
			<-time.After(wish)
			wished := time.Now()
			require.ErrorIs(t, contacts[0].Close(ended), errNo)
			synctest.Wait()
			tried := a.tried()
			require.Len(t, tried, before+1)
			require.Equal(t, wished, tried[before], "at once")
		}
		<-time.After(relay.CloseEvery * 10)
		tried := a.tried()
		for i := range tried[len(tried)-8:] {
			i += len(tried) - 8
			require.LessOrEqual(t, tried[i].Sub(tried[i-1]), relay.CloseEvery, "while a close is owed")
		}
	})
}

// TestAWishDuringAnAttempt checks that requests for a connection during an attempt lead to one more attempt right after
// it, if it fails.
func TestAWishDuringAnAttempt(t *testing.T) {
	onAttempts(t, nil, func(t *testing.T, a *attempts, _ *controller.Controller, contacts [2]*controller.Contact) {
		a.fails(errNo)
		<-time.After(10 * time.Second)
		a.mu.Lock()
		a.hang = 100 * time.Millisecond
		a.mu.Unlock()
		before := len(a.tried())
		for len(a.tried()) == before {
			<-time.After(time.Millisecond)
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		for i := range 4 {
			<-time.After(5 * time.Millisecond)
			require.ErrorIs(t, contacts[i%2].Close(ended), errNo)
		}
		<-time.After(220 * time.Millisecond) // each CloseRetrier tries again 250 ms after its first failure
		tried := a.tried()[before:]
		require.Len(t, tried, 2)
		require.Equal(t, 100*time.Millisecond, tried[1].Sub(tried[0]))
	})
}
