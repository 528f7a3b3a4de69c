package controller_test

import (
	"context"
	"testing"
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
