package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Each key of the file either changes while the daemon runs, or is named as one that needs a restart.
func TestEveryKeyIsLiveOrNeedsARestart(t *testing.T) {
	live := []string{"require", "controllers", "lines", "emergency.extensions", "alarms.site",
		"alarms.repeat", "alarms.quiet_hours", "alarms.summary", "alarms.per_hour", "alarms.registration_lost", "alarms.ways"}
	decided := func(path string) bool {
		if slices.Contains(live, path) {
			return true
		}
		for _, k := range restartKeys {
			if k.key == path {
				return true
			}
		}
		return false
	}
	for _, k := range fileKeys(new(Config)) {
		if decided(k.name) {
			continue
		}
		require.NotNil(t, k.below, k.name)
		for _, below := range k.below() {
			require.True(t, decided(k.name+"."+below.name), "%s.%s is neither live nor in restartKeys", k.name,
				below.name)
		}
	}
}

// loadSample loads a copy of the sample with a change.
func loadSample(t *testing.T, path, old, new string) *Config {
	t.Helper()
	text, err := os.ReadFile("../deploy/clearback.yaml")
	require.NoError(t, err)
	require.Contains(t, string(text), old)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(text), old, new, 1)), 0o600))
	d := newDecoder(path, Env{})
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	c := d.decode(data)
	require.Empty(t, d.faults)
	c.loaded = loadedFile{path, data, d.places}
	return c
}

// A key that needs a restart is named with its place. Without such a key, nothing is.
func TestNeedsRestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	running := loadSample(t, path, "", "")
	require.Empty(t, running.NeedsRestart(running))
	for change, want := range map[[2]string]string{
		{"country: GB", "country: IE"}:                       ": country: changes only with a restart of the daemon",
		{"ports: 30000-30999", "ports: 30000-30995"}:         ": media.ports: changes only",
		{"level: info", "level: debug"}:                      ": log: changes only",
		{"max_size: 1GB", "max_size: 2GB"}:                   ": journal: changes only",
		{"socket: /run/clearback/control", "socket: /run/c"}: ": control: changes only",
		{"require: none", "require: none # as before"}:       "",
		{"from: [192.0.2.96/28]", "from: [192.0.2.96/29]"}:   ": media.from: changes only",
	} {
		faults := loadSample(t, path, change[0], change[1]).NeedsRestart(running)
		if want == "" {
			require.Empty(t, faults, change)
			continue
		}
		require.Len(t, faults, 1, change)
		require.Contains(t, faults[0].String(), want)
		require.Greater(t, faults[0].Line, 5, change)
	}
}

// Only the text of the file counts as an edit, and an interval of a command's own is none.
func TestEdited(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	c := loadSample(t, path, "", "")
	is := func(want bool) {
		t.Helper()
		edited, err := c.Edited()
		require.NoError(t, err)
		require.Equal(t, want, edited)
	}
	is(false)
	require.NoError(t, os.Chtimes(path, time.Now(), time.Now().Add(time.Hour)))
	is(false)
	name := c.Lines[0].Name
	_, ok := c.WithTuned(name, c.Lines[0].Policy.Interval)
	require.False(t, ok, "nothing was written")
	const tuned, release = 600 * time.Millisecond, 400 * time.Millisecond
	require.NoError(t, SetTuned(path, name, tuned, release))
	is(true)
	for _, wrong := range []struct {
		line     string
		interval time.Duration
	}{{name, tuned + 1}, {c.Lines[1].Name, tuned}, {"foyer", tuned}} {
		_, ok := c.WithTuned(wrong.line, wrong.interval)
		require.False(t, ok, wrong)
	}
	secret := c.Lines[0].Service.Password
	c, ok = c.WithTuned(name, tuned)
	require.True(t, ok)
	is(false)
	require.Equal(t, tuned, c.Lines[0].Policy.Interval)
	require.Equal(t, release, c.Lines[0].Equipment.CardReleaseMax)
	require.Equal(t, secret, c.Lines[0].Service.Password)

	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, append(text, "# a comment\n"...), 0o600))
	require.NoError(t, SetTuned(path, name, tuned-time.Millisecond, 0))
	_, ok = c.WithTuned(name, tuned-time.Millisecond)
	require.True(t, ok, "a comment changes nothing")
	more := strings.Replace(string(text), "remind: 15m", "remind: 16m", 1)
	require.NoError(t, os.WriteFile(path, []byte(more), 0o600))
	_, ok = c.WithTuned(name, tuned)
	require.False(t, ok, "an edit")
	require.NoError(t, os.Remove(path))
	_, err = c.Edited()
	require.ErrorContains(t, err, "read the configuration")
}
