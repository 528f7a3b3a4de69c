package cli

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/stretchr/testify/require"

	"clearback/bridge/control"
	"clearback/bridge/journal"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// hostile has one character of each kind that must not be in any output.
const hostile = "=1\u009b31m\x1b[2J\x7f\u202e\u2066\u200e\u200f\u061c\u2028\x00\r\n\tend"

func requirePlain(t *testing.T, s string) {
	t.Helper()
	for _, r := range s {
		require.True(t, r == '\n' || r == '\t' || unicode.IsPrint(r), "%U in %q", r, s)
	}
}

// A character that arrives in two writes stays one character.
func TestSafeWriter(t *testing.T) {
	var b bytes.Buffer
	p := &safeWriter{w: &b}
	for _, c := range []byte("größe 😀 \u202e\u0085x\n") {
		n, err := p.Write([]byte{c})
		require.NoError(t, err)
		require.Equal(t, 1, n)
	}
	_, err := p.Write([]byte("\xff\xc3"))
	require.NoError(t, err)
	_, err = p.Write([]byte("y\n"))
	require.NoError(t, err)
	require.Equal(t, "größe 😀 \\u202e\\u0085x\n??y\n", b.String())
}

// If a far end sends hostile text, then the table, CSV, JSON and explain contain nothing that acts on a terminal. CSV
// has the usual number of cells, and JSON the exact text.
func TestCallsHaveNoControlCharacters(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	recordCall(t, path, callrecord.Party{Number: hostile, Name: "@" + hostile, CallID: "-" + hostile})
	for _, args := range [][]string{{"calls"}, {"calls", "--csv"}, {"calls", "--json"}, {"explain", "last"},
		{"explain", hostile}} {
		code, out, errs := call("", append(args, "--journal", path)...)
		require.Equal(t, args[len(args)-1] == hostile, code != ExitOK, errs)
		requirePlain(t, out+errs)
	}
	_, out, _ := call("", "calls", "--journal", path)
	require.Equal(t, 2, strings.Count(out, "\n"), out)
	_, out, _ = call("", "calls", "--csv", "--journal", path)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 2)
	cells := map[string]string{}
	for i, name := range rows[0] {
		cells[name] = rows[1][i]
	}
	require.Equal(t, `'=1\u009b31m\u001b[2J\u007f\u202e\u2066\u200e\u200f\u061c\u2028\u0000\u000d\u000a\u0009end`,
		cells["number"])
	require.True(t, strings.HasPrefix(cells["name"], "'@") && strings.HasPrefix(cells["sip_call_id"], "'-"), cells)
	_, out, _ = call("", "calls", "--json", "--journal", path)
	var back map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &back))
	require.Equal(t, hostile, back["number"])
}

func recordCall(t *testing.T, path string, party callrecord.Party) {
	t.Helper()
	j := journal.Open(journal.Options{Path: path})
	at := time.Now()
	recordInto(j, callrecord.CallInfo{Line: "box-office", Call: 1, Direction: callrecord.Incoming,
		Party: party})(callrecord.Entry{Line: "box-office", At: at, Event: supervision.Event{Kind: supervision.CallArrived,
		Call: 1}})
	require.NoError(t, j.Close())
}

// In `lines`, text of peers stays in its cell.
func TestLinesHaveNoControlCharacters(t *testing.T) {
	var b bytes.Buffer
	printDaemon(&safeWriter{w: &b}, control.Daemon{Journal: control.Journal{Path: "x"}, Lines: []control.Line{{
		Name: "box-office", Service: control.Service{Registers: true, Problem: hostile}, Loop: "closed",
		Calls: []control.Call{{Call: 1, State: "answered", Number: hostile}},
	}}}, time.Now())
	requirePlain(t, b.String())
	require.Equal(t, 2, strings.Count(b.String(), "\n"), b.String())
}
