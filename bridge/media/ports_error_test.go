package media

import (
	"fmt"
	"net/netip"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// A process without free file descriptors does not get the advice to widen the port range.
func TestPortErrorWithoutDescriptors(t *testing.T) {
	at := netip.MustParseAddr("192.0.2.10")
	for errno, want := range map[syscall.Errno]string{syscall.EMFILE: "raise the limit",
		syscall.ENFILE: "raise the limit", syscall.EADDRNOTAVAIL: "bind 192.0.2.10: this machine does not have that address",
		syscall.EACCES: "bind 192.0.2.10: listen: permission denied"} {
		err := portError(at, fmt.Errorf("listen: %w", errno))
		require.ErrorContains(t, err, want)
		require.ErrorIs(t, err, errno)
		require.NotContains(t, err.Error(), "media.ports")
	}
}
