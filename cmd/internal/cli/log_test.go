package cli

import (
	"encoding/json"
	"errors"
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/config"
)

// A reader of the log that does not read costs lines but no time: the write returns at once.
func TestSlowLogReaderDelaysNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, w := io.Pipe()
		log, end := newLogger(config.Log{Level: "info"}, w)
		for range sinkLines + 100 {
			log.Info("curtain") // in the bubble, waiting for the reader would be a deadlock
		}
		done := make(chan string)
		go func() {
			all, _ := io.ReadAll(r)
			done <- string(all)
		}()
		<-time.After(2 * time.Second) // the bubble's clock: the lost lines are reported
		end()
		require.NoError(t, w.Close())
		all := <-done
		assert.InDelta(t, sinkLines+1, strings.Count(all, "curtain"), 2)
		assert.Contains(t, all, "log lines were lost")
	})
}

func TestLogForms(t *testing.T) {
	for form, want := range map[string]string{"json": `"msg":"ready"`, "console": "\tready", "auto": `"msg":"ready"`} {
		var h outputBuffer
		log, end := newLogger(config.Log{Level: "warn", Format: form}, &h)
		log.Info("not this", zap.String("line", "box-office"))
		log.Warn("ready")
		end()
		assert.Contains(t, h.String(), want, form)
		assert.NotContains(t, h.String(), "not this")
	}
}

// TestLogLine checks the form of a log line. Log collectors rely on the keys of its head and on the form of times and
// durations.
func TestLogLine(t *testing.T) {
	var h outputBuffer
	log, end := newLogger(config.Log{Level: "info", Format: "json"}, &h)
	at := time.Date(2026, 3, 14, 19, 30, 0, 123_456_789, time.UTC)
	log.Named("box-office").Warn("curtain", zap.Duration("late", 1500*time.Microsecond), zap.Time("at", at),
		zap.Uint64("call", 3))
	end()
	require.Regexp(t, `^\{"level":"warn","ts":"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)","logger":"box-office","msg":"curtain",`+
		`"late":"1.5ms","at":"2026-03-14T19:30:00.123456789Z","call":3\}\n$`, h.String())
}

// Whatever text a peer sends, each log entry stays one line, without characters that move a terminal's cursor or turn
// the direction of writing, and long texts are cut. JSON stays valid.
func TestLogHasNoControlCharacters(t *testing.T) {
	const evil = "a\r\nfake entry\x1b[2J\x07\x7f\u009b31m\u202etxt.exe\u2028\xff\U000e0041z"
	for _, form := range []string{"json", "console"} {
		var h outputBuffer
		log, end := newLogger(config.Log{Level: "info", Format: form}, &h)
		log.With(zap.String("name", evil)).Info("curtain", zap.String("agent", evil), zap.Error(errors.New(evil)),
			zap.String("long", strings.Repeat("x", 1<<20)), zap.NamedError("longer",
				errors.New(strings.Repeat("y", 1<<20))))
		end()
		all := h.String()
		require.Equal(t, 1, strings.Count(all, "\n"), form)
		require.Less(t, len(all), 4*maxLogged, form)
		for _, r := range all {
			require.True(t, r == '\n' || r == '\t' || unicode.IsPrint(r), "%s: %q", form, r)
		}
		require.Contains(t, all, `\u009b31m`)
		if form == "json" {
			var back map[string]any
			require.NoError(t, json.Unmarshal([]byte(all), &back))
			require.Contains(t, back["agent"], "\u009b31m")
		}
	}
}

// notify sends the datagram of sd_notify(3).
func TestNotify(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	require.NoError(t, err)
	defer c.Close()
	t.Setenv("NOTIFY_SOCKET", name)
	notify("READY=1")
	require.NoError(t, c.SetReadDeadline(time.Now().Add(5*time.Second)))
	b := make([]byte, 64)
	n, err := c.Read(b)
	require.NoError(t, err)
	assert.Equal(t, "READY=1", string(b[:n]))
	t.Setenv("NOTIFY_SOCKET", name+"-nobody")
	notify("READY=1") // without a listener, nothing happens
}
