package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/supervision/window"
)

// The release time is written in its place, and nothing else changes.
func TestWithCardRelease(t *testing.T) {
	line := "  - name: box-office\n    " + boxOffice
	for name, c := range map[string]struct{ entries, from, to string }{
		"there": {line + "    equipment:\n      card_release: 50ms-600ms # as known\n" + stageDoor, "50ms-600ms",
			"480ms"},
		"in braces": {line + "    equipment: {relay_move: 4ms}\n" + stageDoor, "{relay_move",
			"{card_release: 480ms, relay_move"},
		"not there": {line + stageDoor, "name: box-office\n",
			"name: box-office\n    equipment:\n      card_release: 480ms\n"},
		"an alias": {strings.TrimSuffix(stageDoor, "\n") + "\n    equipment: &usual {relay_move: 4ms}\n" + line +
			"    equipment: *usual\n", "equipment: *usual", "equipment: {<<: *usual, card_release: 480ms}"},
		"with a steps": {line + "    policy: {steps: [1s]}\n    equipment:\n      relay_move: 4ms\n" + stageDoor,
			"equipment:\n", "equipment:\n      card_release: 480ms\n"},
	} {
		t.Run(name, func(t *testing.T) {
			before := millraceFile(c.entries)
			got, err := WithCardRelease("house.yaml", []byte(before), "box-office", 480*ms)
			require.NoError(t, err)
			require.Equal(t, strings.Replace(before, c.from, c.to, 1), string(got))
		})
	}
	shared := millraceFile(strings.TrimSuffix(stageDoor, "\n") + "\n    equipment: &usual {card_release: 300ms}\n" +
		line + "    equipment: *usual\n")
	_, err := WithCardRelease("house.yaml", []byte(shared), "stage-door", 480*ms)
	require.ErrorIs(t, err, ErrRelease)
	_, err = WithCardRelease("house.yaml", []byte(shared), "trapdoor", 480*ms)
	require.ErrorIs(t, err, ErrRelease)
}

// An interval that a tuning session found is possible according to the file that it was written into.
func TestMeasuredReleaseAllowsItsInterval(t *testing.T) {
	path := filepath.Join(t.TempDir(), "house.yaml")
	require.NoError(t, os.WriteFile(path, []byte(millraceFile("  - name: box-office\n    "+boxOffice+stageDoor)),
		0o600))
	require.False(t, window.Of(read(path,
		[]byte(millraceFile("  - name: box-office\n    "+boxOffice+stageDoor))).config.Lines[0].Window(),
		window.WorstCase).Allows(530*ms))
	preview, err := PreviewTuned(path, "box-office", 530*ms, 470*ms)
	require.NoError(t, err)
	require.Contains(t, preview, "+      card_release: 470ms")
	require.Contains(t, preview, "+      interval: 530ms")
	require.NoError(t, SetTuned(path, "box-office", 530*ms, 470*ms))
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	l := read(path, data).config.Lines[0]
	require.Equal(t, 530*ms, l.Policy.Interval)
	require.True(t, window.Of(l.Window(), window.WorstCase).Allows(530*ms))
}
