package daemon

import (
	"fmt"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/config"
)

// The daemon warns at its start if its limit of descriptors is too low for all media ports.
func TestDescriptorWarning(t *testing.T) {
	t.Parallel()
	one, other := netip.MustParseAddr("192.0.2.10"), netip.MustParseAddr("192.0.2.11")
	c := &config.Config{Lines: []config.Line{{Media: "direct"}, {Media: "direct"}},
		Media: config.Media{AdapterAddress: one, ServiceAddress: one, PortLow: 30000, PortHigh: 30999}}
	for _, step := range []struct {
		change func()
		need   uint64
	}{
		{func() {}, 80},
		{func() { c.Lines[1].Media = "relay" }, 1080},
		{func() { c.Media.ServiceAddress = other }, 2080},
	} {
		step.change()
		require.Empty(t, descriptorWarning(c, step.need))
		warning := descriptorWarning(c, step.need-1)
		require.Contains(t, warning, fmt.Sprintf("this process may open only %d files and sockets", step.need-1))
		require.Contains(t, warning, "raise it (LimitNOFILE= in the service's unit, or ulimit -n)")
	}
	limit, ok := descriptorLimit()
	require.True(t, ok)
	require.NotZero(t, limit)
}
