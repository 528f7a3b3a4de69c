package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestLoadAllocations bounds what each further line of a file costs. It counts allocations, since those do not depend
// on the machine. A reload pays this while calls are up. Our own number; 470 were seen, and some 800 when the tables of
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

// TestControlSocket compares the quick look for the socket with a load, for files with every kind of fault.
func TestControlSocket(t *testing.T) {
	files, err := filepath.Glob("testdata/*/*.yaml")
	require.NoError(t, err)
	more, err := filepath.Glob("testdata/*.yaml")
	require.NoError(t, err)
	files = append(files, more...)
	require.NotEmpty(t, files)
	named := filepath.Join(t.TempDir(), "named.yaml")
	for i, text := range []string{
		"control: {socket: /run/playhouse/control}\nlines: 5\n", "control: {socket: none}\n", "control: {socket: relative}\n",
		"control: 5\n", "lines: []\n", "control: [\n", "", "base: &b {socket: /run/playhouse/control}\ncontrol: *b\n",
	} {
		files = append(files, fmt.Sprintf("%s.%d", named, i))
		require.NoError(t, os.WriteFile(files[len(files)-1], []byte(text), 0o600))
	}
	for _, path := range files {
		c, _, err := LoadForClosing(path)
		require.NoError(t, err)
		want := ""
		if c != nil {
			want = c.Control.Socket
		}
		got, err := ControlSocket(path)
		require.NoError(t, err)
		require.Equal(t, want, got, path)
	}
	_, err = ControlSocket(filepath.Join(t.TempDir(), "missing.yaml"))
	require.ErrorIs(t, err, os.ErrNotExist)
}
