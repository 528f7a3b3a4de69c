package config

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"clearback/config/file"
)

var rewrite = flag.Bool("rewrite", false, "write the faults into the bad files; review the difference")

// millraceEnv returns an environment with a password in PASSWORD and in secrets/password, and a credential called door.
func millraceEnv() Env {
	vars := map[string]string{"PASSWORD": "curtain-42", "EMPTY": "", "LINES": "two\nlines",
		"CREDENTIALS_DIRECTORY": "/run/credentials"}
	files := map[string]string{"secrets/password": "curtain-43\n", "/run/credentials/door": "curtain-44\r\n"}
	return Env{
		Getenv: func(name string) (string, bool) { v, ok := vars[name]; return v, ok },
		ReadFile: func(path string) ([]byte, error) {
			if s, ok := files[path]; ok {
				return []byte(s), nil
			}
			return nil, fmt.Errorf("open %s: %w", path, os.ErrNotExist)
		},
	}
}

const want = "# want "

// There is one bad file for each rule. Its first lines list exactly the faults that it must cause.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("testdata/*.yaml")
	require.NoError(t, err)
	require.Greater(t, len(files), 50)
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			var wanted, body strings.Builder
			for line := range strings.Lines(string(data)) {
				if text, ok := strings.CutPrefix(line, want); ok && body.Len() == 0 {
					wanted.WriteString(text)
					continue
				}
				body.WriteString(line)
			}
			// The positions are those of the body, so a further fault does not move them.
			c, faults := Parse("bad", []byte(body.String()), millraceEnv())
			got := strings.ReplaceAll(faults.String(), "bad:", "")
			if *rewrite {
				text := want + strings.ReplaceAll(strings.TrimSuffix(got, "\n"), "\n", "\n"+want) + "\n" + body.String()
				require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
				return
			}
			require.Nil(t, c)
			require.NotEmpty(t, faults)
			require.Equal(t, wanted.String(), got)
			for _, s := range []string{"curtain", "hunter"} {
				require.NotContains(t, got, s, "a secret")
			}
		})
	}
}

const small = `country: GB
sip: {adapter_side: {listen: "192.0.2.10:5060"}, service_side: {listen: "192.0.2.10:5070"}}
controllers: [{name: relays, driver: modbus, modbus: {address: "192.0.2.30:502"}}]
lines:
  - &first
    name: box-office
    adapter: {user: 0101, password: {env: PASSWORD}}
    service: {registrar: "sip:pbx.millrace.example", user: 5550101, password: {credential: door}}
    contact: {driver: modbus, controller: relays, coil: 0, timed: {register: 1, unit: 100ms, limit: 3s}}
  - <<: *first
    name: stage-door
    adapter: {user: stage-door, password: {file: secrets/password}}
    service: {registrar: "sip:pbx.millrace.example", user: 5550102, auth_user: door, password: {env: PASSWORD}}
    contact: {driver: modbus, controller: relays, coil: 1, accept_open_if_daemon_dies: true}
    media: direct
`

func TestDefaults(t *testing.T) {
	c, faults := Parse("small", []byte(small), millraceEnv())
	require.Empty(t, faults.String())
	first, second := c.Lines[0], c.Lines[1]
	require.Equal(t, "0101", first.Adapter.User, "as it is written, not a number")
	require.Equal(t, "5550101", first.Service.AuthUser)
	require.Equal(t, "door", second.Service.AuthUser)
	require.Equal(t, time.Hour, first.Service.Expires)
	require.True(t, first.Service.Register)
	require.Equal(t, 800*time.Millisecond, first.Policy.Interval)
	require.Equal(t, 30*time.Minute, first.Policy.CallbackWindow)
	require.Equal(t, "relay", first.Media)
	require.Equal(t, "direct", second.Media)
	require.Equal(t, "on", first.Contact.OpenLevel)
	require.EqualValues(t, 1, first.Contact.Unit)
	require.Nil(t, second.Contact.Timed, "a key of the line replaces the merged one completely")
	require.Equal(t, "192.0.2.10", c.Media.AdapterAddress.String())
	require.EqualValues(t, 30000, c.Media.PortLow)
	require.Equal(t, []string{"udp", "tcp"}, c.SIP.AdapterSide.Transports)
	require.Equal(t, 500*time.Millisecond, c.Controllers[0].Modbus.Timeout)
	require.Equal(t, []string{"curtain-42", "curtain-44", "curtain-43"},
		[]string{first.Adapter.Password.Reveal(), first.Service.Password.Reveal(), second.Adapter.Password.Reveal()})
}

func TestSecretsAreNotPrinted(t *testing.T) {
	c, faults := Parse("small", []byte(small), millraceEnv())
	require.Empty(t, faults)
	for _, s := range []string{fmt.Sprint(c), fmt.Sprintf("%+v", *c), fmt.Sprintf("%#v", *c),
		fmt.Sprintf("%s %d %x", c.Lines[0].Adapter.Password, c.Lines[0].Adapter.Password, c.Lines[0].Adapter.Password),
		c.Lines[0].Adapter.Password.String()} {
		require.NotContains(t, s, "curtain")
	}
}

// TestNoCredentials checks the fault of a daemon that has no credentials from systemd.
func TestNoCredentials(t *testing.T) {
	env := millraceEnv()
	all := env.Getenv
	env.Getenv = func(name string) (string, bool) {
		if name == "CREDENTIALS_DIRECTORY" {
			return "", false
		}
		return all(name)
	}
	_, faults := Parse("small", []byte(small), env)
	require.Equal(t, "small:8:79: lines[0].service.password: there are no credentials: CREDENTIALS_DIRECTORY is not set; start under systemd "+
		"with LoadCredential=, or use {file: PATH}\n", faults.String())
}

// TestCredentialInFolder: with LoadCredential=secrets:FOLDER, systemd makes secrets_NAME of each file NAME of the
// folder (systemd.exec(5)). A credential of its own name comes first.
func TestCredentialInFolder(t *testing.T) {
	env := millraceEnv()
	files := map[string]string{"/run/credentials/secrets_door": "curtain-45"}
	env.ReadFile = func(path string) ([]byte, error) {
		if s, ok := files[path]; ok {
			return []byte(s), nil
		}
		return nil, fmt.Errorf("open %s: %w", path, os.ErrNotExist)
	}
	for _, want := range []string{"curtain-45", "curtain-44"} {
		s, _, err := env.secret("credential", "door")
		require.NoError(t, err)
		require.Equal(t, want, s)
		files["/run/credentials/door"] = "curtain-44"
	}
	_, _, err := env.secret("credential", "gate")
	require.EqualError(t, err, "systemd has handed over no credential gate; put the secret into a file of that name in the folder "+
		"that the unit's LoadCredential= names, and start the unit again")
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "clearback.yaml")
	text := strings.NewReplacer("env: PASSWORD", "file: word", "credential: door", "file: word", "secrets/password",
		"word").Replace(small)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	_, faults, err := Load(path)
	require.NoError(t, err)
	require.Contains(t, faults.String(), "clearback.yaml:7:")
	require.Contains(t, faults.String(), "word: no such file")
	c, faults, err := LoadForClosing(path)
	require.NoError(t, err)
	require.Empty(t, faults, "contacts are closed even where a secret cannot be read")
	require.Empty(t, c.Lines[0].Adapter.Password.Reveal())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "word"), []byte("curtain\n"), 0o600))
	c, faults, err = Load(path)
	require.NoError(t, err)
	require.Empty(t, faults)
	require.Equal(t, "curtain", c.Lines[1].Adapter.Password.Reveal(), "relative to the file")
	_, _, err = Load(filepath.Join(dir, "attic.yaml"))
	require.True(t, errors.Is(err, os.ErrNotExist))
	require.NoError(t, os.WriteFile(path, make([]byte, file.Limit+1), 0o600))
	_, _, err = Load(path)
	require.ErrorContains(t, err, "larger")
}

func TestDescribe(t *testing.T) {
	text := strings.Replace(small, "accept_open_if_daemon_dies: true",
		"open_level: off, accept_open_if_daemon_dies: true, accept_open_if_power_fails: true", 1) +
		"  - {name: workshop, adapter: {user: w, contact: 'sip:192.0.2.22'}, service: {registrar: 'sip:192.0.2.5', user: 103, register: false}, contact: {driver: none}}\n" +
		"  - {name: green-room, policy: {life_safety: true}, adapter: {user: g, contact: 'sip:192.0.2.23'}, service: {registrar: 'sip:192.0.2.5', user: 104, register: false},\n" +
		"     contact: {driver: modbus, controller: relays, coil: 3, watchdog: {register: 9, unit: 100ms, timeout: 1s}}}\n"
	c, faults := Parse("small", []byte(text), millraceEnv())
	require.Empty(t, faults.String())
	require.Equal(t, []string{
		"line box-office: contact of kind oneshot, coil 0 of unit 1 at relays, open when the coil is on. If the daemon or the link fails during an interruption, the board itself closes the loop when the interval ends (at most 3s). If the board loses power, the loop closes. An interruption lasts 800ms. After holds that did not clear: 900ms 1.1s 1.3s. To check whether the hold has cleared, the adapter is asked with OPTIONS.",
		"line stage-door: contact of kind none, coil 1 of unit 1 at relays, open when the coil is off. If the daemon or the link fails during an interruption, the loop stays open until somebody closes it (accepted: accept_open_if_daemon_dies). If the board loses power, the loop opens and stays open (accepted: accept_open_if_power_fails). An interruption lasts 800ms. After holds that did not clear: 940ms 1.1s 1.3s. To check whether the hold has cleared, the adapter is asked with OPTIONS.",
		"line workshop: no contact; openings are only logged, not made.",
		"line green-room: contact of kind watchdog, coil 3 of unit 1 at relays, open when the coil is on. If the daemon or the link fails during an interruption, the board drops its outputs and closes the loop within 1s. If the board loses power, the loop closes. The loop is never opened: life_safety.",
	}, Describe(c))
	w := strings.Join(Warnings(c), "\n")
	for _, s := range []string{"stage-door: its loop may stay open", "stage-door: its loop opens",
		"workshop has no contact", "green-room is marked life_safety"} {
		require.Contains(t, w, s)
	}
	require.Len(t, Warnings(c), 4)
	off := parsed(t, small+"journal: {file: none}\ncontrol: {socket: none}\n")
	require.Contains(t, strings.Join(Warnings(off), "\n"), "journal.file is none, so nothing is recorded")
	require.Empty(t, DescribeFiles(off))
}

// Lead and interval may take the whole 2 s. But then an opening that had to wait for all of lead misses its not-after
// time.
func TestLeadWithoutSlackWarning(t *testing.T) {
	for lead, warned := range map[string]bool{"1.1s": false, "1.101s": true, "1.2s": true} {
		c, faults := Parse("small", []byte(strings.Replace(small, "    name: box-office\n",
			"    name: box-office\n    policy: {lead: "+lead+"}\n", 1)), millraceEnv())
		require.Empty(t, faults.String())
		require.Equal(t, warned, strings.Contains(strings.Join(Warnings(c), "\n"), "box-office: lead "+lead), lead)
	}
}

// The allowed range is wider than what is likely.
func TestOpeningWarnings(t *testing.T) {
	for n, want := range map[string]string{"2": "2 is so low that people may reach it", "3": "", "12": "",
		"13": "13 is more than people cause"} {
		c, faults := Parse("small", []byte(strings.Replace(small, "    name: box-office\n",
			"    name: box-office\n    policy: {openings_per_minute: "+n+"}\n", 1)), millraceEnv())
		require.Empty(t, faults.String())
		w := strings.Join(Warnings(c), "\n")
		require.Equal(t, want != "", strings.Contains(w, "line box-office: openings_per_minute "), n)
		require.Contains(t, w, want)
	}
}

func TestExtensionWarnings(t *testing.T) {
	text := small + "emergency: {extensions: [1xx, '4xxx', 99x], outside_prefixes: ['4'], numbers: ['0199']}\n"
	c, faults := Parse("small", []byte(text), millraceEnv())
	require.Empty(t, faults.String())
	var got []string
	for _, w := range Warnings(c)[:5] {
		got = append(got, strings.Join(strings.Fields(w)[2:3], ""))
	}
	require.ElementsMatch(t, []string{"112", "4112", "4911", "4999", "999"}, got)
}

// An extension may be an emergency number after a digit that may be a missing prefix. After a listed prefix, the usual
// warning is given.
func TestExtensionBehindADigitWarning(t *testing.T) {
	c, faults := Parse("small",
		[]byte(small+"emergency: {extensions: [8xxx, '9112', '7xxx'], outside_prefixes: ['9']}\n"), millraceEnv())
	require.Empty(t, faults.String())
	var got []string
	for _, w := range Warnings(c)[:4] {
		got = append(got, strings.Join(strings.Fields(w)[2:5], " "))
	}
	require.ElementsMatch(t, []string{"112 after 8", "911 after 8", "999 after 8", "9112 may also"}, got)
	require.NotContains(t, Warnings(c)[4], "extension")
}

// No text causes a panic in the loader. A text gives either a configuration or faults.
func FuzzParse(f *testing.F) {
	f.Add(small)
	for _, w := range ways {
		f.Add(w.file())
	}
	for _, s := range []string{"", "a: &a {<<: *a}\n", "lines: [&l {<<: *l}]", "lines:\n- ? [a]\n  : b",
		"country: !!binary GB", "lines: {}", "- a", "sip: ~"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, faults := Parse("f", []byte(s), millraceEnv())
		if (c == nil) != (len(faults) > 0) {
			t.Fatalf("%v %v", c, faults)
		}
		requireOneLineEach(t, faults)
	})
}

// Whatever text stands in the place of a key or a value, each fault prints on one line.
func TestFaultsPrint(t *testing.T) {
	sample, err := os.ReadFile("../deploy/clearback.yaml")
	require.NoError(t, err)
	var file yaml.Node
	require.NoError(t, yaml.Unmarshal(sample, &file))
	faulty := 0
	var each func(n *yaml.Node)
	each = func(n *yaml.Node) {
		if n.Kind == yaml.ScalarNode {
			was := *n
			n.Value, n.Tag, n.Style = "a\n\u202e\x1b", "!!str", yaml.DoubleQuotedStyle
			text, err := yaml.Marshal(&file)
			require.NoError(t, err)
			_, faults := Parse("f", text, millraceEnv())
			requireOneLineEach(t, faults)
			if len(faults) > 0 {
				faulty++
			}
			*n = was
		}
		for _, below := range n.Content {
			each(below)
		}
	}
	each(&file)
	require.Greater(t, faulty, 100)
}

// requireOneLineEach checks that each fault prints on one line.
func requireOneLineEach(t *testing.T, faults Faults) {
	t.Helper()
	for _, f := range faults {
		unprintable := func(r rune) bool { return !unicode.IsPrint(r) }
		require.False(t, strings.ContainsFunc(f.Problem, unprintable), "%q", f.Problem)
	}
}
