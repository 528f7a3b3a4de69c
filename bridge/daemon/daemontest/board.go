package daemontest

import (
	"testing"
	"time"

	"clearback/bridge/relay/modbus/modbustest"
)

// Board is a simulated relay board of which coil 0 is in use: while it is on, the loop is open. Its fields are set
// before the board is served.
type Board struct {
	*modbustest.Board // set by Serve

	Open bool // the coil is on at first
	// Flow reports whether loop current flows, which input 3 shows. nil: it flows while the coil is off.
	Flow func() bool

	began time.Time
}

// Moves returns the changes of the coil so far, true for on, and their times.
func (b *Board) Moves() (moves []bool, at []time.Time) {
	for _, c := range b.Changes(0) {
		moves, at = append(moves, c.Open), append(at, b.began.Add(c.At))
	}
	return moves, at
}

// Serve serves a board over Modbus TCP until the test ends, and returns its address.
func Serve(t *testing.T, b *Board) string {
	t.Helper()
	b.began = time.Now()
	b.Board = modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true, Open: b.Open,
		Input: func(n int, coils []bool) (on, ok bool) {
			if b.Flow != nil {
				return b.Flow(), n == 3
			}
			return !coils[0], n == 3
		}})
	return b.Address()
}
