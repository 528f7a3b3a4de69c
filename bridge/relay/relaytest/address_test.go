package relaytest

import (
	"net"
	"testing"

	"github.com/stretchr/testify/require"
)

// An address is reserved while no listener is on it, and a listener can be made on it repeatedly.
func TestAddress(t *testing.T) {
	mine := Address(t)
	for range 3 {
		l, err := net.Listen("tcp", mine)
		require.NoError(t, err)
		require.NoError(t, l.Close())
	}
	// Using up all ephemeral ports would take long. The kernel refuses the port to a connection in the same way.
	others := map[string]bool{}
	for range 2000 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		others[l.Addr().String()] = true
		require.NoError(t, l.Close())
	}
	require.NotContains(t, others, mine)
}
