package modbus

import (
	"context"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus/codec"
	"clearback/bridge/relay/relaytest"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// The driver continues from the board's number, even after a restart, so that no opening is taken for a repetition of
// an old one. Number and length are sent in one request.
func TestSequenceGoesOn(t *testing.T) {
	leakCheck(t)
	board := newLibmodbusBoard(t, "--pulse", "10,0,20,150", "--pulse", "12,1,20,150")
	peer := libraryClient(t, "tcp://"+board.Address(), 0)
	require.NoError(t, peer.WriteRegisters(10, []uint16{0xFFFE, 1})) // an earlier master
	require.Eventually(t, func() bool { return len(board.Changes(0)) == 2 }, 5*time.Second, time.Millisecond)
	want := []uint16{0xFFFF, 0, 1}
	for range want {
		sub := subject(t, board, board.Address(), relaytest.Setup{}, pulsed)
		sub.Start()
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		require.NoError(t, sub.Ready(ctx))
		// Seq is the same each time. It identifies a command only while the daemon runs.
		r := sub.Contacts[0].Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 30 * time.Millisecond,
			NotAfter: time.Now().Add(time.Second)})
		require.NoError(t, r.Err)
		require.Equal(t, relay.KindOneshot, sub.Contacts[0].Kind())
		require.Empty(t, sub.Shutdown(ctx))
		seq, err := peer.ReadRegister(10, mb.HOLDING_REGISTER)
		require.NoError(t, err)
		require.Equal(t, want[0], seq)
		want = want[1:]
	}
	require.Len(t, board.Changes(0), 8)
	require.Empty(t, board.Changes(1))

	// What the board itself must do, tested with a master that is not our code.
	require.NoError(t, peer.WriteRegisters(10, []uint16{1, 5}), "a repetition is confirmed")
	require.Error(t, peer.WriteRegisters(10, []uint16{2, 151}))
	require.Error(t, peer.WriteRegister(11, 5), "half a command")
	require.Len(t, board.Changes(0), 8, "and nothing moves")
}

// An opening of unknown outcome may still be on its way to the board. The board then reports an older number at the
// beginning of the next connection. That number is not used again.
func TestSequenceIsNotUsedTwice(t *testing.T) {
	leakCheck(t)
	h := newScriptedBoard(t)
	b, err := NewBoard(Options{Name: "board", Address: h.l.Addr().String(), Timeout: testTimeout, Poll: time.Hour})
	require.NoError(t, err)
	contact, err := b.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 3, OpenOn: true,
		Timed: &Timed{Register: 6, Sequence: true, Unit: time.Millisecond, Limit: time.Second}})
	require.NoError(t, err)
	b.Start()
	d := &driver{b, contact, t}
	defer d.end()
	begin := func(last byte) *scriptedConn {
		c := h.accept()
		c.greet()
		c.answer(c.expect(readRegisters(6, 1)), 3, 2, 0, last)
		d.ready()
		return c
	}
	c := begin(7)
	result := d.interrupt(1, 100*time.Millisecond)
	c.expect(writePair(6, 8, 100))
	require.Equal(t, relay.Unknown, (<-result).Outcome)
	c = begin(7) // the board has not received number 8 yet
	result = d.interrupt(2, 100*time.Millisecond)
	c.answer(c.expect(writePair(6, 9, 100)), 16, 0, 6, 0, 2)
	c.reads(1)
	c.reads(0)
	require.Equal(t, relay.Done, (<-result).Outcome)
	c.CloseWrite()
	c = begin(10) // another master used the next number
	result = d.interrupt(3, 100*time.Millisecond)
	c.answer(c.expect(writePair(6, 11, 100)), 0x90, 3)
	c.echo(closeIt)
	c.reads(0)
	r := <-result
	require.Equal(t, relay.Refused, r.Outcome)
	require.ErrorIs(t, r.Err, codec.Exception(3))
}
