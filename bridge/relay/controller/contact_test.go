package controller_test

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

func background(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// TestUnorderedCloseIsRepeated checks that, if requests may overtake each other, a close that was written before the
// answer to an opening is repeated after the opening.
func TestUnorderedCloseIsRepeated(t *testing.T) {
	b := newTestController(false)
	d := newDriver(t, b, true, controller.Options{Unordered: true, Poll: time.Hour}, nil)
	d.group.Start()
	require.NoError(t, d.group.Ready(background(t)))
	const late = 80 * time.Millisecond
	b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: late})
	result := make(chan relay.Result, 1) // read at the end
	go func() {
		result <- d.contacts[0].Interrupt(background(t), relay.Interruption{Seq: 1, Duration: 5 * time.Second,
			NotAfter: time.Now().Add(time.Second)})
	}()
	require.Eventually(t, func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.faults) == 0 }, time.Second,
		time.Millisecond)
	require.NoError(t, d.contacts[0].Close(background(t)))
	closed := time.Since(b.began)
	<-result
	b.mu.Lock()
	defer b.mu.Unlock()
	require.False(t, b.open[0])
	for _, c := range b.changes[0] {
		require.Less(t, c.At, closed, "it moved after the close was confirmed: %v", b.changes[0])
	}
}

// lateRead is a test controller. Once late is set, its next reading is answered long after it was taken.
type lateRead struct {
	*testDevice
	late *atomic.Bool
}

func (l lateRead) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	level, err := l.testDevice.Do(ctx, r, before)
	if r.Op == controller.Read && l.late.CompareAndSwap(true, false) {
		<-time.After(timeout / 2)
	}
	return level, err
}

// A reading that was taken before an opening, but is answered while the opening waits for its turn, does not concern
// the opening. The opening is not cut short, and no notice is given.
func TestAReadingFromBeforeAnOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, late := newTestController(false), new(atomic.Bool)
		var notices []relay.Notice // appended in the bubble, while nothing else runs
		c := controller.New(controller.Options{Name: "bench", At: "here", Timeout: timeout, Poll: time.Second,
			Notify: func(n relay.Notice) { notices = append(notices, n) },
			Connect: func(context.Context) (controller.Session, error) {
				p := &testDevice{b, 0, make(chan struct{}), new(sync.Once)}
				return controller.NewDeviceSession(lateRead{p, late}, timeout), nil
			}})
		contact, err := c.Contact(controller.ContactOptions{Name: relaytest.LineA,
			Claim: relaytest.ProcessName(t.Name())})
		require.NoError(t, err)
		var group controller.Group
		group.Add(c)
		group.Start()
		require.NoError(t, group.Ready(background(t)))
		notices = nil
		b.Move(0, true)
		late.Store(true)
		for late.Load() { // until the poll has taken its reading
			<-time.After(time.Millisecond)
		}
		b.Move(0, false)
		before := len(b.Changes(0))
		r := contact.Interrupt(background(t), relay.Interruption{Seq: 1, Duration: timeout,
			NotAfter: time.Now().Add(time.Second)})
		require.Equal(t, relay.Done, r.Outcome, r.Err)
		<-time.After(timeout)
		moved := b.Changes(0)[before:]
		require.Len(t, moved, 2)
		require.GreaterOrEqual(t, moved[1].At-moved[0].At, timeout)
		require.Empty(t, notices)
		group.Shutdown(background(t))
	})
}
