package alarms

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"clearback/supervision/alarm"

	"github.com/stretchr/testify/require"
)

func script(t *testing.T, text string, arguments ...string) *Program {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("programs can be run on Linux only")
	}
	file := filepath.Join(t.TempDir(), "notify")
	require.NoError(t, os.WriteFile(file, []byte("#!/bin/sh\n"+text+"\n"), 0o700))
	w, err := NewProgram(ProgramOptions{Path: file, Arguments: arguments})
	require.NoError(t, err)
	return w
}

// TestProgram checks what a program gets, and that its first line is the answer.
func TestProgram(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	w := script(t, `cat > "$1"; echo "$CLEARBACK_ID $CLEARBACK_KIND $CLEARBACK_URGENT $CLEARBACK_SITE: $CLEARBACK_SUBJECT"`, out)
	m := message(t, "a-1", true, "line/box-office/unreachable")
	answer, err := send(t, w, m, 10*time.Second)
	require.NoError(t, err)
	require.Equal(t, "exit status 0 a-1 begun true Millrace Playhouse: box-office: the adapter does not respond", answer)
	text, err := os.ReadFile(out)
	require.NoError(t, err)
	var got alarm.Message
	require.NoError(t, json.Unmarshal(text, &got))
	require.Equal(t, *m, got)
}

// TestProgramStatus checks which exit statuses are final (75: EX_TEMPFAIL of sysexits.h; 126, 127: POSIX), and that no
// error shows an argument.
func TestProgramStatus(t *testing.T) {
	for text, final := range map[string]bool{"exit 75": false, "exit 126": false, "exit 127": false, "exit 1": true,
		"exit 64": true, "kill -9 $$": false} {
		w := script(t, `echo "no $1" >&2; `+text, "token-4711")
		_, err := send(t, w, message(t, "a-1", false), 10*time.Second)
		require.ErrorContains(t, err, "no (secret)", text)
		require.Equal(t, final, permanent(err), text)
	}
	w, err := NewProgram(ProgramOptions{Path: "/nonexistent/notify"})
	require.NoError(t, err)
	_, err = send(t, w, message(t, "a-1", false), 10*time.Second)
	require.ErrorContains(t, err, "not")
	require.False(t, permanent(err))
}

// TestProgramHangs checks that a program which hangs, or does not read its input, is killed or left in time.
func TestProgramHangs(t *testing.T) {
	begin := time.Now()
	_, err := send(t, script(t, "sleep 3600"), message(t, "a-1", false), 200*time.Millisecond)
	require.ErrorContains(t, err, "killed")
	require.False(t, permanent(err))
	require.Less(t, time.Since(begin), 20*time.Second)
	m := message(t, "a-1", false)
	m.Text = string(make([]byte, 1<<20)) // more than a pipe holds
	_, err = send(t, script(t, "exit 0"), m, 10*time.Second)
	require.NoError(t, err)
}
