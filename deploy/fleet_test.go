package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
	"clearback/config"
)

// promtool accepts the example's file for Prometheus, in a folder that is complete as the file says.
func TestFleetPrometheus(t *testing.T) {
	tool, dir := programtest.Need(t, "promtool", "prometheus"), t.TempDir()
	for _, name := range []string{"fleet/prometheus.yml", "fleet/sites.yml", "alerts.yaml"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(name)), read(t, name), 0o600))
	}
	out, err := exec.Command(tool, "check", "config", filepath.Join(dir, "prometheus.yml")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.NotContains(t, string(out), "WARNING") // it only warns of a missing sites.yml
}

// amtool accepts the example's file for Alertmanager, and sends each severity of alerts.yaml to the right receiver.
func TestFleetAlertmanager(t *testing.T) {
	tool := programtest.Need(t, "amtool", "prometheus-alertmanager")
	const file = "fleet/alertmanager.yml"
	out, err := exec.Command(tool, "check-config", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	receivers := map[string]string{"critical": "on-duty", "warning": "caretaker", "info": "caretaker"}
	for _, m := range regexp.MustCompile(`severity: (\w+)`).FindAllStringSubmatch(string(read(t, "alerts.yaml")), -1) {
		require.Contains(t, receivers, m[1])
	}
	for severity, receiver := range receivers {
		out, err := exec.Command(tool, "config", "routes", "test", "--config.file="+file,
			"--verify.receivers="+receiver, "severity="+severity, "site=millrace").CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
}

// What a site adds to its file is valid. Its account at the broker is the last word of its topic, as sites.acl demands.
func TestFleetSite(t *testing.T) {
	const line = "  - name: box-office\n    adapter: {user: box-office, password: {file: a}}\n" +
		"    service: {registrar: sip:pbx.millrace.example, user: box-office, password: {file: b}}\n" +
		"    contact: {driver: modbus, controller: relays, coil: 0, accept_open_if_daemon_dies: true}\n"
	c, faults := config.Parse("site.yaml", []byte(wholeFile(line)+string(read(t, "fleet/site.yaml"))), secrets())
	require.Empty(t, faults.String())
	way := c.Alarms.Ways[0].MQTT
	require.Equal(t, "clearback/"+way.User, way.Topic)
	require.Contains(t, string(read(t, "fleet/sites.acl")), "pattern readwrite clearback/%u/#\n")
	require.Contains(t, string(read(t, "fleet/sites.yml")),
		"[\""+c.Metrics.Listen.String()+"\"]\n  labels: {site: "+way.User+"}\n")
}
