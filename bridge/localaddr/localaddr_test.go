package localaddr

import (
	"context"
	"errors"
	"net/netip"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// A program can listen on an address that the machine does not have, and learns that the machine does not have it.
// 192.0.2.0/24 and 2001:db8::/32 are for documentation (RFC 5737, RFC 3849), so no machine has them.
func TestMissingAddress(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"192.0.2.30", "2001:db8::30", "::ffff:192.0.2.30"} {
		at := netip.MustParseAddr(text)
		l, err := ListenConfig(at).Listen(context.Background(), "tcp", netip.AddrPortFrom(at, 0).String())
		if errors.Is(err, syscall.EAFNOSUPPORT) {
			continue // a machine without IPv6
		}
		require.NoError(t, err, text)
		require.NoError(t, l.Close())
		p, err := ListenConfig(at).ListenPacket(context.Background(), "udp", netip.AddrPortFrom(at, 0).String())
		require.NoError(t, err, text)
		require.NoError(t, p.Close())
		require.False(t, Has(at), text)
	}
	for _, text := range []string{"127.0.0.1", "127.7.7.7", "0.0.0.0"} {
		require.True(t, Has(netip.MustParseAddr(text)), text)
	}
	require.NotContains(t, Others(), "127.0.0.1")
	require.NotEmpty(t, Others())
}
