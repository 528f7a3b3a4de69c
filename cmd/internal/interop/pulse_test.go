//go:build linux

package interop

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// requireRefused checks that `pulse` refuses with that reason and opens nothing.
func (r *testBed) requireRefused(line, why string) {
	r.t.Helper()
	s := r.cli("pulse", line, "--interval", "300ms")
	require.Equal(r.t, 1, s.code, s.out+s.err)
	require.Contains(r.t, s.err, "not opened")
	require.Contains(r.t, s.err, why)
}

// TestPulse: an interruption by hand works on an idle line, and is refused during a call and for an alarm panel.
func TestPulse(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, numbers: "short", lines: []lineSetup{
		{name: boxOffice, more: unwatched, policy: ", guard_time: 100ms"}, {name: stageDoor, coil: 1, more: unwatched},
		{name: "green-room", coil: 2, more: unwatched, policy: ", life_safety: true"}}})
	r.board.await(t, "the contacts are closed, first of all", func(e boardEvent) bool {
		return e.name == "write" &&
			e.index == 2
	})
	var s string
	eventually(t, 5*time.Second, "the daemon has read what the board answered to that", func() bool {
		c := r.cli("pulse", boxOffice, "--interval", "300ms")
		s = c.out
		return c.code == 0 || !strings.Contains(c.err, "controller-unreachable")
	})
	requireInterval(t, 300*time.Millisecond, r.board.once(t, 0))
	require.Contains(t, s, "(asked 300 ms); hook: unknown")
	c := r.recorded("it is recorded", func(c callSeen) bool {
		return c.Direction == "by-hand" &&
			c.Outcome == "unknown"
	})
	require.InDelta(t, 300, c.Asked, 0)
	requireMeasured(t, c.Measured, r.board.once(t, 0))

	r.requireRefused("green-room", "life_safety")
	near := r.adapterWaits(boxOffice, offered(0), cued(), answers(), holds(1), cleared(0))
	far := r.farCalls(calls(boxOffice), connected(1), held(), cued(), clears(2))
	near.gave("SIP/2.0 180", "INVITE")
	r.awaitLine(boxOffice, "it rings", func(l lineSeen) bool { return len(l.Calls) == 1 })
	r.requireRefused(boxOffice, "is ringing")
	near.cue()
	near.gave("ACK", "ACK") // it holds
	r.requireRefused(boxOffice, "is up")
	far.got("ACK", "2 ACK")
	far.cue()
	near.ok()
	far.ok()
	eventually(t, 5*time.Second, "the clearing has its interruption",
		func() bool { return len(r.board.openings(t, 0)) == 2 })

	centre := r.farWaits(offered(0), answers(), cleared(0))
	help := r.adapter(stageDoor, emergencyCall(cued()))
	centre.got("ACK", "ACK")
	r.requireRefused(stageDoor, "EMERGENCY call")
	help.cue()
	help.ok()
	centre.ok()
	require.Empty(t, r.board.openings(t, 1))
	require.Empty(t, r.board.openings(t, 2))
	eventually(t, 5*time.Second, "the log has four refusals", func() bool {
		return strings.Count(r.d.Output(),
			"report refused") == 4
	})
	e := r.recorded("the emergency call", func(c callSeen) bool { return c.Emergency })
	require.Equal(t, "999", e.Number)
	require.Equal(t, "outgoing", e.Direction)
	ordinary := r.recorded("the ordinary call", func(c callSeen) bool { return c.Direction == "incoming" })
	require.Equal(t, "…101", ordinary.Number, "shortened, as the file says; the emergency call's is not")
}
