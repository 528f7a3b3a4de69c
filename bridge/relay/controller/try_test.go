package controller_test

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"

	"github.com/stretchr/testify/require"
)

// zeroOpens is a test controller on which an opening of length 0 has no end.
type zeroOpens struct {
	*testDevice
	tries *atomic.Int32
}

func (z zeroOpens) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	if r.Op != controller.Try {
		return z.testDevice.Do(ctx, r, before)
	}
	r.Op = controller.Open
	return z.testDevice.Do(ctx, r, func() error {
		err := before()
		if err == nil {
			z.tries.Add(1)
		}
		return err
	})
}

// onZeroOpens runs a test on a started contact of such a device, on virtual time.
func onZeroOpens(t *testing.T, trial controller.TryMode, test func(*testing.T, *testController, *controller.Contact,
	*atomic.Int32)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b, tries := newTestController(false), new(atomic.Int32)
		c := controller.New(controller.Options{Name: "bench", At: "here", Timeout: timeout, Poll: time.Hour,
			NoLock: true,
			Connect: func(context.Context) (controller.Session, error) {
				return controller.NewDeviceSession(zeroOpens{&testDevice{b, 0, make(chan struct{}), new(sync.Once)},
					tries}, timeout), nil
			}})
		contact, err := c.Contact(controller.ContactOptions{Name: "box-office", Try: trial})
		require.NoError(t, err)
		c.Start()
		defer func() { require.Empty(t, c.Shutdown(background(t))) }()
		require.NoError(t, c.Ready(background(t)))
		test(t, b, contact, tries)
	})
}

// A device that breaks the contract and opens at a length of 0 is closed at once, and Try returns an error.
func TestTryThatOpensIsClosed(t *testing.T) {
	onZeroOpens(t, controller.TryWithZeroLength, func(t *testing.T, b *testController, c *controller.Contact,
		_ *atomic.Int32) {
		err := c.Try(t.Context())
		require.ErrorIs(t, err, relay.ErrReadBack)
		require.False(t, b.isOpen(0))
	})
}

// A command that might open the loop is not tried.
func TestTryThatMightOpenIsRefused(t *testing.T) {
	for trial, want := range map[controller.TryMode]error{controller.TryNever: relay.ErrCannotTry,
		controller.TryByClosing: nil} {
		onZeroOpens(t, trial, func(t *testing.T, b *testController, c *controller.Contact, tries *atomic.Int32) {
			require.True(t, errors.Is(c.Try(t.Context()), want))
			require.Zero(t, tries.Load())
			require.Empty(t, b.Changes(0))
		})
	}
}

// Try does not cut an opening short.
func TestTryWhileOpen(t *testing.T) {
	onZeroOpens(t, controller.TryWithZeroLength, func(t *testing.T, b *testController, c *controller.Contact,
		tries *atomic.Int32) {
		result := make(chan relay.Result, 1) // read below
		go func() { result <- c.Interrupt(t.Context(), opening(1)) }()
		<-time.After(asked / 2)
		require.Error(t, c.Try(t.Context()))
		require.Equal(t, relay.Done, (<-result).Outcome)
		require.Zero(t, tries.Load())
		openFor(t, b.Changes(0), asked, asked+10*time.Millisecond)
	})
}
