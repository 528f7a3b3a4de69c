package config

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// millraceFile returns a file with two lines, with the given entries.
func millraceFile(entries string) string {
	return `# The Millrace Playhouse.
country: GB
sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}
controllers: [{name: relays, driver: modbus, modbus: {address: "192.0.2.30:502"}}]
lines:
` + entries
}

const (
	boxOffice = `adapter: {user: box-office, contact: "sip:192.0.2.21"}
    service: {registrar: "sip:192.0.2.5", user: 5550101, register: false}
    contact: {driver: none}
`
	stageDoor = `  - name: stage-door
    adapter: {user: stage-door, contact: "sip:192.0.2.22"}
    service: {registrar: "sip:192.0.2.5", user: 5550102, register: false}
    contact: {driver: none}
`
)

func TestWithInterval(t *testing.T) {
	for name, c := range map[string]struct{ entries, from, to string }{
		"there": {"  - name: box-office\n    " + boxOffice +
			"    policy:\n      lead: 500ms\n      # measured\n      interval: 800ms   # by tune\n" + stageDoor,
			"interval: 800ms ", "interval: 700ms "},
		"single quotes": {"  - name: box-office\n    " + boxOffice +
			"    policy: {interval: '800ms', lead: 500ms}\n" + stageDoor, "'800ms'", "'700ms'"},
		"double quotes": {"  - name: box-office\n    " + boxOffice +
			"    policy: {interval: \"80\\x30ms\", lead: 500ms}\n" + stageDoor, "\"80\\x30ms\"", "\"700ms\""},
		"last, without a line break": {stageDoor + "  - name: box-office\n    " + boxOffice +
			"    policy:\n      interval: 800ms", "interval: 800ms", "interval: 700ms"},
		"an anchor nobody uses": {"  - name: box-office\n    " + boxOffice + "    policy: {interval: &i 800ms}\n" +
			stageDoor, "&i 800ms", "&i 700ms"},
		"a tag": {"  - name: box-office\n    " + boxOffice +
			"    policy: {interval: !!str 800ms}\n" + stageDoor, "!!str 800ms", "!!str 700ms"},
		"an alias of a value": {"  - name: box-office\n    " + boxOffice +
			"    policy: {lead: &l 500ms, interval: *l}\n" + stageDoor, "interval: *l", "interval: 700ms"},
		"policy without it": {"  - name: box-office\n    " + boxOffice +
			"    policy: # of the house\n      # how long to wait\n      lead: 500ms\n" + stageDoor,
			"policy: # of the house\n", "policy: # of the house\n      interval: 700ms\n"},
		"policy without it, props on a line of their own": {"  - name: box-office\n    " + boxOffice +
			"    policy:\n      &own\n      lead: 500ms\n" + stageDoor,
			"      lead: 500ms\n", "      interval: 700ms\n      lead: 500ms\n"},
		"braces without it": {"  - name: box-office\n    " + boxOffice + "    policy: {lead: 500ms}\n" + stageDoor,
			"{lead", "{interval: 700ms, lead"},
		"braces over lines": {"  - name: box-office\n    " + boxOffice +
			"    policy: {\n      lead: 500ms,\n      }\n" + stageDoor, "      lead", "      interval: 700ms, lead"},
		"empty braces": {"  - name: box-office\n    " + boxOffice + "    policy: &none {}\n" + stageDoor, "{}",
			"{interval: 700ms}"},
		"no policy": {"  - name: box-office # of the house\n    " + boxOffice + stageDoor,
			"# of the house\n", "# of the house\n    policy:\n      interval: 700ms\n"},
		"no policy, name last": {stageDoor + "  - " + boxOffice + "    name: box-office", "    name: box-office",
			"    name: box-office\n    policy:\n      interval: 700ms"},
		"no policy, braces": {"  - {name: box-office, " + strings.ReplaceAll(strings.TrimSpace(boxOffice), "\n",
			",\n") + "}\n" + stageDoor, "{name: box-office", "{policy: {interval: 700ms}, name: box-office"},
		"merged": {"  - name: stage-door\n    adapter: {user: s, contact: \"sip:192.0.2.22\"}\n    service: {registrar: \"sip:192.0.2.5\", user: 5550102, register: false}\n    contact: {driver: none}\n    policy: &usual\n      interval: 900ms\n" +
			"  - name: box-office\n    " + boxOffice + "    policy:\n      <<: *usual\n      lead: 500ms\n",
			"policy:\n      <<: *usual", "policy:\n      interval: 700ms\n      <<: *usual"},
		"an alias": {strings.TrimSuffix(stageDoor, "\n") +
			"\n    policy: &usual\n      interval: 900ms\n  - name: box-office\n    " + boxOffice +
			"    policy: *usual # as there\n",
			"policy: *usual #", "policy: {<<: *usual, interval: 700ms} #"},
		"in a merged line, anchored": {strings.Replace(stageDoor, "- name", "- &line\n    name", 1) +
			"    policy: &usual {interval: 900ms, lead: 500ms}\n  - <<: *line\n    name: box-office\n    " + boxOffice,
			"name: box-office\n", "name: box-office\n    policy: {<<: *usual, interval: 700ms}\n"},
		"in a merged line, plain": {strings.Replace(stageDoor, "- name", "- &line\n    name", 1) +
			"    policy:\n      interval: 900ms # of the door\n      steps: [1s, '1.2s']\n  - <<: *line\n    name: box-office\n    " +
			boxOffice,
			"name: box-office\n", "name: box-office\n    policy: {interval: 700ms, steps: [1s, '1.2s']}\n"},
		"before others that have their own": {"  - name: box-office\n    " + boxOffice +
			"    policy: &usual {interval: 800ms, lead: 500ms}\n" + stageDoor +
			"    policy: {<<: *usual, interval: 900ms}\n",
			"{interval: 800ms, lead", "{interval: 700ms, lead"},
		"other characters before it": {"  - {name: box-office, adapter: {user: \"Büro–𝄞\", contact: \"sip:192.0.2.21\"}, service: {registrar: \"sip:192.0.2.5\", user: 5550101, register: false}, contact: {driver: none}, policy: {interval: 800ms}}\n" +
			stageDoor,
			"{interval: 800ms}", "{interval: 700ms}"},
	} {
		t.Run(name, func(t *testing.T) { writes(t, c.entries, c.from, c.to, "box-office", 700*ms) })
	}
}

// A file with one line, with and without a byte order mark.
func TestWithIntervalOnFirstLine(t *testing.T) {
	text := `{country: GB, sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}, lines: [{name: box-office, policy: {interval: 800ms}, ` +
		strings.Trim(strings.ReplaceAll(boxOffice, "\n", ", "), ", ") + "}]}"
	for _, bom := range []string{"", "\ufeff"} {
		got, err := WithInterval("f", []byte(bom+text), "box-office", 700*ms)
		require.NoError(t, err)
		require.Equal(t, bom+strings.Replace(text, "800ms", "700ms", 1), string(got))
	}
}

func TestWithIntervalRefuses(t *testing.T) {
	plain := millraceFile("  - name: box-office\n    " + boxOffice + "    policy: &usual {interval: 800ms}\n" +
		stageDoor)
	for want, c := range map[string]struct {
		text     string
		interval time.Duration
	}{
		"other lines share the same mapping through & and *: stage-door (800ms); first give each of them an interval of its own": {plain +
			"    policy: *usual\n", 700 * ms},
		"with 100ms the file would have a fault: lines[0].policy.interval: 100ms is out of bounds": {plain,
			100 * ms},
		"change policy.steps first: remove the steps that are not longer than 1.1s, so that [1.2s, 1.3s] is left": {strings.Replace(plain,
			"{interval: 800ms}",
			"\n      interval: 800ms\n      steps:\n      - >-\n        1s\n      - 1.2s\n      - 1.3s", 1), 1100 * ms},
		"change policy.steps first: remove the steps that are not longer than 1.2s, so that [] is left": {strings.Replace(plain,
			"{interval: 800ms}", "\n      interval: 800ms\n      ? steps\n      : - 1s\n        - 1.2s", 1), 1200 * ms},
		"with 1.5s the file would have a fault: lines[0].policy.interval: ": {strings.Replace(plain,
			"{interval: 800ms}", "{interval: 800ms, steps: [1s]}", 1), 1500 * ms},
		"through & and *: stage-door (900ms); first give each of them steps of its own (policy: {<<: *NAME, steps: [...]})": {strings.Replace(plain,
			"{interval: 800ms}", "{interval: 800ms, steps: [1s, 1.2s]}", 1) +
			"    policy: {<<: *usual, interval: 900ms}\n", time.Second},
		"stage-door (800ms); first give each of them an interval and steps of its own (policy: {<<: *NAME, interval: ..., steps:": {strings.Replace(plain,
			"{interval: 800ms}", "{interval: 800ms, steps: [1s, 1.2s]}", 1) + "    policy: *usual\n", time.Second},
		"stage-door (800ms); first give each of them steps of its own": {strings.Replace(plain,
			"{interval: 800ms}", "{steps: &s [1s, 1.2s]}", 1) + "    policy: {steps: *s}\n", time.Second},
		"the lines of the file would change; write the interval by hand": {strings.Replace(plain,
			"{interval: 800ms}", "{steps: [&s 1s, 1.2s]}", 1) + "    policy: {steps: [*s]}\n", time.Second},
		"the file already has faults; fix them first (`clearback check f`): f:1:10: ": {strings.Replace(plain,
			"# The Millrace Playhouse.\ncountry: GB", "country: Britain", 1), 700 * ms},
		"there is no such line; the lines of the file are green-room, stage-door": {strings.Replace(plain,
			"name: box-office", "name: green-room", 1), 700 * ms},
		"700.5ms is not an interval": {plain, 700*ms + 500*time.Microsecond},
		"0s is not an interval":      {plain, 0},
		"this part of the file has a form that cannot be edited automatically": {strings.Replace(plain, "{interval: 800ms}",
			"\n      interval: >-\n        800ms", 1), 700 * ms},
	} {
		got, err := WithInterval("f", []byte(c.text), "box-office", c.interval)
		require.ErrorIs(t, err, ErrInterval, "%s\n%s", want, got)
		require.ErrorContains(t, err, "f: line box-office: the interval is not written: ")
		require.ErrorContains(t, err, want)
		require.Equal(t, strings.HasPrefix(want, "change policy.steps"),
			strings.Contains(err.Error(), "change policy.steps"), "only where steps are in the way: %v", err)
		require.Nil(t, got)
	}
	// A whole line that another one merges: the other one would get the policy too.
	shared := millraceFile("  - &line\n    name: box-office\n    " + boxOffice + "  - <<: *line\n" +
		strings.Replace(stageDoor, "  - ", "    ", 1))
	_, err := WithInterval("f", []byte(shared), "box-office", 700*ms)
	require.ErrorContains(t, err, "stage-door (800ms)")
	// Secrets are neither needed nor shown.
	text, err := WithInterval("f", []byte(small), "stage-door", 700*ms)
	require.NoError(t, err)
	require.Contains(t, string(text), "    name: stage-door\n    policy:\n      interval: 700ms\n")
}

func TestSetInterval(t *testing.T) {
	dir := t.TempDir()
	real := filepath.Join(dir, "real.yaml")
	text := millraceFile("  - name: box-office\n    " + boxOffice + stageDoor)
	require.NoError(t, os.WriteFile(real, []byte(text), 0o600))
	require.NoError(t, os.Chmod(real, 0o640))
	owner := 0
	if os.Getuid() == 0 {
		owner = 12345
		require.NoError(t, os.Chown(real, owner, 12346))
	}
	link := filepath.Join(dir, "clearback.yaml")
	require.NoError(t, os.Symlink("real.yaml", link))

	diff, err := Preview(link, "box-office", 700*ms)
	require.NoError(t, err)
	require.Equal(t, "--- "+link+"\n+++ "+link+" (new)\n@@ -4,6 +4,8 @@\n"+
		" controllers: [{name: relays, driver: modbus, modbus: {address: \"192.0.2.30:502\"}}]\n lines:\n   - name: box-office\n"+
		"+    policy:\n+      interval: 700ms\n"+
		"     adapter: {user: box-office, contact: \"sip:192.0.2.21\"}\n"+
		"     service: {registrar: \"sip:192.0.2.5\", user: 5550101, register: false}\n     contact: {driver: none}\n",
		diff)
	require.Equal(t, text, contents(t, real), "a preview writes nothing")

	require.NoError(t, SetTuned(link, "box-office", 700*ms, 0))
	want := strings.Replace(text, "name: box-office\n", "name: box-office\n    policy:\n      interval: 700ms\n", 1)
	require.Equal(t, want, contents(t, real))
	info, err := os.Lstat(link)
	require.NoError(t, err)
	require.NotZero(t, info.Mode()&os.ModeSymlink, "the link is still a link")
	info, err = os.Stat(real)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o640), info.Mode())
	if owner != 0 {
		require.EqualValues(t, owner, info.Sys().(*syscall.Stat_t).Uid)
		require.EqualValues(t, 12346, info.Sys().(*syscall.Stat_t).Gid)
	}
	c, faults, err := Load(link)
	require.NoError(t, err)
	require.Empty(t, faults.String())
	require.Equal(t, 700*ms, c.Lines[0].Policy.Interval)

	same := info.ModTime()
	require.NoError(t, SetTuned(link, "box-office", 700*ms, 0))
	info, err = os.Stat(real)
	require.NoError(t, err)
	require.Equal(t, same, info.ModTime(), "nothing to write")
	diff, err = Preview(link, "box-office", 700*ms)
	require.NoError(t, err)
	require.Empty(t, diff)

	require.ErrorIs(t, SetTuned(link, "box-office", 5*time.Second, 0), ErrInterval)
	require.ErrorIs(t, SetTuned(filepath.Join(dir, "attic.yaml"), "box-office", 700*ms, 0), os.ErrNotExist)
	require.ErrorContains(t, replaceFile(real, []byte("the earlier text"), []byte("new")),
		"the file was changed meanwhile")
	require.Equal(t, want, contents(t, real))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 2, "no temporary file is left")
}

// A concurrent reader sees a whole file, the old or the new one.
func TestSetIntervalIsAtomic(t *testing.T) {
	path := filepath.Join(t.TempDir(), "clearback.yaml")
	text := millraceFile("  - name: box-office\n    " + boxOffice + "    policy: {interval: 800ms}\n" + stageDoor +
		strings.Repeat("# the playhouse has a long story\n", 2000))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	other := strings.Replace(text, "800ms", "900ms", 1)
	done := make(chan error, 1) // the result of the writer
	go func() {
		var err error
		for i := 0; i < 10 && err == nil; i++ {
			err = SetTuned(path, "box-office", []time.Duration{900 * ms, 800 * ms}[i%2], 0)
		}
		done <- err
	}()
	for reads := 0; ; reads++ {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		if s := string(data); s != text && s != other {
			t.Fatalf("read %d: %d bytes of %d", reads, len(s), len(text))
		}
		select {
		case err := <-done:
			require.NoError(t, err)
			require.Greater(t, reads, 10)
			return
		default:
		}
	}
}

func contents(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(data)
}
