package modbus

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// requestsTo returns the number of requests that the driver sent to a unit.
func (h *serialLine) requestsTo(unit byte) int {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := 0
	for _, r := range h.requests {
		if r[0] == unit {
			n++
		}
	}
	return n
}

// One of two boards is dead. The other one opens and closes as if it were alone, except for a time-out from time to
// time. The dead board is closed soon after it works again.
func TestBusWithADeadUnit(t *testing.T) {
	t.Parallel()
	h := newSerialLine(t)
	board := newSerialBoard(t, h, 1)
	timeout := relaytest.Timeout(400 * time.Millisecond)
	d := driveBus(t, h.path, func(o *BusOptions) { o.Timeout, o.Poll = timeout, 30*time.Millisecond }, 1, 2)
	lost := d.notice(relay.LinkLost)
	require.Equal(t, "stage-door", lost.Contact)
	require.ErrorContains(t, lost.Err, "unit 2")
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, d.boards[1].Ready(ctx))
	soon, cancelSoon := context.WithTimeout(ctx, time.Millisecond)
	defer cancelSoon()
	require.ErrorIs(t, d.Ready(soon), relay.ErrUnreachable)

	allowed := relaytest.Allowance(t)
	begin, asked := time.Now(), h.requestsTo(2)
	for range 8 {
		r := <-d.interrupt(0, 150*time.Millisecond)
		require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
	}
	spent := time.Since(begin)
	ch := board.Changes(3)
	require.Len(t, ch, 16)
	for pair := range slices.Chunk(ch, 2) {
		w := width(pair)
		t.Logf("open for %v", w)
		require.GreaterOrEqual(t, w, 149500*time.Microsecond)
		require.Less(t, w, 150*time.Millisecond+timeout*8/10+allowed(),
			"a dead unit, asked meanwhile, costs its time-out")
	}
	require.LessOrEqual(t, h.requestsTo(2)-asked, 2+int(spent/(silentTimes*timeout)),
		"the dead unit was asked too often in %v", spent)
	require.Equal(t, relay.Refused, (<-d.interrupt(1, 10*time.Millisecond)).Outcome)

	late := newSerialBoard(t, h, 2, "--power-on")
	closed := d.close(1)
	require.NoError(t, <-closed)
	require.False(t, late.Changes(3)[0].Open)
	require.Equal(t, relay.Done, (<-d.interrupt(1, 10*time.Millisecond)).Outcome)
}

// A board sleeps for 2 s with an opening in its buffer, and with the closes that followed. Its answers then arrive too
// late for all earlier requests. In the end the contact is closed, and works.
func TestBusBoardSleeps(t *testing.T) {
	t.Parallel()
	h := newSerialLine(t)
	board := newSerialBoard(t, h, 1)
	d := driveBus(t, h.path, nil, 1)
	d.ready()
	board.Inject(relaytest.Fault{Do: relaytest.Delay, On: relaytest.Opening, Once: true, Delay: 2 * time.Second})
	r := <-d.interrupt(0, 500*time.Millisecond)
	require.Equal(t, relay.Unknown, r.Outcome)
	require.ErrorIs(t, r.Err, relay.ErrNoAnswer)
	late := relaytest.Allowance(t)
	require.NoError(t, <-d.close(0))
	ch := board.Changes(3)
	require.Len(t, ch, 2, "it opened late, since it had the request, and was closed")
	require.Less(t, width(ch), 150*time.Millisecond+late(), "by the close queued after it")
	require.Eventually(t, func() bool { return (<-d.interrupt(0, 10*time.Millisecond)).Outcome == relay.Done },
		5*time.Second, time.Millisecond)
	require.Len(t, board.Changes(3), 4)
}

// TestBusSense reads the sense input over a bus.
func TestBusSense(t *testing.T) {
	h := newSerialLine(t)
	newSerialBoard(t, h, 7, "--loop-inverse")
	leakCheck(t)
	b, err := NewBus(BusOptions{Name: "bus", Device: h.path, Baud: 115_200})
	require.NoError(t, err)
	c, err := b.Contact(ContactOptions{Name: "box-office", Unit: 7, Coil: 2, OpenOn: true,
		Sense: &Sense{Input: 2, CurrentOn: true}})
	require.NoError(t, err)
	b.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	defer b.Shutdown(ctx)
	require.NoError(t, b.Ready(ctx))
	level, err := c.Sense(ctx)
	require.NoError(t, err)
	require.Equal(t, relay.LevelClosed, level)
	sensed := make(chan relay.Level, 1) // read after the opening
	r := c.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 100 * time.Millisecond,
		NotAfter: time.Now().Add(time.Second), Opened: func(time.Time) {
			go func() {
				l, _ := c.Sense(ctx)
				sensed <- l
			}()
		}})
	require.NoError(t, r.Err)
	require.Equal(t, relay.LevelOpen, <-sensed)
}

// If no board on the bus answers any longer, the port is reopened. In this test its name leads to another port by then.
func TestBusOpensASilentPortAnew(t *testing.T) {
	t.Parallel()
	first, second := newScriptedSerialLine(t), newScriptedSerialLine(t)
	name := filepath.Join(t.TempDir(), "adapter")
	require.NoError(t, os.Symlink(first.path, name))
	d := driveBus(t, name, nil)
	c, err := d.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true})
	require.NoError(t, err)
	d.contacts = append(d.contacts, c)
	d.master.reopen = time.Millisecond
	d.Start()
	first.greet(1)
	d.ready()
	require.NoError(t, os.Remove(name))
	require.NoError(t, os.Symlink(second.path, name))
	result := d.interrupt(0, time.Second)
	first.expect(1, openIt)
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	second.greet(1)
	d.notice(relay.CloseConfirmed)
}
