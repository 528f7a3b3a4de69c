package controller_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// An opening that is asked for before the first connection waits for it, but not past its NotAfter, and not once it has
// been withdrawn. The connection begins with a close all the same.
func TestOpeningBeforeTheFirstConnection(t *testing.T) {
	const connected = time.Second
	for name, c := range map[string]struct {
		notAfter time.Duration
		end      func(withdraw func(), c *controller.Contact) // called before the connection
		want     error
		done     []controller.Op // before the controller is shut down
	}{
		"in time": {notAfter: 2 * connected, done: []controller.Op{controller.Close, controller.Open, controller.Close}},
		"late":    {notAfter: connected / 2, want: relay.ErrUnreachable, done: []controller.Op{controller.Close}},
		"withdrawn": {notAfter: 2 * connected, end: func(withdraw func(), _ *controller.Contact) { withdraw() },
			want: relay.ErrStopped, done: []controller.Op{controller.Close}},
		"closed": {notAfter: 2 * connected, end: func(_ func(), c *controller.Contact) { go c.Close(context.Background()) },
			want: relay.ErrStopped, done: []controller.Op{controller.Close}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := atOnce(func(*dialled, controller.Op) error { return nil })
				b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, Poll: time.Hour,
					NoLock: true, Connect: func(context.Context) (controller.Session, error) {
						<-time.After(connected)
						return controller.NewDeviceSession(p, time.Second), nil
					}})
				line, err := b.Contact(controller.ContactOptions{Name: "box-office", Kind: relay.KindWatchdog})
				require.NoError(t, err)
				b.Start()
				ctx, withdraw := context.WithCancel(t.Context())
				defer withdraw()
				if c.end != nil {
					time.AfterFunc(connected/2, func() { c.end(withdraw, line) })
				}
				r := line.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 250 * time.Millisecond,
					NotAfter: time.Now().Add(c.notAfter)})
				if c.want == nil {
					require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
				} else {
					require.Equal(t, relay.Refused, r.Outcome)
					require.ErrorIs(t, r.Err, c.want)
				}
				<-time.After(2 * connected)
				p.mu.Lock()
				require.Equal(t, c.done, p.done)
				p.mu.Unlock()
				require.Empty(t, b.Shutdown(t.Context()))
			})
		})
	}
}
