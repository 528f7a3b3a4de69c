package deploy

import (
	"os/exec"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// Prometheus itself accepts the rules, and each of them fires as testdata/alerts_test.yaml says.
func TestAlerts(t *testing.T) {
	tool := programtest.Need(t, "promtool", "prometheus")
	for _, arguments := range [][]string{{"check", "rules", "alerts.yaml"}, {"test", "rules", "testdata/alerts_test.yaml"}} {
		out, err := exec.Command(tool, arguments...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
}

// Every rule is tested.
func TestEveryAlertIsTested(t *testing.T) {
	rules := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(read(t, "alerts.yaml")), -1)
	require.Greater(t, len(rules), 10)
	for _, r := range rules {
		require.Regexp(t, `alertname: `+r[1]+`\n        exp_alerts:\n`, string(read(t, "testdata/alerts_test.yaml")))
	}
}
