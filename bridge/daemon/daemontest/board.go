package daemontest

import (
	"sync"
	"testing"
	"time"

	mb "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// Board is a simulated relay board with one coil. It records every change of the coil. [Serve] serves it.
type Board struct {
	Open bool // the coil is on, so the loop is open; set it before the board is served

	mu    sync.Mutex
	moves []bool
	at    []time.Time
}

// HandleCoils writes or reads the coil.
func (c *Board) HandleCoils(r *mb.CoilsRequest) ([]bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if r.IsWrite {
		if c.Open != r.Args[0] {
			c.Open, c.moves, c.at = r.Args[0], append(c.moves, r.Args[0]), append(c.at, time.Now())
		}
		return nil, nil
	}
	return []bool{c.Open}, nil
}

// HandleDiscreteInputs reports loop current while the coil is off, because only this coil opens the loop.
func (c *Board) HandleDiscreteInputs(r *mb.DiscreteInputsRequest) ([]bool, error) {
	if r.Addr != 3 || r.Quantity != 1 {
		return nil, mb.ErrIllegalDataAddress
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return []bool{!c.Open}, nil
}

// HandleHoldingRegisters refuses the request.
func (*Board) HandleHoldingRegisters(*mb.HoldingRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

// HandleInputRegisters refuses the request.
func (*Board) HandleInputRegisters(*mb.InputRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

// Moves returns the changes of the coil so far, true for on, and their times.
func (c *Board) Moves() ([]bool, []time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]bool(nil), c.moves...), append([]time.Time(nil), c.at...)
}

// Serve serves a board over Modbus TCP until the test ends, and returns its address.
func Serve(t *testing.T, c mb.RequestHandler) string {
	t.Helper()
	address := FreePort(t) // the library does not report which free port it chose
	s, err := mb.NewServer(&mb.ServerConfiguration{URL: "tcp://" + address, MaxClients: 4}, c)
	require.NoError(t, err)
	require.NoError(t, s.Start())
	t.Cleanup(func() { _ = s.Stop() })
	return address
}
