//go:build linux

package interop

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestKilledUnderLoad: the daemon is killed repeatedly with calls in all states on four lines. The journal's file stays
// intact. The calls that were up are recorded as broken off, and `explain` works for them.
func TestKilledUnderLoad(t *testing.T) {
	t.Parallel()
	need(t, "sqlite3")
	var all []lineSetup
	for i, name := range []string{boxOffice, stageDoor, "workshop", "green-room"} {
		all = append(all, lineSetup{name: name, coil: i, interval: 250 * time.Millisecond, policy: quickPolicy,
			more: unwatched})
	}
	r := newTestBed(t, setup{record: true, lines: all})
	broken, logged := 0, 0
	for range 2 {
		r.load(all)
		eventually(t, 15*time.Second, "there was load", func() bool {
			return strings.Count(r.d.Output(), "call-arrived") >= 10 && time.Since(r.d.started) > 2*lostAtMost
		})
		r.d.Signal(syscall.SIGKILL)
		require.Equal(t, -1, r.ended(5*time.Second))
		logged += r.eventsUntil(lostAtMost)
		for _, p := range r.parties {
			p.Kill()
		}
		// the ends of the calls are dead too, so no call is taken up (TestCallsOutliveAKill)
		require.NoError(t, os.RemoveAll(r.control+".state"))
		r.requireWhole() // as the killed daemon left it
		require.GreaterOrEqual(t, r.sqliteNumber("SELECT count(*) FROM events"), logged,
			"what was logged %v before the end is recorded", lostAtMost)
		require.NotZero(t, r.sqliteNumber(callsUp))
		require.Contains(t, r.mustRun("explain", "last"), "What happened", "without a daemon")
		r.start()
		eventually(t, 5*time.Second, "the new daemon closes the record of its predecessor",
			func() bool { return r.sqliteNumber(callsUp) == 0 })
		r.requireWhole()
		var now int
		for _, c := range r.calls("--limit", "0") {
			require.NotEqual(t, "in-progress", c.Outcome, "%+v", c)
			if c.Outcome == "broken-off" {
				now++
				require.Contains(t, r.mustRun("explain", fmt.Sprint(c.Call)), "broken")
			}
		}
		require.Greater(t, now, broken, "four calls at once: some were up")
		broken = now
	}
	// The restarted daemon continues the same file, and no call number is used twice.
	require.Zero(t, r.sqliteNumber("SELECT count(*) - count(DISTINCT call) FROM calls"))
	near, far := r.heldByArrivedCall(boxOffice)
	near.ok()
	far.ok()
	r.recorded("a call after all that", func(c callSeen) bool {
		return c.CallID == far.gave("INVITE", "1 INVITE").header("Call-ID") && c.Outcome == "unknown"
	})
	r.requireWhole()
}

// callsUp counts the calls in the file that have no outcome (0).
const callsUp = "SELECT count(*) FROM calls WHERE outcome = 0"

// lostAtMost is the greatest age of a record that a kill may lose. The journal's own tests require 250 ms on a machine
// of their own. Here eight tests share processors and disk, so more is allowed.
const lostAtMost = time.Second

// eventsUntil counts the events in the daemon's log that are older than age, counted back from the last log entry.
func (r *testBed) eventsUntil(age time.Duration) (n int) {
	r.t.Helper()
	var at []time.Time
	var last time.Time
	for text := range strings.Lines(r.d.Output()) {
		var l struct {
			Msg string
			TS  time.Time
		}
		if json.Unmarshal([]byte(text), &l) != nil {
			continue // the kill cut this line short
		}
		last = l.TS
		if l.Msg == "event" {
			at = append(at, l.TS)
		}
	}
	for _, t := range at {
		if last.Sub(t) > age {
			n++
		}
	}
	require.NotZero(r.t, n)
	return n
}

// load starts, on every line, an adapter of many calls and a far end that keeps calling it.
func (r *testBed) load(all []lineSetup) {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, l := range all {
		r.beginMany("port-"+l.name, l.name, r.adapters[l.name], 0, 1000, heldAnswered(0))
		r.beginMany("far-"+l.name, fmt.Sprintf("555-01%02d", i), r.far+12+i, r.servicePort, 1000, calls(l.name),
			connected(1), held(), pause(50*time.Millisecond), clears(2))
	}
}

// TestRegistrationOutlivesAKill: after a kill the line rings at once, although its adapter has not registered anew. The
// telephone, which registers every 60 s, does not know of the kill.
func TestRegistrationOutlivesAKill(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice, roaming: true}}})
	phone := r.startBaresip(boxOffice)
	eventually(t, 5*time.Second, "the registration is kept", func() bool {
		_, err := os.Stat(r.control + ".state/adapter-" + boxOffice + ".json")
		return err == nil
	})
	before := r.line(boxOffice).Adapter
	r.d.Signal(syscall.SIGKILL)
	require.Equal(t, -1, r.ended(5*time.Second))
	r.start()
	after := r.line(boxOffice).Adapter
	require.True(t, after.Bound)
	ended, ends := parseTime(t, before.Until), parseTime(t, after.Until)
	require.WithinRange(t, ends, ended.Add(-time.Second), ended, "the two clocks differ a little, and the earlier end counts")
	before.Until, after.Until = "", ""
	require.Equal(t, before, after)
	far := r.farCalls(calls(boxOffice), connected(1), held(), pause(100*time.Millisecond), clears(2))
	phone.event("CALL_ESTABLISHED")
	phone.do("hold", "")
	far.ok()
	phone.event("CALL_CLOSED")
	requireInterval(t, usual, r.board.once(t, 0))
	require.NotContains(t, r.d.Output(), "adapter registered", "the kept registration served the call")
}

func parseTime(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, text)
	require.NoError(t, err)
	return at
}
