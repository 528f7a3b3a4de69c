//go:build linux

package interop

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestRecordOfAClearing compares what the commands, the control socket and the file say about a held call with what
// SIPp and the board saw.
func TestRecordOfAClearing(t *testing.T) {
	t.Parallel()
	need(t, "sqlite3", "curl")
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice, more: unwatched}}})
	follower := r.talk("calls", "--follow", "--json")
	near := r.adapterWaits(boxOffice, heldAnswered(0))
	far := r.farCalls(talked()).ok()
	near.ok()
	o := r.board.once(t, 0)
	requireInterval(t, usual, o)
	c := r.recorded("the call is over", func(c callSeen) bool { return c.Outcome == "unknown" })
	require.Len(t, r.calls(), 1)
	r.requireRecord(c, far, o)
	requireTable(t, r.mustRun("calls", "--csv"))
	require.Empty(t, r.calls("--failed"), "nothing was checked, so nothing failed")
	text := r.mustRun("explain", "last")
	for _, word := range []string{"555-0101", boxOffice, "BYE: the far end cleared", "open for 800 ms"} {
		require.Contains(t, text, word)
	}
	require.Equal(t, text, r.mustRun("explain", boxOffice))

	l := r.awaitLine(boxOffice, "the loop is closed", func(l lineSeen) bool { return l.Loop == "closed" })
	require.Equal(t, "unknown", l.LastClearing.Outcome)
	require.Equal(t, 800, l.Interval.Milliseconds)
	require.Equal(t, "loft", l.Contact.Controller)
	r.requireFileSays(c)
	r.requireSocketSays()
	follower.until(`"outcome":"unknown"`)
	require.Contains(t, strings.Join(follower.log, "\n"), `"outcome":"in-progress"`,
		"`calls --follow` showed the call while it was up")

	r.d.Signal(syscall.SIGTERM)
	require.Zero(t, r.ended(5*time.Second))
	require.Equal(t, text, r.mustRun("explain", "last"), "with the daemon stopped")
	gone := r.cli("lines")
	require.Equal(t, 1, gone.code)
	require.Contains(t, gone.err, "no daemon answers")
	require.NoFileExists(t, r.control)
}

// requireRecord compares a record with what SIPp and the board saw.
func (r *testBed) requireRecord(c callSeen, far *party, o opening) {
	t := r.t
	t.Helper()
	require.Equal(t, boxOffice, c.Line)
	require.Equal(t, "incoming", c.Direction)
	require.Equal(t, "555-0101", c.Number)
	require.Equal(t, "far-end", c.ClearedBy)
	require.Equal(t, "bye", c.Evidence)
	require.Equal(t, far.gave("INVITE", "1 INVITE").header("Call-ID"), c.CallID)
	require.Equal(t, 1, c.Openings)
	require.InDelta(t, 800, c.Asked, 0)
	requireMeasured(t, c.Measured, o)
	require.WithinDuration(t, far.gave("BYE", "BYE").at, c.Cleared, r.soon())
	require.WithinDuration(t, far.got("SIP/2.0 200", "INVITE").at, c.Answered, r.soon())
	require.Empty(t, c.Hook, "nobody looked")
}

// requireTable reads CSV with its header.
func requireTable(t *testing.T, text string) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 2)
	row := map[string]string{}
	for i, name := range rows[0] {
		row[name] = rows[1][i]
	}
	for name, want := range map[string]string{
		"line": boxOffice, "direction": "incoming", "number": "555-0101", "cleared_by": "far-end", "evidence": "bye",
		"openings":      "1",
		"open_asked_ms": "800", "outcome": "unknown", "failed": "false",
	} {
		require.Equal(t, want, row[name], name)
	}
}

// requireFileSays reads the same data from the file with SQLite's own program, while the daemon writes to it.
func (r *testBed) requireFileSays(c callSeen) {
	r.t.Helper()
	r.requireWhole()
	rows := r.sqlite("SELECT number, sip_call_id, openings, asked, measured FROM calls JOIN lines ON lines.id = calls.line WHERE lines.name = 'box-office'")
	require.Len(r.t, rows, 1)
	f := strings.Split(rows[0], "|")
	require.Len(r.t, f, 5)
	require.Equal(r.t, []string{"555-0101", c.CallID, "1"}, f[:3])
	require.NotZero(r.t, r.sqliteNumber("SELECT count(*) FROM events"))
	require.Equal(r.t, 1, r.sqliteNumber("SELECT count(*) FROM effects WHERE text LIKE 'open-loop%'"))
}

// requireSocketSays queries the control socket with curl.
func (r *testBed) requireSocketSays() {
	r.t.Helper()
	is, err := os.Stat(r.control)
	require.NoError(r.t, err)
	require.Equal(r.t, os.ModeSocket|0o660, is.Mode())
	out, err := exec.CommandContext(r.t.Context(), "curl", "-sS", "--fail", "--max-time", "5", "--unix-socket",
		r.control, "http://clearback/v1/daemon").CombinedOutput()
	require.NoError(r.t, err, "%s", out)
	var h daemonSeen
	require.NoError(r.t, json.Unmarshal(out, &h))
	require.Equal(r.t, 1, h.API)
	require.Equal(r.t, r.config(), h.Config)
	require.Equal(r.t, r.journal, h.Journal.Path)
	require.Empty(r.t, h.Journal.Problem)
	require.Len(r.t, h.Lines, 1)
	out, err = exec.CommandContext(r.t.Context(), "curl", "-sS", "--max-time", "5", "-w", "%{http_code}", "-X", "POST",
		"--unix-socket", r.control,
		"http://clearback/v1/lines/green-room/pulse").CombinedOutput()
	require.NoError(r.t, err, "%s", out)
	require.Contains(r.t, string(out), `"no-such-line"`)
	require.True(r.t, strings.HasSuffix(string(out), "404"), "%s", out)
}

// TestSoundInTheRecord: `lines` shows how both ends of a call are heard, and `explain` what was received.
func TestSoundInTheRecord(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, farHost: 4, lines: []lineSetup{{name: boxOffice, host: 2, more: unwatched}}})
	near, far := r.peer("near", 2, r.adapters[boxOffice], r.adapterPort), r.peer("far", 4, r.far, r.servicePort)
	call := r.soundCall(near, far, boxOffice, r.voice(2, 2), r.voice(4, 4))
	require.True(t, call.near.hears(call.far, call.farSide, 20, maxWait), "the near end hears the far end")
	require.Regexp(t, boxOffice+`: call \d+: far end heard \d+\.\d s ago, lost 0 %; adapter not heard yet\n`,
		r.mustRun("lines"))
	call.farClears()
	requireInterval(t, usual, r.board.once(t, 0))
	r.recorded("the call is over", func(c callSeen) bool { return c.Outcome == "unknown" })
	text := strings.Join(strings.Fields(r.mustRun("explain", boxOffice)), " ")
	require.Regexp(t, `Sound: \d+ packets came from the far end: lost 0 %, 0 late, jitter .* Nothing was heard from the adapter\. Why:`,
		text)
}
