package agent

import (
	"testing"

	"github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
)

// An opening on a connection that is older than the one that last closed the contact is refused, and nothing is done.
// The older connection is ended, since the opening may have waited on its way. The close does not affect the other
// contact. A close is always obeyed.
func TestNothingOpensBehindALaterMastersClose(t *testing.T) {
	s := serve(t, ServerOptions{})
	older, younger := s.client(t), s.client(t)
	require.NoError(t, older.WriteRegisters(0, []uint16{1, 500}))
	require.True(t, s.out[0].isOpen())
	require.NoError(t, younger.WriteCoil(0, false))
	require.False(t, s.out[0].isOpen())

	require.NoError(t, older.WriteRegisters(2, []uint16{1, 500}), "the other contact")
	require.NoError(t, older.WriteCoil(0, false))
	require.ErrorIs(t, older.WriteRegisters(0, []uint16{2, 500}), modbus.ErrServerDeviceBusy)
	require.False(t, s.out[0].isOpen())
	require.EqualValues(t, 1, s.Contacts()[0].State().Seq, "nothing was done")
	_, err := older.ReadCoils(0, 1)
	require.Error(t, err, "the connection has ended")

	require.NoError(t, younger.WriteRegisters(0, []uint16{3, 500}))
	require.True(t, s.out[0].isOpen())
	require.NoError(t, younger.WriteRegisters(0, []uint16{4, 0}), "a pulse of no length closes")
	require.NoError(t, older.Open(), "it reconnects")
	require.NoError(t, older.WriteRegisters(0, []uint16{5, 20}))
}
