package controller_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// A contact that cannot be read is closed at each poll, but not once an opening of it has been requested. If requests
// may overtake each other, that close could end the opening.
func TestAPollDoesNotCloseWhatIsToOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, false, controller.Options{Poll: 50 * time.Millisecond, NoLock: true},
			func(o *controller.ContactOptions) { o.Blind = true })
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: 100 * time.Millisecond})
		results := make(chan relay.Result, 2) // both are read below
		<-time.After(40 * time.Millisecond)
		go func() { results <- d.contacts[1].Interrupt(t.Context(), opening(1)) }()
		<-time.After(20 * time.Millisecond) // the poll waits for its turn behind that opening
		go func() { results <- d.contacts[0].Interrupt(t.Context(), opening(2)) }()
		synctest.Wait()
		before := len(b.requests(0))
		<-time.After(200 * time.Millisecond)
		require.Equal(t, []controller.Op{controller.Open}, b.requests(0)[before:])
		for range 2 {
			r := <-results
			require.Equal(t, relay.Done, r.Outcome, r.Err)
		}
		d.group.Shutdown(background(t))
	})
}

// requests returns the requests for a contact.
func (b *testController) requests(line int) (all []controller.Op) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.log {
		if r.Contact == line {
			all = append(all, r.Op)
		}
	}
	return all
}

// Nothing opens while Shutdown waits for the last close, even though the connection is up.
func TestNothingOpensWhileItShutsDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(false)
		d := newDriver(t, b, false, controller.Options{Poll: time.Hour, NoLock: true}, nil)
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		b.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Closing, Delay: timeout / 2})
		ended := make(chan []controller.NotClosed, 1) // read below
		go func() { ended <- d.group.Shutdown(background(t)) }()
		synctest.Wait()
		r := d.contacts[0].Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorIs(t, r.Err, relay.ErrStopped)
		require.Empty(t, <-ended)
		require.Empty(t, b.Changes(0))
	})
}

// A blind contact whose close is refused when the connection begins does not count as closed.
func TestARefusedCloseAtTheBeginningOfABlindContact(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newTestController(true)
		d := newDriver(t, b, true, controller.Options{Poll: time.Hour, NoLock: true},
			func(o *controller.ContactOptions) { o.Blind = true })
		b.Inject(relaytest.Fault{Do: relaytest.Refuse, On: relaytest.Closing})
		d.group.Start()
		require.NoError(t, d.group.Ready(background(t)))
		r := d.contacts[0].Interrupt(t.Context(), opening(1))
		require.Equal(t, relay.Refused, r.Outcome)
		require.ErrorContains(t, r.Err, "not known to be closed")
		b.Clear()
		require.NoError(t, d.contacts[0].Close(background(t)))
		require.False(t, b.isOpen(0))
		d.group.Shutdown(background(t))
	})
}

// A timed contact that reads closed before its time can be over has not moved, even if the controller confirmed the
// opening. After that time the controller's confirmation counts.
func TestReadBackAfterTheTimer(t *testing.T) {
	for name, c := range map[string]struct {
		late    time.Duration // lateness of the read-back
		outcome relay.Outcome
		err     error
	}{
		"in time": {0, relay.Refused, relay.ErrReadBack}, "just before the end": {asked - 1, relay.Refused,
			relay.ErrReadBack}, "at the end": {asked, relay.Done, nil},
	} {
		t.Run(name, func(t *testing.T) {
			d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
			delayed := false
			d.acts = func(_ context.Context, op controller.Op) error {
				d.mu.Lock()
				// True for the first read after the close at the beginning and the opening.
				first := op == controller.Read && !delayed && len(d.done) > 1
				delayed = delayed || first
				d.open = false
				d.mu.Unlock()
				if first && c.late > 0 {
					<-time.After(c.late)
				}
				return nil
			}
			onDialled(t, d, func(_ *controller.Options, o *controller.ContactOptions) {
				o.Kind, o.Timed = relay.KindOneshot, &controller.Timed{Quantum: time.Millisecond,
					Limit: 10 * time.Second}
			}, func(t *testing.T, contact *controller.Contact) {
				r := contact.Interrupt(t.Context(), opening(1))
				require.Equal(t, c.outcome, r.Outcome, r.Err)
				require.True(t, errors.Is(r.Err, c.err))
			})
		})
	}
}
