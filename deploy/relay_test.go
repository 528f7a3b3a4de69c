package deploy

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"clearback/bridge/programtest"
	"clearback/config"
)

const (
	relaySample = "relay.yaml"
	relayUnit   = "clearback-relay.service"
)

// TestRelaySample checks that the agent's sample, which is its manual, loads and shows every key in its place.
func TestRelaySample(t *testing.T) {
	r, faults := config.ParseRelay(relaySample, read(t, relaySample), secrets())
	require.Empty(t, faults.String())
	require.Len(t, r.Contacts, 4)
	require.Equal(t, "curtain", r.MQTT.Password.Reveal())

	var doc yaml.Node
	require.NoError(t, yaml.Unmarshal(read(t, relaySample), &doc))
	have := map[string]bool{}
	collect(doc.Content[0], "", have)
	need := keys(t, "the agent's file")
	require.Greater(t, len(need), 40)
	for _, path := range need {
		assert.True(t, have[path] || strings.Contains(path, ".password."), "the manual has no %s", path)
	}
}

// TestRelaySampleShowsDefaults checks that the defaults named in the manual are the real ones.
func TestRelaySampleShowsDefaults(t *testing.T) {
	shown, faults := config.ParseRelay(relaySample, read(t, relaySample), secrets())
	require.Empty(t, faults.String())
	plain, faults := config.ParseRelay("plain", []byte(`listen: 192.0.2.30:502
allow_from: [192.0.2.10]
hardware_watchdog: {device: /dev/watchdog}
mqtt: {address: "mqtt://broker.millrace.example:1883", prefix: millrace}
contacts: [{name: box-office, gpio: {chip: gpiochip0, line: 17, sense: {line: 27}}}]`), secrets())
	require.Empty(t, faults.String())
	require.Equal(t, plain.MaxInterval, shown.MaxInterval)
	require.Equal(t, plain.Watchdog, shown.Watchdog)
	require.Equal(t, plain.Log, shown.Log)
	require.Equal(t, plain.HardwareWatchdog, shown.HardwareWatchdog)
	require.Equal(t, plain.MQTT.Timeout, shown.MQTT.Timeout)
	require.Equal(t, plain.Contacts[0].OpenLevel, shown.Contacts[0].OpenLevel)
	require.Equal(t, plain.Contacts[0].GPIO.Sense.CurrentWhen, shown.Contacts[0].GPIO.Sense.CurrentWhen)
}

func TestRelayUnit(t *testing.T) {
	u := unitOf(t, relayUnit)
	for k, want := range map[string]string{
		"Type": "notify", "Restart": "always", "RestartSec": "100ms", "StartLimitIntervalSec": "0",
		"User":                     "clearback-relay",
		"ExecStart":                "/usr/local/bin/clearback relay --config /etc/clearback/relay.yaml",
		"ExecStopPost":             "/usr/local/bin/clearback relay --close --within 1s --config /etc/clearback/relay.yaml",
		"RestartPreventExitStatus": "78", "LoadCredential": "secrets:/etc/clearback/relay-secrets",
		"CPUSchedulingPolicy": "fifo", "CPUSchedulingPriority": "10", "WatchdogSec": "2s", "WatchdogSignal": "SIGKILL",
	} {
		require.Equal(t, []string{want}, u[k], k)
	}
	require.NotContains(t, u, "PrivateDevices", "there would be no GPIO chip")
	c := string(read(t, relaySample))
	require.Contains(t, c, "/run/"+u["RuntimeDirectory"][0]+"/", "the one place to write")
}

// TestRelayUnitVerifies runs systemd's own check, as TestUnitVerifies does.
func TestRelayUnitVerifies(t *testing.T) {
	programtest.Need(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	program := filepath.Join(dir, "clearback")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755))
	file := filepath.Join(dir, relayUnit)
	text := bytes.ReplaceAll(read(t, relayUnit), []byte("/usr/local/bin/clearback"), []byte(program))
	require.NoError(t, os.WriteFile(file, text, 0o644))
	out, err := exec.Command("systemd-analyze", "verify", "--man=no", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for line := range strings.Lines(string(out)) {
		require.NotContains(t, line, relayUnit, "systemd has something to say")
	}
	// A comment in the unit says why it is 16 with systemd 252, and how it becomes 15.
	unit := string(read(t, relayUnit))
	exposed(t, unit, "", 16)
	exposed(t, unit, dropIn(t, unit, "# systemd-analyze security rates"), 15)
}
