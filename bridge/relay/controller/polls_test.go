package controller_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// TestPollsWhileDriven checks that a contact that cannot be read is closed at the polls, but never during an opening,
// nor behind an opening that waits for its turn.
func TestPollsWhileDriven(t *testing.T) {
	t.Parallel()
	d := &dialled{dials: func(op controller.Op) time.Duration {
		if op == controller.Close {
			return 3 * time.Millisecond // so that some polls are under way when an opening begins
		}
		return 0
	}}
	onDialledNow(t, d, func(o *controller.Options, co *controller.ContactOptions) {
		o.Poll, o.Unordered, co.Blind = 5*time.Millisecond, true, true
	}, func(t *testing.T, c *controller.Contact) {
		for seq := range uint32(12) {
			<-time.After(time.Duration(seq) * time.Millisecond)
			i := opening(seq + 1)
			i.Duration = 25 * time.Millisecond
			r := c.Interrupt(t.Context(), i)
			require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
			require.GreaterOrEqual(t, r.OpenFor, i.Duration)
			d.mu.Lock()
			d.done = append(d.done, controller.Sense) // the end of this opening
			d.mu.Unlock()
		}
		require.Equal(t, 12, d.opened())
		d.mu.Lock()
		defer d.mu.Unlock()
		require.Empty(t, tooManyCloses(d.done))
	})
}

// tooManyCloses returns the requests after an opening if they are more than its own close.
func tooManyCloses(done []controller.Op) []controller.Op {
	var now []controller.Op
	for _, op := range done {
		switch {
		case op == controller.Open:
			now = []controller.Op{}
		case now == nil:
		case op == controller.Close:
			now = append(now, op)
		default:
			if len(now) > 1 {
				return now
			}
			now = nil
		}
	}
	return nil
}

// TestSlowPoll checks that a poll that is taken during an opening but answered after its end is no alarm. The opening
// lasts for many polls. Its second read is the first poll, which is answered after the opening.
func TestSlowPoll(t *testing.T) {
	t.Parallel()
	reads := 0
	ended := make(chan struct{})
	d := &dialled{dials: func(controller.Op) time.Duration { return 0 }}
	d.acts = func(ctx context.Context, op controller.Op) error {
		d.mu.Lock()
		poll := false
		if op == controller.Read && d.open {
			reads++
			poll = reads == 2 // the first read is the opening's read-back
		}
		d.mu.Unlock()
		if poll {
			select {
			case <-ended:
			case <-ctx.Done():
			}
		}
		return nil
	}
	found := make(chan relay.Notice, 8) // more than enough for the test's notices
	onDialledNow(t, d, func(o *controller.Options, _ *controller.ContactOptions) {
		o.Unordered, o.Poll = true, 40*time.Millisecond
		o.Notify = func(n relay.Notice) { found <- n }
	}, func(t *testing.T, c *controller.Contact) {
		i := opening(1)
		i.Duration = 400 * time.Millisecond
		r := c.Interrupt(t.Context(), i)
		close(ended)
		require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
		<-time.After(150 * time.Millisecond)
		d.mu.Lock()
		defer d.mu.Unlock()
		require.GreaterOrEqual(t, reads, 2)
		require.Empty(t, found)
	})
}

// A controller whose round of reads takes longer than the poll's interval is read without a pause. Even so an opening
// waits for at most one read, and a close for none, whenever they come.
func TestPollsWithoutAPause(t *testing.T) {
	t.Parallel()
	const takes, lines = 400 * time.Millisecond, 4
	for after := time.Duration(0); after < 2*time.Second; after += 90 * time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			d := &slowDevice{takes: takes}
			b := controller.New(controller.Options{Name: "loft", At: "here", Timeout: time.Second, NoLock: true,
				Poll: controller.DefaultPoll, Unordered: true,
				Connect: func(context.Context) (controller.Session, error) {
					return controller.NewDeviceSession(d, time.Second), nil
				}})
			var contacts []*controller.Contact
			for i := range lines {
				c, err := b.Contact(controller.ContactOptions{Name: fmt.Sprint("line-", i)})
				require.NoError(t, err)
				contacts = append(contacts, c)
			}
			b.Start()
			require.NoError(t, b.Ready(t.Context()))
			<-time.After(3*time.Second + after)
			began := time.Now()
			r := contacts[1].Interrupt(t.Context(), relay.Interruption{Seq: 1, Duration: time.Second,
				NotAfter: began.Add(time.Minute)})
			require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
			d.mu.Lock()
			require.LessOrEqual(t, d.opened.Sub(began), takes, "the opening, after %v", after)
			require.Equal(t, takes+time.Second, d.closed.Sub(d.opened), "the close, after %v", after)
			d.mu.Unlock()
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			require.Empty(t, b.Shutdown(ctx))
			<-time.After(time.Second)
		})
	}
}

// slowDevice carries out each request at once and answers later.
type slowDevice struct {
	takes time.Duration

	mu             sync.Mutex
	open           [8]bool
	opened, closed time.Time // when the last opening was written, and the first close after it
}

func (d *slowDevice) Do(_ context.Context, r controller.Request, before func() error) (relay.Level, error) {
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	d.mu.Lock()
	switch r.Op {
	case controller.Open:
		d.open[r.Contact], d.opened = true, time.Now()
	case controller.Close:
		if d.open[r.Contact] {
			d.closed = time.Now()
		}
		d.open[r.Contact] = false
	}
	level := relay.LevelClosed
	if d.open[r.Contact] {
		level = relay.LevelOpen
	}
	d.mu.Unlock()
	<-time.After(d.takes)
	return level, nil
}

func (*slowDevice) Close() error { return nil }
