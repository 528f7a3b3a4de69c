package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestLoadAllocations bounds what each further line of a file costs, counted in allocations, since those do not depend
// on the machine. A reload pays this while calls are up. Our own number; 470 were seen. It was some 800 when the tables of
// keys of every driver were made for each line.
func TestLoadAllocations(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	allocations := func(lines int) float64 {
		var f strings.Builder
		f.WriteString(`country: GB
sip:
  adapter_side: {listen: "192.0.2.10:5060"}
  service_side: {listen: "192.0.2.10:5070"}
controllers:
  - {name: loft, driver: modbus, modbus: {address: "192.0.2.30:502"}}
lines:
`)
		for i := range lines {
			fmt.Fprintf(&f, `  - name: seat-%d
    adapter: {user: seat-%d, contact: "sip:seat-%d@192.0.2.21"}
    service: {registrar: "sip:192.0.2.5", user: "%d", register: false}
    contact: {driver: modbus, controller: loft, coil: %d, accept_open_if_daemon_dies: true}
    policy: {interval: 800ms, openings_per_minute: 60}
`, i, i, i, i, i)
		}
		require.NoError(t, os.WriteFile(path, []byte(f.String()), 0o600))
		return testing.AllocsPerRun(5, func() {
			_, faults, err := Load(path)
			require.NoError(t, err)
			require.Empty(t, faults.String())
		})
	}
	each := (allocations(60) - allocations(10)) / 50
	t.Logf("%.0f allocations for each further line", each)
	require.Less(t, each, 600.0)
}
