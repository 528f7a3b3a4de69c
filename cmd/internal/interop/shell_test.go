//go:build linux

package interop

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// sample is the sample configuration. The shells complete its lines.
const sample = "../../../deploy/clearback.yaml"

// inShell runs a shell that reads a script. In it, clearback is a command, and the sample is its default configuration.
func inShell(t *testing.T, script string, shell ...string) string {
	t.Helper()
	need(t, shell[0])
	dir := t.TempDir()
	other, err := filepath.Abs(built.other)
	require.NoError(t, err)
	require.NoError(t, os.Symlink(other, filepath.Join(dir, "clearback")))
	config, err := filepath.Abs(sample)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, shell[0], shell[1:]...)
	cmd.Env = append(os.Environ(), "CLEARBACK_CONFIG="+config, "PATH="+dir+":"+os.Getenv("PATH"), "HOME="+dir,
		"TERM=dumb")
	cmd.Stdin = strings.NewReader(script)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}

// completed maps a line typed up to the cursor to the completions that the shell must offer. It may offer more.
var completed = map[string][]string{
	"clearback pulse b":              {"box-office"},
	"clearback explain ":             {"box-office", "stage-door", "last"},
	"clearback rehearse --scene unp": {"unplugged"},
	"clearback wi":                   {"window"},
}

func TestCompletionInBash(t *testing.T) {
	t.Parallel()
	const scripts = "/usr/share/bash-completion/bash_completion"
	if _, err := os.Stat(scripts); err != nil {
		programtest.Missing(t, "bash-completion", "bash-completion")
	}
	for line, want := range completed {
		out := inShell(t, `source `+scripts+`
source <(clearback completion bash)
COMP_LINE='`+line+`' COMP_POINT=${#COMP_LINE}
read -ra COMP_WORDS <<<"$COMP_LINE"
[[ $COMP_LINE == *' ' ]] && COMP_WORDS+=('')
COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
function=$(complete -p clearback | sed 's/.*-F \([^ ]*\) .*/\1/')
$function clearback
printf '<%s>\n' "${COMPREPLY[@]}"
`, "bash", "--norc")
		for _, word := range want {
			assert.Regexp(t, `<`+word+`[ >]`, out, line)
		}
	}
}

func TestCompletionInFish(t *testing.T) {
	t.Parallel()
	for line, want := range completed {
		out := inShell(t, "clearback completion fish | source\ncomplete -C '"+line+"'\n", "fish", "--no-config")
		for _, word := range want {
			assert.Regexp(t, `(?m)^`+word+`\b`, out, line)
		}
	}
}

// TestCompletionInZsh: zsh completes only at its own prompt, so the test replaces the functions that offer the words.
func TestCompletionInZsh(t *testing.T) {
	t.Parallel()
	for line, want := range completed {
		out := inShell(t, `compdef() { : }
_describe() { eval 'print -l $'${@[-1]} }
source <(clearback completion zsh)
words=(${(s: :)${:-"`+line+`"}})
[[ '`+line+`' == *' ' ]] && words+=('')
CURRENT=$#words
_clearback
`, "zsh", "-f")
		for _, word := range want {
			assert.Regexp(t, `(?m)^`+word+`\b`, out, line)
		}
	}
}

// TestManPages: man prints each page without a warning.
func TestManPages(t *testing.T) {
	t.Parallel()
	need(t, "man", "groff")
	dir := t.TempDir()
	out, err := exec.Command(built.other, "man", dir).CombinedOutput()
	require.NoError(t, err, "%s", out)
	pages, err := filepath.Glob(filepath.Join(dir, "*.1"))
	require.NoError(t, err)
	require.Greater(t, len(pages), 12)
	cmd := exec.Command("man", append([]string{"--warnings=w", "--local-file", "--encoding=UTF-8"}, pages...)...)
	cmd.Env = append(os.Environ(), "MANWIDTH=80", "LC_ALL=C.UTF-8", "MANPAGER=cat")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	text, err := cmd.Output()
	require.NoError(t, err, errs.String())
	assert.Empty(t, errs.String())
	for _, page := range pages {
		name := strings.TrimSuffix(filepath.Base(page), ".1")
		_, text, found := strings.Cut(string(text), strings.ToUpper(name)+"(1)")
		require.True(t, found, page)
		text, _, _ = strings.Cut(text, "\nSEE ALSO")
		assert.Regexp(t, `^.*\n\nNAME\n +`+name+` +- (?s:.*)\nSYNOPSIS\n(?s:.*)\nOPTIONS\n +--(?s:.*)\nEXAMPLES\n +`,
			text)
	}
}

// TestBrokenPipe: when the reader of a command's output has gone, the command ends without a message, and not by a
// signal.
func TestBrokenPipe(t *testing.T) {
	t.Parallel()
	for _, args := range []string{
		"help", "version", "rehearse --list", "completion bash", "window --config " + sample,
		"rehearse --scene held-call",
	} {
		cmd := exec.Command(built.other, strings.Fields(args)...)
		read, write, err := os.Pipe()
		require.NoError(t, err)
		require.NoError(t, read.Close())
		var errs bytes.Buffer
		cmd.Stdout, cmd.Stderr = write, &errs
		err = cmd.Run()
		require.NoError(t, write.Close())
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			assert.Equal(t, 1, exit.ExitCode(), "%s: %v", args, err)
		}
		assert.NotContains(t, errs.String(), "pipe", args)
		assert.NotContains(t, errs.String(), "clearback:", args)
	}
}
