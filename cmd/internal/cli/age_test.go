package cli

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"clearback/bridge/control"
)

// A clock that was set back or forward does not change how long ago an event was.
func TestAgeAfterAClockStep(t *testing.T) {
	now := time.Date(2026, 3, 1, 20, 15, 0, 0, time.Local)
	for _, step := range []time.Duration{-32 * time.Hour, 0, 32 * time.Hour} {
		var b strings.Builder
		printDaemon(&b, control.Daemon{Lines: []control.Line{{
			Name: "box-office",
			LastClearing: &control.Clearing{Call: 41, At: now.Add(-90 * time.Second).Add(step), Age: 90_000,
				Outcome: "cleared"},
			Incident: &control.Incident{Reason: "suppressed", Since: now.Add(-time.Hour).Add(step), Age: 3_600_000},
		}}}, now)
		assert.Contains(t, b.String(), "call 41, 1m30s ago")
		assert.Contains(t, b.String(), "INCIDENT suppressed for 1h0m0s.")
	}
	assert.Equal(t, "0s", elapsed(0, now.Add(time.Hour), now), "of a daemon that does not count")
}
