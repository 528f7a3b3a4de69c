package agent

import (
	"errors"
	"io"
	"testing"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"

	"clearback/bridge/relay"
)

// leastClosed is the daemon's number (supervision.LeastClosed). cmd/internal/cli tests that the agent gets it.
const leastClosed = 250 * ms

func TestLeastClosed(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		r.opt.LeastClosed = leastClosed
		require.NoError(t, r.pulse(1, 300*ms), "the first opening need not wait")
		require.NoError(t, r.pulse(2, 300*ms), "lengthening an opening does not count as another one")
		sleep(300 * ms)
		require.Equal(t, OutcomeDone, r.c.State().Last)
		for range 2 {
			require.ErrorIs(t, r.pulse(3, 300*ms), ErrTooSoon)
		}
		require.ErrorIs(t, r.c.Pulse(NewMaster("another"), Command{Plain: true, For: 300 * ms}), ErrTooSoon)
		require.NoError(t, r.pulse(2, 300*ms), "a repeated command gets the first answer")
		require.Equal(t, State{Level: relay.LevelClosed, Seq: 2, HasSeq: true, Last: OutcomeDone, Measured: 300 * ms,
			Pulses: 1}, r.c.State())
		sleep(leastClosed - 1)
		require.ErrorIs(t, r.pulse(3, 300*ms), ErrTooSoon)
		require.NoError(t, r.c.Close(r.m), "a close is always obeyed")
		sleep(1)
		require.NoError(t, r.pulse(3, 300*ms), "the same command later")
		require.True(t, out.isOpen())
		require.NoError(t, r.c.Close(r.m))
		require.ErrorIs(t, r.pulse(4, 300*ms), ErrTooSoon, "however it was closed")
	})
}

// A failed output may have moved, and a contact that was found open did move. Both count like an opening.
func TestLeastClosedAfterAFault(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		r.opt.LeastClosed = leastClosed
		out.set(func() { out.setFails = io.ErrUnexpectedEOF })
		require.ErrorIs(t, r.pulse(1, 300*ms), ErrOutput)
		out.set(func() { out.setFails = nil })
		sleep(retryEvery)
		require.Equal(t, relay.LevelClosed, r.c.State().Level)
		require.ErrorIs(t, r.pulse(2, 300*ms), ErrTooSoon)
		sleep(leastClosed)
		out.set(func() { out.getFails = io.ErrUnexpectedEOF })
		_, err := r.c.Read()
		require.ErrorIs(t, err, ErrOutput)
		out.set(func() { out.getFails = nil })
		sleep(retryEvery)
		require.ErrorIs(t, r.pulse(2, 300*ms), ErrTooSoon)
		sleep(leastClosed)
		out.set(func() { out.open = true })
		level, err := r.c.Read()
		require.NoError(t, err)
		require.Equal(t, relay.LevelOpen, level)
		require.ErrorIs(t, r.pulse(2, 300*ms), ErrTooSoon)
		sleep(leastClosed)
		require.NoError(t, r.pulse(2, 300*ms))
	})
}

// However fast masters open and close a contact, the relay moves no faster than the limit.
func TestFastMastersMoveTheRelayNoFaster(t *testing.T) {
	out := &output{}
	on(t, out, func(t *testing.T, r *testBed) {
		r.opt.LeastClosed = leastClosed
		masters := [2]*Master{NewMaster("one"), NewMaster("another")}
		for i := range 1000 {
			err := r.c.Pulse(masters[i%2], Command{Plain: true, For: 300 * ms})
			require.True(t, err == nil || errors.Is(err, ErrTooSoon), err)
			require.NoError(t, r.c.Close(masters[i%2]))
			sleep(ms)
		}
		out.set(func() {
			for i := 2; i < len(out.moves); i += 2 {
				require.GreaterOrEqual(t, out.moves[i].at.Sub(out.moves[i-1].at), leastClosed)
			}
			require.InDelta(t, 2*1000*ms/leastClosed, len(out.moves), 2)
		})
	})
}

// The master gets the exception that means "try again later" (MODBUS Application Protocol Specification V1.1b3, section
// 7, code 6), and keeps its connection.
func TestTooSoonException(t *testing.T) {
	s := serve(t, ServerOptions{})
	s.opt.LeastClosed = 1000 * leastClosed // longer than any delay of the machine
	c := s.client(t)
	require.NoError(t, c.WriteRegisters(0, []uint16{1, 500}))
	require.NoError(t, c.WriteCoil(0, false))
	require.ErrorIs(t, c.WriteRegisters(0, []uint16{2, 500}), modbus.ErrServerDeviceBusy)
	require.ErrorIs(t, c.WriteRegister(1, 500), modbus.ErrServerDeviceBusy)
	require.NoError(t, c.WriteRegisters(2, []uint16{1, 500}), "the other contact")
	require.NoError(t, c.WriteCoil(0, false), "a close")
	require.EqualValues(t, 1, s.Contacts()[0].State().Pulses)
}
