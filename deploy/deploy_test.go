package deploy

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"clearback/bridge/programtest"
	"clearback/config"
)

const (
	sample   = "clearback.yaml"
	contacts = "contacts.yaml" // the drivers' keys
)

// secrets returns an environment in which every secret is found.
func secrets() config.Env {
	return config.Env{
		Getenv:   func(string) (string, bool) { return "somewhere", true },
		ReadFile: func(string) ([]byte, error) { return []byte("curtain\n"), nil },
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return data
}

func TestSampleLoads(t *testing.T) {
	c, faults := config.Parse(sample, read(t, sample), secrets())
	require.Empty(t, faults.String())
	require.Len(t, c.Lines, 4)
	require.Equal(t, "curtain", c.Lines[0].Adapter.Password.Reveal())
}

var (
	request    = regexp.MustCompile(`^lines\.contact\.http\.(open|close|read|sense)\.`)
	secretForm = regexp.MustCompile(`\.(env|credential|file)$`)
)

// TestContactsLoad checks that contacts.yaml loads and has one contact for each kind of setting.
func TestContactsLoad(t *testing.T) {
	c, faults := config.Parse(contacts, read(t, contacts), secrets())
	require.Empty(t, faults.String())
	require.Len(t, c.Lines, 9)
	kinds := map[string]string{}
	for i := range c.Lines {
		kinds[c.Lines[i].Name] = c.Lines[i].Contact.Kind()
	}
	// An interval can be written into any line of the file. Nothing else in the file changes.
	for i := range c.Lines {
		name := c.Lines[i].Name
		text, err := config.WithInterval(contacts, read(t, contacts), name, 900*time.Millisecond)
		require.NoError(t, err, name)
		changed, faults := config.Parse(contacts, text, secrets())
		require.Empty(t, faults.String(), name)
		for j := range changed.Lines {
			require.Equal(t, i == j, changed.Lines[j].Policy.Interval == 900*time.Millisecond, name)
			require.Equal(t, c.Lines[j].Contact, changed.Lines[j].Contact, name)
		}
	}
	require.Equal(t, map[string]string{
		"box-office": "oneshot", "stage-door": "none", "workshop": "none", "green-room": "oneshot", "foyer": "none",
		"wardrobe":    "none",
		"prompt-desk": "oneshot", "scene-dock": "none", "fly-floor": "oneshot",
	}, kinds)
}

// TestSampleHasEveryKey checks that the samples, which are the manual, show every key of the loader's tables in its
// place. (The loader rejects a key that does not exist.)
func TestSampleHasEveryKey(t *testing.T) {
	have := map[string]bool{}
	for _, file := range []string{sample, contacts} {
		var doc yaml.Node
		require.NoError(t, yaml.Unmarshal(read(t, file), &doc))
		collect(doc.Content[0], "", have)
	}
	need := keys(t, "the daemon's file")
	require.Greater(t, len(need), 70)
	for _, path := range need {
		// The password of a second account has the keys of the first account's.
		if strings.HasPrefix(path, "lines.service.second.password.") {
			continue
		}
		// All requests to a web device have the keys of the timed one, and a secret has the same three forms
		// everywhere.
		if r := request.FindString(path); r != "" && !have[path] {
			path = strings.Replace(path, r, "lines.contact.http.timed.", 1)
		}
		if s := secretForm.FindString(path); s != "" && (strings.HasPrefix(path, "controllers.") ||
			strings.HasPrefix(path, "alarms.")) ||
			strings.HasPrefix(path, "lines.contact.http.timed.headers.") {
			continue
		}
		// A line's own socket has the same keys as the shared one.
		if path, own := strings.CutPrefix(path, "lines."); own && strings.Contains(path, ".socket.") &&
			!strings.HasSuffix(path, ".listen") {
			continue
		}
		assert.True(t, have[path], "the manual has no %s", path)
	}
}

// keys returns the keys of one of the two configuration files. The test of config compares this list with the loader's
// tables.
func keys(t *testing.T, file string) []string {
	t.Helper()
	for part := range strings.SplitSeq(string(read(t, "../cmd/internal/frozen/testdata/keys.txt")), "\n\n") {
		if list, ok := strings.CutPrefix(part, file+"\n----\n"); ok {
			return strings.Fields(list)
		}
	}
	t.Fatalf("no list of the keys of %s", file)
	return nil
}

// TestSampleShowsDefaults checks that the first line of the sample equals a line without those keys, so it shows the
// defaults.
func TestSampleShowsDefaults(t *testing.T) {
	text := string(read(t, sample))
	c, faults := config.Parse(sample, []byte(text), secrets())
	require.Empty(t, faults.String())
	shown := c.Lines[0]
	plain := c.Lines[3] // has neither policy, verify nor equipment
	require.Equal(t, plain.Equipment, shown.Equipment)
	shown.Verify.OffHookNumber = ""
	require.Equal(t, plain.Verify, shown.Verify)
	shown.Policy.Steps = plain.Policy.Steps
	require.Equal(t, plain.Policy, shown.Policy)
	require.Equal(t, []string{"md5"}, shown.Adapter.Digest)
	require.Equal(t, plain.Adapter.Digest, shown.Adapter.Digest)
	require.Equal(t, plain.Adapter.Transfer, shown.Adapter.Transfer)
	require.Equal(t, plain.Service.SessionExpires, shown.Service.SessionExpires)
	require.Equal(t, plain.Service.MessageWaiting, shown.Service.MessageWaiting)
	require.Equal(t, plain.Calls, shown.Calls)
	require.Equal(t, config.Dial{}, plain.Dial)
	require.False(t, shown.Dial.International)
	require.Equal(t, config.Journal{File: c.Journal.File, Keep: 365 * 24 * time.Hour, MaxSize: 1_000_000_000,
		Numbers: "full"}, c.Journal)
	require.Equal(t, 15*time.Minute, c.Log.Remind)
}

// TestSampleWarns checks that the manual warns of risks and limits that users would otherwise find out too late.
func TestSampleWarns(t *testing.T) {
	text := strings.Join(strings.Fields(strings.ReplaceAll(string(read(t, sample)), "#", " ")), " ")
	for _, s := range []string{
		"Emergency calls are always kept in full",
		"the law of the place may forbid keeping it for long or at all, or may require it",
		"The loop then opens in the middle of the digits",
		"OPTIONS cannot tell a held line from a lifted handset",
		"it cannot tell a held line from a lifted handset either",
	} {
		require.Contains(t, text, s)
	}
}

// collect records the paths of all keys. All entries of a list share one path.
func collect(n *yaml.Node, path string, have map[string]bool) {
	for i := 0; n.Kind == yaml.SequenceNode && i < len(n.Content); i++ {
		collect(n.Content[i], path, have)
	}
	for i := 0; n.Kind == yaml.MappingNode && i < len(n.Content); i += 2 {
		below := strings.TrimPrefix(path+"."+n.Content[i].Value, ".")
		have[below] = true
		collect(n.Content[i+1], below, have)
	}
}

// lineName matches the first row of each line in a block that shows contacts.
var lineName = regexp.MustCompile(`(?m)^  - name: ([a-z-]+)\n    contact:`)

// wholeFile completes a YAML block of a page. A block that begins with a comment gets the rest of the file and of each
// line. A block that is one line gets the rest of the file.
func wholeFile(text string) string {
	const head = "country: GB\nsip: {adapter_side: {listen: 192.0.2.10:5060}, service_side: {listen: 192.0.2.10:5070}}\n"
	if strings.HasPrefix(text, "   ") { // the block is part of a list
		text = strings.ReplaceAll("\n"+text, "\n   ", "\n")
	}
	switch {
	case strings.HasPrefix(text, "#"):
		return head + lineName.ReplaceAllString(text, "  - name: $1\n    adapter: {user: $1, password: {file: a}}\n"+
			"    service: {registrar: sip:pbx.millrace.example, user: $1, password: {file: b}}\n    contact:")
	case strings.HasPrefix(text, "  - name: "):
		return head + "controllers: [{name: relays, driver: modbus, modbus: {address: 192.0.2.30:502}}]\nlines:\n" + text
	}
	return text
}

// TestPageBlocksLoad checks that each YAML block of the pages loads, completed by wholeFile. The blocks must show every
// driver.
func TestPageBlocksLoad(t *testing.T) {
	drivers := map[string]bool{}
	for _, page := range []string{"../README.md", "contacts.md", "operation.md", "relay.md", "wiring.md", "adding-a-line.md",
		"first-line.md"} {
		blocks := strings.Split(string(read(t, page)), "```yaml\n")[1:]
		require.NotEmpty(t, blocks, page)
		for n, b := range blocks {
			text, _, closed := strings.Cut(b, "```")
			require.True(t, closed)
			text = wholeFile(text)
			c, faults := config.Parse(page, []byte(text), secrets())
			require.Empty(t, faults.String(), text)
			if page == "../README.md" && n == 0 { // the commands below the block need this
				require.NotEmpty(t, c.Control.Socket)
				require.NotEmpty(t, c.Journal.File)
			}
			for i := range c.Lines {
				drivers[c.Lines[i].Contact.Driver] = true
			}
		}
	}
	require.Len(t, drivers, 8, "none and seven more: %v", drivers)
}

func unitOf(t *testing.T, file string) map[string][]string {
	all := map[string][]string{}
	for line := range strings.Lines(string(read(t, file))) {
		if k, v, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(k, "#") {
			all[k] = append(all[k], v)
		}
	}
	return all
}

func TestUnit(t *testing.T) {
	u := unitOf(t, "clearback.service")
	for k, want := range map[string]string{
		"Type": "notify", "Restart": "always", "RestartSec": "100ms", "TimeoutStopSec": "45s",
		"RestartKillSignal": "SIGUSR2", "FileDescriptorStoreMax": "4096",
		"StartLimitIntervalSec": "0", "User": "clearback", "WatchdogSec": "10s",
		// The exit code of a file that cannot be read or has faults. A Go program that panics ends with 2.
		"RestartPreventExitStatus": "78",
		// The name is the one with which config looks for the files of the folder.
		"LoadCredential": "secrets:/etc/clearback/secrets",
		"ExecStart":      "/usr/local/bin/clearback run --config /etc/clearback/clearback.yaml",
		"ExecStopPost":   "/usr/local/bin/clearback close --config /etc/clearback/clearback.yaml --within 1s",
	} {
		require.Equal(t, []string{want}, u[k], k)
	}
	loaded, faults := config.Parse(sample, read(t, sample), secrets())
	require.Empty(t, faults.String())
	// The strict file system has two writable places, which systemd creates for StateDirectory= and RuntimeDirectory=
	// (systemd.exec(5)).
	require.Equal(t, []string{"strict"}, u["ProtectSystem"])
	require.Len(t, u["StateDirectory"], 1)
	require.Equal(t, "/var/lib/"+u["StateDirectory"][0], filepath.Dir(loaded.Journal.File))
	require.Len(t, u["RuntimeDirectory"], 1)
	require.Equal(t, "/run/"+u["RuntimeDirectory"][0], filepath.Dir(loaded.Control.Socket))
	require.Equal(t, []string{loaded.Control.Group}, u["Group"])
	require.Equal(t, []string{"0755"}, u["RuntimeDirectoryMode"], "the group comes through to the socket")
	require.Equal(t, []string{"restart"}, u["RuntimeDirectoryPreserve"], "registrations outlive a restart")
	require.Equal(t, []string{"0750"}, u["StateDirectoryMode"], "numbers are nobody else's business")
}

// TestWatchUnit checks the units of the watch (SAFETY.md S136): every 30 s, as the daemon's user, with its secrets, no
// device and no capability, and rated by systemd as strictly as the daemon.
func TestWatchUnit(t *testing.T) {
	u, d := unitOf(t, "clearback-watch.service"), unitOf(t, "clearback.service")
	for _, k := range []string{"User", "Group", "StateDirectory", "StateDirectoryMode", "LoadCredential", "ProtectSystem",
		"PrivateDevices", "CapabilityBoundingSet", "NoNewPrivileges", "UMask"} {
		require.Equal(t, d[k], u[k], k)
	}
	require.Equal(t, []string{"/usr/local/bin/clearback alarm --watch --config /etc/clearback/clearback.yaml"}, u["ExecStart"])
	require.NotContains(t, u, "WantedBy", "only the timer starts it")
	require.Equal(t, []string{"30s"}, unitOf(t, "clearback-watch.timer")["OnUnitActiveSec"])
	programtest.Need(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	program := filepath.Join(dir, "clearback")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755))
	var files []string
	for _, name := range []string{"clearback-watch.service", "clearback-watch.timer"} {
		text := bytes.ReplaceAll(read(t, name), []byte("/usr/local/bin/clearback"), []byte(program))
		files = append(files, filepath.Join(dir, name))
		require.NoError(t, os.WriteFile(files[len(files)-1], text, 0o644))
	}
	out, err := exec.Command("systemd-analyze", append([]string{"verify", "--man=no"}, files...)...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.NotContains(t, string(out), "clearback-watch", "systemd has something to say")
	out, err = exec.Command("systemd-analyze", "security", "--offline=true", "--threshold=15", "--no-pager",
		files[0]).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// TestUnitVerifies runs systemd's own check. The check needs the programs to exist.
func TestUnitVerifies(t *testing.T) {
	programtest.Need(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	program := filepath.Join(dir, "clearback")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755))
	file := filepath.Join(dir, "clearback.service")
	text := bytes.ReplaceAll(read(t, "clearback.service"), []byte("/usr/local/bin/clearback"), []byte(program))
	require.NoError(t, os.WriteFile(file, text, 0o644))
	out, err := exec.Command("systemd-analyze", "verify", "--man=no", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for line := range strings.Lines(string(out)) {
		require.NotContains(t, line, "clearback.service", "systemd has something to say")
	}
	// systemd rates what an attacker who has taken over the daemon could still do: 0 is nothing, 100 is everything. The
	// measured value was 14 (systemd 252).
	out, err = exec.Command("systemd-analyze", "security", "--offline=true", "--threshold=15", "--no-pager",
		file).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// dropIn returns the settings of a drop-in that a unit's comment shows below a line.
func dropIn(t *testing.T, unit, below string) string {
	t.Helper()
	_, rest, found := strings.Cut(unit, below)
	require.True(t, found, below)
	_, rest, _ = strings.Cut(rest, "#   [Service]\n")
	settings := ""
	for line := range strings.Lines(rest) {
		setting, ok := strings.CutPrefix(line, "#   ")
		if !ok {
			break
		}
		settings += setting
	}
	require.NotEmpty(t, settings, below)
	return settings
}

// exposed requires that systemd rates a unit with further settings at this value or less (see TestUnitVerifies), and no
// lower, so that a comment that names the value stays true.
func exposed(t *testing.T, unit, settings string, value int) {
	t.Helper()
	file := filepath.Join(t.TempDir(), "unit.service")
	text := strings.Replace(unit, "\n[Install]", "\n"+settings+"\n[Install]", 1)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	rate := func(threshold int) error {
		return exec.Command("systemd-analyze", "security", "--offline=true", fmt.Sprintf("--threshold=%d", threshold),
			"--no-pager", file).Run()
	}
	require.NoError(t, rate(value), settings)
	require.Error(t, rate(value-1), settings)
}

// TestUnitForDevices checks the drop-in that the unit's comment shows for contacts at this machine's own devices.
func TestUnitForDevices(t *testing.T) {
	programtest.Need(t, "systemd-analyze", "systemd")
	unit := string(read(t, "clearback.service"))
	devices := dropIn(t, unit, "# Contacts by gpio, serial or modbus-rtu")
	exposed(t, unit, devices, 16)
	exposed(t, unit, devices+"SystemCallFilter=~@chown\n", 15)
	exposed(t, unit, "SupplementaryGroups=operators\n", 14)
	dropIn := "[Service]\n" + devices
	for _, setting := range []string{"PrivateDevices=no", "DevicePolicy=closed", "DeviceAllow=char-gpiochip rw",
		"DeviceAllow=char-ttyUSB rw", "SupplementaryGroups="} {
		require.Contains(t, dropIn, setting)
	}
	dir := t.TempDir()
	program := filepath.Join(dir, "clearback")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755))
	file := filepath.Join(dir, "clearback.service")
	require.NoError(t, os.Mkdir(file+".d", 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(file+".d", "devices.conf"), []byte(dropIn), 0o644))
	require.NoError(t, os.WriteFile(file, []byte(strings.ReplaceAll(unit, "/usr/local/bin/clearback", program)), 0o644))
	out, err := exec.Command("systemd-analyze", "verify", "--man=no", file).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for line := range strings.Lines(string(out)) {
		require.NotContains(t, line, dir, "systemd has something to say")
	}
}
