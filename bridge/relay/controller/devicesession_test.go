package controller_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"

	"github.com/stretchr/testify/require"
)

// doing is a device whose Do is a function.
type doing struct {
	do    func(context.Context, controller.Request, func() error) (relay.Level, error)
	ended chan struct{} // closed by Close
}

func (d *doing) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	return d.do(ctx, r, before)
}

func (d *doing) Close() error {
	close(d.ended)
	return nil
}

// over runs a test on a session over a device with the function do, on virtual time.
func over(t *testing.T, do func(context.Context, controller.Request, func() error) (relay.Level, error),
	test func(*testing.T, controller.Session)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d := &doing{do, make(chan struct{})}
		s := controller.NewDeviceSession(d, time.Second)
		test(t, s)
		s.Stop(true)
		<-d.ended
		require.Error(t, s.Start(controller.NewPendingRequest(), controller.Request{}, nil), "nothing after the end")
	})
}

// If an answer arrives in the same instant as its time-out, either may win. An answer that was accepted never ends the
// session.
func TestCallsAnswerAtTheTimeout(t *testing.T) {
	const limit = time.Second
	for range 300 { // either of the two may come first
		over(t, func(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
			if err := before(); err != nil {
				return relay.LevelUnknown, err
			}
			<-time.After(limit)
			return relay.LevelOpen, nil
		}, func(t *testing.T, s controller.Session) {
			c := controller.NewPendingRequest()
			require.NoError(t, s.Start(c, controller.Request{Op: controller.Read}, nil))
			_, err := c.Wait(nil)
			synctest.Wait()
			require.Equal(t, err != nil, s.Cause() != nil, "answer %v, session %v", err, s.Cause())
		})
	}
}

func TestCallsAnswer(t *testing.T) {
	over(t, func(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
		if err := before(); err != nil {
			return relay.LevelUnknown, err
		}
		<-time.After(300 * time.Millisecond)
		return relay.LevelOpen, nil
	}, func(t *testing.T, s controller.Session) {
		c, began, passed := controller.NewPendingRequest(), time.Now(), 0
		require.NoError(t, s.Start(c, controller.Request{Op: controller.Read}, func() error { passed++; return nil }))
		require.Equal(t, began, c.Sent)
		a, err := c.Wait(nil)
		require.NoError(t, err)
		require.Equal(t, relay.LevelOpen, a.Level)
		require.Equal(t, 300*time.Millisecond, a.At.Sub(began))
		require.Equal(t, 1, passed)
	})
}

func TestCallsForbidden(t *testing.T) {
	wrote := 0
	over(t, func(_ context.Context, _ controller.Request, before func() error) (relay.Level, error) {
		if err := before(); err != nil {
			return relay.LevelUnknown, err
		}
		wrote++
		return relay.LevelClosed, nil
	}, func(t *testing.T, s controller.Session) {
		require.ErrorIs(t, s.Start(controller.NewPendingRequest(), controller.Request{Op: controller.Open},
			func() error { return relay.ErrLate }), relay.ErrLate)
		synctest.Wait()
		require.Zero(t, wrote)
		require.NoError(t, s.Cause(), "the session has not failed")
		c := controller.NewPendingRequest()
		require.NoError(t, s.Start(c, controller.Request{Op: controller.Close}, nil))
		_, err := c.Wait(nil)
		require.NoError(t, err)
	})
}

func TestCallsRefusal(t *testing.T) {
	no := errors.New("no")
	over(t, func(_ context.Context, _ controller.Request, before func() error) (relay.Level, error) {
		if err := before(); err != nil {
			return relay.LevelUnknown, err
		}
		return relay.LevelUnknown, &controller.Refusal{Cause: no, Sure: true}
	}, func(t *testing.T, s controller.Session) {
		c := controller.NewPendingRequest()
		require.NoError(t, s.Start(c, controller.Request{Op: controller.Open}, nil))
		_, err := c.Wait(nil)
		require.ErrorIs(t, err, no)
		require.NotErrorIs(t, err, relay.ErrNoAnswer)
		require.NoError(t, s.Cause(), "the session continues")
	})
}

// A request that failed before anything was written was certainly not done. One that failed afterwards may have been
// done.
func TestCallsFail(t *testing.T) {
	broken := errors.New("broken")
	for _, wrote := range []bool{false, true} {
		over(t, func(_ context.Context, _ controller.Request, before func() error) (relay.Level, error) {
			if wrote {
				if err := before(); err != nil {
					return relay.LevelUnknown, err
				}
			}
			return relay.LevelUnknown, broken
		}, func(t *testing.T, s controller.Session) {
			c := controller.NewPendingRequest()
			err := s.Start(c, controller.Request{Op: controller.Open}, nil)
			if wrote {
				require.NoError(t, err)
				_, err = c.Wait(nil)
				require.ErrorIs(t, err, relay.ErrNoAnswer)
			} else {
				require.ErrorIs(t, err, relay.ErrUnreachable)
				require.NotErrorIs(t, err, relay.ErrNoAnswer)
			}
			require.ErrorIs(t, err, broken)
			<-s.Dead()
			require.ErrorIs(t, s.Cause(), broken)
		})
	}
}

// A call that never returns ends the session at its time-out, and with the session its other calls.
func TestCallsHang(t *testing.T) {
	for _, wrote := range []bool{false, true} {
		var hung chan struct{} // closed when the test releases the call
		over(t, func(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
			if r.Op == controller.Read {
				if err := before(); err != nil {
					return relay.LevelUnknown, err
				}
				<-ctx.Done()
				return relay.LevelUnknown, ctx.Err()
			}
			if wrote {
				if err := before(); err != nil {
					return relay.LevelUnknown, err
				}
			}
			<-hung
			return relay.LevelOpen, before() // called after the request was given up
		}, func(t *testing.T, s controller.Session) {
			hung = make(chan struct{}) // must belong to this bubble
			other, began := controller.NewPendingRequest(), time.Now()
			c, passed := controller.NewPendingRequest(), 0
			started := make(chan error, 1) // read below
			go func() {
				started <- s.Start(c, controller.Request{Op: controller.Open}, func() error { passed++; return nil })
			}()
			<-time.After(time.Millisecond)
			require.NoError(t, s.Start(other, controller.Request{Op: controller.Read}, nil))
			err := <-started
			if wrote {
				require.NoError(t, err)
				_, err = c.Wait(nil)
				require.ErrorIs(t, err, relay.ErrNoAnswer)
				require.Equal(t, 1, passed)
			} else {
				require.ErrorIs(t, err, relay.ErrUnreachable)
				require.Zero(t, passed)
			}
			require.Equal(t, time.Second, time.Since(began))
			_, err = other.Wait(nil)
			require.ErrorIs(t, err, relay.ErrNoAnswer)
			close(hung)
			synctest.Wait()
			require.LessOrEqual(t, passed, 1, "an opening that was given up is not written")
		})
	}
}

// Stop waits for the pending requests.
func TestCallsStopWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &doing{ended: make(chan struct{})}
		d.do = func(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
			if err := before(); err != nil {
				return relay.LevelUnknown, err
			}
			<-time.After(time.Duration(r.Contact) * 100 * time.Millisecond)
			return relay.LevelUnknown, nil
		}
		s := controller.NewDeviceSession(d, time.Second)
		began := time.Now()
		for n := range 3 {
			require.NoError(t, s.Start(controller.NewPendingRequest(),
				controller.Request{Op: controller.Open, Contact: n + 1},
				nil))
		}
		s.Stop(true)
		require.Equal(t, 300*time.Millisecond, time.Since(began))
	})
}

// Stop waits for a hanging request for at most the time-out.
func TestCallsStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// hung is closed when the test releases the call
		hung, d := make(chan struct{}), &doing{ended: make(chan struct{})}
		d.do = func(_ context.Context, _ controller.Request, before func() error) (relay.Level, error) {
			if err := before(); err != nil {
				return relay.LevelUnknown, err
			}
			<-hung
			return relay.LevelUnknown, nil
		}
		s := controller.NewDeviceSession(d, time.Second)
		require.NoError(t, s.Start(controller.NewPendingRequest(), controller.Request{Op: controller.Open}, nil))
		began := time.Now()
		s.Stop(true)
		require.Equal(t, time.Second, time.Since(began))
		close(hung)
	})
}
