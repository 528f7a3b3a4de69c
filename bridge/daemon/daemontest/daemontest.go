// Package daemontest provides what tests need to start a daemon: the configuration of one line, a relay board, an
// adapter, and SIP parties that answer every request with the same status. It shares no protocol code with the daemon.
package daemontest

import (
	"net/netip"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/loopbacktest"
	"clearback/config"
)

// FreePort returns a free port on the test's own loopback address. A configuration file cannot name port 0.
func FreePort(t *testing.T) string {
	t.Helper()
	own := loopbacktest.Address(t)
	return netip.AddrPortFrom(own, loopbacktest.Ports(t, own, 1)).String()
}

// File writes a configuration for one line whose peers are at the given addresses, and returns its path. The password
// is in the environment variable MILLRACE_SERVICE, which TestMain of the package under test must set.
func File(t *testing.T, board, registrar, adapter string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	require.NoError(t, os.WriteFile(path, []byte(`country: US
sip:
  adapter_side: {listen: "`+FreePort(t)+`", transports: [udp]}
  service_side: {listen: "`+FreePort(t)+`", transports: [udp]}
controllers:
  - name: cabinet
    driver: modbus
    modbus: {address: "`+board+`", timeout: 200ms}
lines:
  - name: box-office
    adapter: {user: box-office, contact: "sip:box-office@`+adapter+`"}
    service: {registrar: "sip:`+registrar+`", user: "555-0101", password: {env: MILLRACE_SERVICE}}
    media: direct
    contact: {driver: modbus, controller: cabinet, unit: 1, coil: 0, open_level: on, accept_open_if_daemon_dies: true}
`), 0o600))
	return path
}

// Load loads a configuration file. The test fails if the file has faults.
func Load(t *testing.T, path string) *config.Config {
	t.Helper()
	c, faults, err := config.Load(path)
	require.NoError(t, err)
	require.Empty(t, faults.String())
	return c
}
