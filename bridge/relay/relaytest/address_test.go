package relaytest

import (
	"net"
	"testing"

	"github.com/stretchr/testify/require"
)

// A place is given to nobody else while no listener is on it, and a listener can be made on it again and again.
func TestAddress(t *testing.T) {
	mine := Address(t)
	for range 3 {
		l, err := net.Listen("tcp", mine)
		require.NoError(t, err)
		require.NoError(t, l.Close())
	}
	// As many as there are ephemeral ports would take long; that of a connection that looks for one is refused by the
	// kernel in the same way.
	others := map[string]bool{}
	for range 2000 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		others[l.Addr().String()] = true
		require.NoError(t, l.Close())
	}
	require.NotContains(t, others, mine)
}
