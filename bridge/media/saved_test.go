package media_test

import (
	"net/netip"
	"runtime"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
)

// A saved session gets its own addresses and ports back, whatever those of the relay are now: the peers send there. On
// Linux the machine need not have the address yet (192.0.2.0/24 is for documentation, RFC 5737).
func TestResume(t *testing.T) {
	at, low := ownRange(t, 10)
	first := newRelayAt(t, at, low, low+9)
	s, err := first.NewSession()
	require.NoError(t, err)
	saved := s.Saved()
	require.NoError(t, first.Close())
	if runtime.GOOS == "linux" {
		saved[media.ServiceSide].Local = netip.MustParseAddrPort("192.0.2.30:20000")
	}
	now := newRelay(t, 20000, 20009)
	s, err = now.Resume(saved)
	require.NoError(t, err)
	for _, side := range []media.Side{media.AdapterSide, media.ServiceSide} {
		require.Equal(t, saved[side].Local, s.Local(side))
	}
	_, err = now.Resume(saved)
	require.ErrorIs(t, err, syscall.EADDRINUSE)
	for _, bad := range []netip.AddrPort{{}, netip.AddrPortFrom(at, 0), netip.AddrPortFrom(at, low+1)} {
		saved[media.AdapterSide].Local = bad
		_, err = now.Resume(saved)
		require.ErrorContains(t, err, "is no address of a stream")
	}
}
