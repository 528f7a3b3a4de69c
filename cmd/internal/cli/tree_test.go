package cli

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/daemon/daemontest"
)

// The help lists every command with its operands, by group. The example in each command's help passes its own parser.
func TestHelpOfEveryCommand(t *testing.T) {
	code, list, errs := call("", "help")
	require.Equal(t, ExitOK, code)
	require.Empty(t, errs)
	for _, c := range commands() {
		assert.Equal(t, !c.hidden, strings.Contains(list, "\n  "+strings.TrimSpace(c.name+" "+c.operands)+" "), c.name)
		assert.Contains(t, list, "\n"+c.group+":\n")
		code, out, errs := call("", "help", c.name)
		assert.Equal(t, ExitOK, code)
		assert.Empty(t, errs)
		assert.Contains(t, out, c.short+".")
		assert.Contains(t, out, strings.TrimSpace("Usage:\n  clearback "+c.name+" "+c.operands))
		assert.Contains(t, out, "\nExample:\n  "+c.example+"\n")
		_, flag, _ := call("", c.name, "--help")
		assert.Equal(t, out, flag, c.name)
		typed, ok := strings.CutPrefix(strings.TrimSuffix(strings.TrimPrefix(c.example, "source <("), ")"),
			"clearback ")
		require.True(t, ok, c.example)
		assert.Empty(t, refused(strings.Fields(typed)), c.example)
		assert.LessOrEqual(t, widest(onTerminal(t, 80, "help", c.name)), 80)
	}
	assert.LessOrEqual(t, widest(onTerminal(t, 80, "help")), 80)
	for _, example := range strings.Fields("rehearse check") {
		assert.Contains(t, list, "\n  clearback "+example)
	}
}

// A mistyped command gets an error that suggests the right one, and does nothing.
func TestMistyped(t *testing.T) {
	for typed, says := range map[string]string{
		"explan last":             `there is no subcommand "explan"; did you mean explain?`,
		"ines":                    `did you mean lines?`,
		"rehersal":                "there is no subcommand \"rehersal\"\n`clearback help` lists them",
		"help explan":             `there is no subcommand "explan"; did you mean explain?`,
		"calls --jason":           "calls: flag provided but not defined: --jason; `clearback calls --help` lists the flags",
		"--loudly":                "clearback: flag provided but not defined: --loudly",
		"calls --limit many":      "calls: --limit many: write a whole number",
		"calls --json=perhaps":    "calls: --json perhaps: write true or false",
		"pulse --interval":        "pulse: flag needs an argument: --interval",
		"check --config a.yaml b": "check: name the file once: --config a.yaml or b",
		"completion csh":          `completion: name a shell: bash, zsh or fish; not "csh"`,
		"man":                     "man: name the directory",
	} {
		code, out, errs := call("", strings.Fields(typed)...)
		assert.Equal(t, ExitFaults, code, typed)
		assert.Empty(t, out, typed)
		assert.Contains(t, errs, says, typed)
	}
}

// A time without a unit gets an error with an example, whichever flag it is for.
func TestLengthsNeedAUnit(t *testing.T) {
	for typed, says := range map[string]string{
		"pulse box-office --interval 5":     "pulse: --interval 5: 5 of what? e.g. 800ms\n",
		"pulse box-office --interval=0.5":   "pulse: --interval 0.5: 0.5 of what? e.g. 800ms\n",
		"pulse box-office --interval 5x":    "pulse: --interval 5x: write a length of time, e.g. 800ms\n",
		"pulse box-office --interval -1s":   "pulse: --interval -1s: allowed is more than 0, e.g. 800ms\n",
		"tune box-office --shortest 300":    "tune: --shortest 300: 300 of what? e.g. 300ms\n",
		"close --within 1":                  "close: --within 1: 1 of what? e.g. 10s\n",
		"relay --config x --close --within": "relay: flag needs an argument: --within\n",
		"relay --config x --within 7":       "relay: --within 7: 7 of what? e.g. 3s\n",
		"calls --since 2":                   "calls: --since 2: 2 of what? e.g. 90m, 36h or 2d\n",
		"calls --since 0h":                  "calls: --since 0h: allowed is more than 0, e.g. 90m, 36h or 2d\n",
		"calls --since yesterday":           "calls: --since yesterday: write a length of time, e.g. 90m, 36h or 2d\n",
		"calls --since NaNd":                "calls: --since NaNd: write a length of time",
		"calls --since 36501d":              "calls: --since 36501d: write a length of time",
	} {
		code, _, errs := call("", strings.Fields(typed)...)
		assert.Equal(t, ExitFaults, code, typed)
		assert.Contains(t, errs, "clearback: "+says, typed)
	}
	for _, typed := range []string{"0", "0s", "700ms", "1.5s"} { // 0: the line's own interval
		assert.Empty(t, refused([]string{"pulse", "box-office", "--interval", typed}), typed)
	}
	for _, typed := range []string{"90m", "2d", "0.5d", "36500d"} {
		assert.Empty(t, refused([]string{"calls", "--since", typed}), typed)
	}
}

// Scripts may write flags with one dash, as Go's flag package accepts them. The value of a flag stays as typed.
func TestFlagsWithOneDash(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	_, two, _ := call("", "window", "box-office", "--config", path)
	require.Contains(t, two, "box-office: interval")
	for _, args := range [][]string{
		{"window", "box-office", "-config", path},
		{"window", "-config=" + path, "box-office"},
		{"window", "-config", path, "--", "box-office"},
	} {
		code, out, errs := call("", args...)
		require.Equal(t, ExitOK, code, errs)
		assert.Equal(t, two, out)
	}
	code, out, _ := call("", "rehearse", "-list")
	assert.Equal(t, ExitOK, code)
	assert.Contains(t, out, "held-call")
	code, out, _ = call("", "pulse", "-help")
	assert.Equal(t, ExitOK, code)
	assert.Contains(t, out, "--interval")

	t.Chdir(t.TempDir())
	for _, args := range []string{"calls --journal -config", "calls -journal -config", "calls -journal=-config"} {
		code, _, errs := call("", strings.Fields(args)...)
		assert.Equal(t, ExitFailed, code, args)
		assert.Regexp(t, `(^|[ "])-config\b`, errs, "the file of that name is not there: %s", args)
	}
}

// check reads the file that --config, its operand or CLEARBACK_CONFIG names, as every other command does.
func TestCheckNamesItsFile(t *testing.T) {
	t.Setenv(configVariable, daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060"))
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	for said, args := range map[string][]string{os.Getenv(configVariable): {"check"},
		path: {"check", "--config", path}} {
		code, out, errs := call("", args...)
		assert.Equal(t, ExitOK, code, errs)
		assert.Contains(t, out, said+": no faults", args)
	}
	_, operand, _ := call("", "check", path)
	_, flag, _ := call("", "check", "--config", path)
	assert.Equal(t, operand, flag)
}

// --version, with one dash or two, prints the same as the command version.
func TestVersionFlag(t *testing.T) {
	_, want, _ := call("", "version")
	require.Contains(t, want, "clearback ")
	for _, typed := range []string{"--version", "-version"} {
		code, out, errs := call("", typed)
		assert.Equal(t, ExitOK, code)
		assert.Equal(t, want, out+errs)
	}
}

// The shells call a hidden command to complete a word: with the lines of the file, the scenes or the commands.
func TestCompletion(t *testing.T) {
	path := daemontest.File(t, "127.0.0.1:1502", "192.0.2.1", "192.0.2.2:5060")
	t.Setenv(configVariable, path)
	spoilt := filepath.Join(t.TempDir(), "spoilt.yaml")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text = []byte(strings.Replace(string(text), "media: direct", "media: dirct", 1))
	require.NoError(t, os.WriteFile(spoilt, text, 0o600))
	for typed, want := range map[string]string{
		"pulse _":                                   "box-office",
		"pulse --config /nowhere/none _":            "",
		"pulse --config " + spoilt + " _":           "box-office",
		"pulse -config " + path + " bo":             "box-office",
		"pulse box-office _":                        "",
		"keep _":                                    "box-office",
		"calls _":                                   "box-office",
		"explain _":                                 "box-office last",
		"check --live --states _":                   "box-office",
		"check --live --pulse _":                    "box-office",
		"rehearse --scene unp":                      "unplugged",
		"rehearse --scene held-call --habit call-w": "call-waiting",
		"completion _":                              "bash fish zsh",
		"help wi":                                   "window",
		"wi":                                        "window",
		"pulse --interval _":                        "",
		"calls --fo":                                "--follow",
	} {
		args := strings.Fields("__complete " + typed)
		if args[len(args)-1] == "_" {
			args[len(args)-1] = ""
		}
		_, out, _ := call("", args...)
		var got []string
		for line := range strings.Lines(out) {
			if name, _, _ := strings.Cut(strings.TrimSpace(line), "\t"); !strings.HasPrefix(name, ":") {
				got = append(got, name)
			}
		}
		assert.ElementsMatch(t, strings.Fields(want), got, typed)
	}
}
