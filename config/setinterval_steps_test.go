package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// For every layout of the steps, those not longer than the new interval are removed, and every other byte stays.
func TestWithIntervalTrimsSteps(t *testing.T) {
	own := "  - name: box-office\n    " + boxOffice + "    policy:\n"
	braces := "  - name: box-office\n    " + boxOffice + "    policy: "
	usual := stageDoor + "    policy: &usual\n      interval: 900ms\n      steps: [950ms, 1.1s, 1.3s] # of the door\n" +
		braces
	merging := strings.Replace(stageDoor, "- name", "- &line\n    name", 1)
	for name, c := range map[string]struct{ entries, from, to string }{
		"none to go": {own + "      interval: 800ms\n      steps: [1001ms] # long\n" + stageDoor, "800ms", "1s"},
		"brackets": {own + "      interval: 800ms # by tune\n      # rising\n      steps: [ 1s, 1.2s,1300ms ] # found\n" +
			stageDoor,
			"800ms # by tune\n      # rising\n      steps: [ 1s, 1.2s",
			"1s # by tune\n      # rising\n      steps: [ 1.2s"},
		"brackets, several to go": {own +
			"      steps: [850ms,'900ms' , \"1s\", &last 1.2s]\n      interval: 800ms\n" + stageDoor,
			"850ms,'900ms' , \"1s\", &last 1.2s]\n      interval: 800ms", "&last 1.2s]\n      interval: 1s"},
		"brackets, none left": {own + "      interval: 800ms\n      steps: [ 900ms, 1s, ] # short\n" +
			stageDoor, "800ms\n      steps: [ 900ms, 1s, ]", "1s\n      steps: []"},
		"brackets, props": {own + "      interval: 800ms\n      steps: &s !!seq [!!str 1s, 1.2s]\n" +
			stageDoor, "800ms\n      steps: &s !!seq [!!str 1s, 1.2s", "1s\n      steps: &s !!seq [1.2s"},
		"brackets, without an end": {stageDoor + own + "      interval: 800ms\n      steps: [1s, 1.2s]",
			"800ms\n      steps: [1s, 1.2s]", "1s\n      steps: [1.2s]"},
		"brackets, no interval": {own + "      lead: 500ms\n      steps: [1s, 1.2s]\n" + stageDoor,
			"      lead: 500ms\n      steps: [1s, ", "      interval: 1s\n      lead: 500ms\n      steps: ["},
		"brackets, steps first": {own + "      steps: [1s, 1.2s]\n" + stageDoor, "      steps: [1s, ",
			"      interval: 1s\n      steps: ["},
		"braces": {braces + "{interval: 800ms, steps: [1s, 1.2s], lead: 500ms}\n" + stageDoor,
			"800ms, steps: [1s, ", "1s, steps: ["},
		"braces, steps first": {braces + "{steps: [1s], interval: \"800ms\"} # all\n" + stageDoor,
			"[1s], interval: \"800ms\"", "[], interval: \"1s\""},
		"braces, no interval": {braces + "{steps: [1s]}\n" + stageDoor, "{steps: [1s]",
			"{interval: 1s, steps: []"},
		"an alias among the steps": {own +
			"      lead: &l 850ms\n      interval: 800ms\n      steps: [*l, 1.1s]\n" + stageDoor,
			"800ms\n      steps: [*l, ", "1s\n      steps: ["},
		"an alias of steps": {stageDoor + "    policy: {steps: &s [950ms, 1.1s]}\n" + own +
			"      interval: 800ms\n      steps: *s # as there\n", "800ms\n      steps: *s", "1s\n      steps: [1.1s]"},
		"an alias of a block of steps": {stageDoor + "    policy:\n      steps: &s\n      - 950ms\n" + braces +
			"{steps: *s}\n", "{steps: *s", "{interval: 1s, steps: []"},
		"brackets over lines": {own +
			"      interval: 800ms\n      steps: [\n        900ms, # the first\n        # what it needs\n        950ms, 1s,   # more\n\n        # the top\n        1.2s,  # last\n        ]\n" +
			stageDoor,
			"800ms\n      steps: [\n        900ms, # the first\n        # what it needs\n        950ms, 1s,   # more\n",
			"1s\n      steps: [\n        # what it needs\n"},
		"brackets over lines, from the first": {own +
			"      interval: 800ms\n      steps: [ 1s, # the first\n        # the top\n        1.2s] # end\n" +
			stageDoor, "800ms\n      steps: [ 1s, # the first\n", "1s\n      steps: [\n"},
		"brackets over lines, commas first": {own +
			"      interval: 800ms\n      steps:\n        [ 900ms # first\n        , 1s # second\n        , 1.2s\n        ]\n" +
			stageDoor, "800ms\n      steps:\n        [ 900ms # first\n        , 1s # second\n        , ",
			"1s\n      steps:\n        [ "},
		"brackets over lines, comments before commas": {own +
			"      interval: 800ms\n      steps:\n        [ 1s # first\n        # the top\n        , 1.2s\n        ]\n" +
			stageDoor, "800ms\n      steps:\n        [ 1s # first\n        # the top\n        , ",
			"1s\n      steps:\n        [\n        # the top\n        "},
		"brackets over lines, none left": {own +
			"      interval: 800ms\n      steps: [ # rising\n        900ms, # the first\n        # what it needs\n        1s] # end\n" +
			stageDoor,
			"800ms\n      steps: [ # rising\n        900ms, # the first\n        # what it needs\n        1s] # end",
			"1s\n      steps: [ # rising\n        # what it needs\n        ] # end"},
		"brackets over lines, nothing said": {own +
			"      interval: 800ms\n      steps: [\n        900ms,\n        1s\n      ]\n" + stageDoor,
			"800ms\n      steps: [\n        900ms,\n        1s\n      ]", "1s\n      steps: []"},
		"dashes": {own + "      interval: 800ms\n      steps: # rising\n        - 900ms # the first\n        # what it needs\n        -   '1s'\n        # the top\n        - 1.2s\n" +
			stageDoor,
			"800ms\n      steps: # rising\n        - 900ms # the first\n        # what it needs\n        -   '1s'\n",
			"1s\n      steps: # rising\n        # what it needs\n"},
		"dashes under the key": {own + "      steps:\n      - !!str 1s\n\n      - 1.2s\n      interval: 800ms\n" +
			stageDoor, "      - !!str 1s\n\n      - 1.2s\n      interval: 800ms", "\n      - 1.2s\n      interval: 1s"},
		"dashes on lines of theirs": {own +
			"      interval: 800ms\n      steps:\n      -\n        1s # first\n      -\n        1.2s\n" + stageDoor,
			"800ms\n      steps:\n      -\n        1s # first\n", "1s\n      steps:\n"},
		"dashes, no interval": {own + "      # by hand\n      steps:\n      - 1s\n      - 1.2s\n" + stageDoor,
			"      # by hand\n      steps:\n      - 1s\n", "      interval: 1s\n      # by hand\n      steps:\n"},
		"dashes, none left": {own +
			"      interval: 800ms\n      'steps' : # rising\n        - 900ms # the first\n        # the top\n        - 1s # last\n      lead: 500ms\n" +
			stageDoor,
			"800ms\n      'steps' : # rising\n        - 900ms # the first\n        # the top\n        - 1s # last\n",
			"1s\n      'steps' : [] # rising\n        # the top\n"},
		"dashes, props, none left": {own + "      interval: 800ms\n      steps: !!seq &s # rising\n        - 1s\n" +
			stageDoor, "800ms\n      steps: !!seq &s # rising\n        - 1s\n",
			"1s\n      steps: !!seq &s [] # rising\n"},
		"dashes, without an end": {stageDoor + own + "      interval: 800ms\n      steps:\n      - 1s",
			"800ms\n      steps:\n      - 1s", "1s\n      steps: []\n"},
		"asked for with a mark": {own + "      interval: 800ms\n      ? steps\n      :\n        - 1s\n" +
			stageDoor, "800ms\n      ? steps\n      :\n        - 1s\n", "1s\n      ? steps\n      : []\n"},
		"a policy's alias": {usual + "*usual # as there\n", "policy: *usual",
			"policy: {<<: *usual, interval: 1s, steps: [1.1s, 1.3s]}"},
		"merged": {usual +
			"# own\n      <<: *usual\n      interval: 910ms # longer\n      # how long to wait\n      lead: 500ms\n",
			"910ms # longer\n", "1s # longer\n      steps: [1.1s, 1.3s]\n"},
		"merged, interval last": {usual + "\n      <<: *usual\n      interval: '910ms'", "'910ms'",
			"'1s'\n      steps: [1.1s, 1.3s]"},
		"merged, no interval": {usual + "# own\n      <<: *usual\n", "# own\n      <<",
			"# own\n      interval: 1s\n      steps: [1.1s, 1.3s]\n      <<"},
		"merged, props": {usual + "\n      &own\n      <<: *usual\n", "&own\n",
			"&own\n      interval: 1s\n      steps: [1.1s, 1.3s]\n"},
		"merged, braces": {usual + "{<<: *usual, interval: '910ms', lead: 500ms}\n", "'910ms'",
			"'1s', steps: [1.1s, 1.3s]"},
		"merged, braces, no interval": {usual + "{<<: *usual}\n", "{<<", "{interval: 1s, steps: [1.1s, 1.3s], <<"},
		"merged, none left": {strings.Replace(usual, ", 1.1s, 1.3s", "", 1) + "{<<: *usual}\n", "{<<",
			"{interval: 1s, steps: [], <<"},
		"own before merged": {usual + "{<<: *usual, steps: [1s, 1.2s], interval: 910ms}\n",
			"[1s, 1.2s], interval: 910ms", "[1.2s], interval: 1s"},
		"a merged line, anchored": {merging +
			"    policy: &usual {interval: 900ms, steps: [950ms, 1.1s]}\n  - <<: *line\n    name: box-office\n    " +
			boxOffice,
			"name: box-office\n", "name: box-office\n    policy: {<<: *usual, interval: 1s, steps: [1.1s]}\n"},
		"a merged line": {merging +
			"    policy:\n      steps: [950ms, 1.1s] # rising\n      lead: 500ms\n  - <<: *line\n    name: box-office\n    " +
			boxOffice,
			"name: box-office\n", "name: box-office\n    policy: {interval: 1s, steps: [1.1s], lead: 500ms}\n"},
		"before others that have their own": {braces + "&usual {interval: 800ms, steps: [1s, 1.2s]}\n" + stageDoor +
			"    policy: {<<: *usual, interval: 900ms, steps: [1s]}\n", "800ms, steps: [1s, 1.2s", "1s, steps: [1.2s"},
	} {
		t.Run(name, func(t *testing.T) { writes(t, c.entries, c.from, c.to, "box-office", time.Second) })
	}
}

// writes checks that an interval changes one place of a file, with each kind of line end.
func writes(t *testing.T, entries, from, to, line string, interval time.Duration) {
	t.Helper()
	for _, eol := range []string{"\n", "\r\n"} {
		for _, bom := range []string{"", "\ufeff"} {
			text := bom + strings.ReplaceAll(millraceFile(entries), "\n", eol)
			from, to := strings.ReplaceAll(from, "\n", eol), strings.ReplaceAll(to, "\n", eol)
			require.Equal(t, 1, strings.Count(text, from))
			got, err := WithInterval("f", []byte(text), line, interval)
			require.NoError(t, err)
			require.Equal(t, strings.Replace(text, from, to, 1), string(got))
			again, err := WithInterval("f", got, line, interval)
			require.NoError(t, err)
			require.Equal(t, string(got), string(again), "an interval that is already there is not written again")
		}
	}
}

// The sample file can be changed for each of its lines: the steps of box-office are in its own policy, which stage-door
// shares.
func TestSampleTrimsSteps(t *testing.T) {
	diff, err := Preview("../deploy/clearback.yaml", "box-office", time.Second)
	require.NoError(t, err)
	require.Contains(t, diff, "\n-      steps: [1s, 1.3s]\n+      steps: [1.3s]\n")
	diff, err = Preview("../deploy/clearback.yaml", "stage-door", 1100*time.Millisecond)
	require.NoError(t, err)
	require.Contains(t, diff, "\n-      steps: [1.1s, 1.3s]\n+      interval: 1.1s\n+      steps: [1.3s]\n")
	_, minus, _ := strings.Cut(diff, "@@\n")
	require.Equal(t, 2, strings.Count(minus, "\n-"))
	require.Equal(t, 2, strings.Count(minus, "\n+"))
}

// SetTuned removes steps too, and Preview shows what it writes.
func TestSetIntervalTrimsSteps(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	text := millraceFile("  - name: box-office\n    " + boxOffice +
		"    policy:\n      interval: 800ms\n      steps:\n      - 1s # first\n      - 1.3s\n" + stageDoor)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	diff, err := Preview(path, "box-office", time.Second)
	require.NoError(t, err)
	require.Contains(t, diff,
		"-      interval: 800ms\n+      interval: 1s\n       steps:\n-      - 1s # first\n       - 1.3s\n",
		"what stays between is shown as it is")
	require.NoError(t, SetTuned(path, "box-office", time.Second, 0))
	require.Equal(t, strings.Replace(text, "800ms\n      steps:\n      - 1s # first\n", "1s\n      steps:\n", 1),
		contents(t, path))
	c, faults, err := Load(path)
	require.NoError(t, err)
	require.Empty(t, faults.String())
	require.Equal(t, time.Second, c.Lines[0].Policy.Interval)
	require.Equal(t, []time.Duration{1300 * ms}, c.Lines[0].Policy.Steps)
}
