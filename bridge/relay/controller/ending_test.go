package controller

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
)

// ending is a device that detects its own end and can discard undelivered data.
type ending struct {
	gone          chan struct{}
	cause         error
	closed, reset int
}

func (*ending) Do(context.Context, Request, func() error) (relay.Level, error) {
	return relay.LevelClosed, nil
}

func (e *ending) Close() error          { e.closed++; return nil }
func (e *ending) Reset()                { e.reset++ }
func (e *ending) Gone() <-chan struct{} { return e.gone }
func (e *ending) Cause() error          { return e.cause }

// A connection that ends between two requests ends the session at once, not at the next request.
func TestDeviceEndsByItself(t *testing.T) {
	e := &ending{gone: make(chan struct{}), cause: errors.New("the cable was cut")}
	s := NewDeviceSession(e, time.Second)
	select {
	case <-s.Dead():
		t.Fatal("dead at the start")
	default:
	}
	close(e.gone)
	<-s.Dead()
	require.ErrorIs(t, s.Cause(), e.cause)
	require.ErrorIs(t, s.Start(NewPendingRequest(), Request{Op: Open}, nil), relay.ErrUnreachable)
	s.Stop(true)
	require.Equal(t, 1, e.reset, "after a failure")
	require.Zero(t, e.closed)
}

func TestOrderlyEndIsNoReset(t *testing.T) {
	e := &ending{gone: make(chan struct{})}
	s := NewDeviceSession(e, time.Second)
	s.Stop(false)
	require.Equal(t, 1, e.closed)
	require.Zero(t, e.reset)
	<-s.Dead()
}
