package modbus

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
)

// The loop-current input in either polarity, at a board of libmodbus whose inputs are the opposite of its coils.
func TestSense(t *testing.T) {
	for _, currentOn := range []bool{true, false} {
		b := newCBoard(t, "--loop-inverse")
		board, err := NewBoard(Options{Name: "cabinet", Address: b.address, Timeout: time.Second})
		require.NoError(t, err)
		with, err := board.Contact(ContactOptions{Name: "box-office", Unit: 1, Coil: 2, OpenOn: true, Sense: &Sense{Input: 2, CurrentOn: currentOn}})
		require.NoError(t, err)
		without, err := board.Contact(ContactOptions{Name: "stage-door", Unit: 1, Coil: 3, OpenOn: true})
		require.NoError(t, err)
		board.Start()
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		require.NoError(t, board.Ready(ctx))

		sensed := func() relay.Level {
			l, err := with.Sense(ctx)
			require.NoError(t, err)
			return l
		}
		whole, broken := relay.LevelClosed, relay.LevelOpen
		if !currentOn {
			whole, broken = broken, whole
		}
		assert.Equal(t, whole, sensed())
		opened := make(chan relay.Level, 1)
		r := with.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 300 * time.Millisecond, NotAfter: time.Now().Add(5 * time.Second),
			Opened: func(time.Time) { go func() { opened <- sensed() }() }})
		require.NoError(t, r.Err)
		assert.Equal(t, broken, <-opened)
		assert.Equal(t, whole, sensed())
		_, err = without.Sense(ctx)
		assert.ErrorIs(t, err, relay.ErrNoSense)
		board.Shutdown(ctx)
		_, err = with.Sense(ctx)
		assert.Error(t, err)
	}
}
