//go:build linux

package interop

import (
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// This file causes incidents by their real faults, and checks what the commands report about them.

const (
	// unwatched is a line whose hook state is not checked.
	unwatched = "    verify: {by: none}\n"
	// noListening is a line whose hold counts as stayed after the first check.
	noListening = "    verify: {listening: 0s}\n"
	// quickPolicy settings keep the waits of a test short.
	quickPolicy = ", guard_time: 100ms, onhook_recognition: 700ms"
)

// talked is the far end of a held call that it clears.
func talked() step {
	return join(calls(boxOffice), connected(1), held(), pause(100*time.Millisecond), clears(2))
}

// TestBoardGoneIsAnIncident: the board's process is killed. The incident ends when the board is back.
func TestBoardGoneIsAnIncident(t *testing.T) {
	t.Parallel()
	second := newBoard(t) // started before the daemon, so that it outlasts the daemon
	r := newTestBed(t, setup{record: true, lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond,
		policy: ", guard_time: 100ms", more: unwatched}}})
	// The contact is known to be closed before the board goes. Otherwise its state would be unknown from the start
	// (SAFETY.md S16).
	r.board.await(t, "the contact is read back", func(e boardEvent) bool { return e.name == "read" })
	r.board.Peer()
	r.board.Kill()
	near := r.adapterWaits(boxOffice, heldAnswered(0))
	far := r.farCalls(talked())
	near.ok()
	far.ok()
	require.Less(t, far.got("SIP/2.0 200", "BYE").at.Sub(far.gave("BYE", "BYE").at), r.soon(),
		"the far end does not wait for the board")
	c := r.recorded("the incident is recorded", func(c callSeen) bool { return c.Incident != "" })
	require.Equal(t, "incident", c.Outcome)
	require.Equal(t, "controller-unreachable", c.Incident)
	require.True(t, c.Failed)
	require.Zero(t, c.IncidentEnded)
	l := r.line(boxOffice)
	require.NotNil(t, l.Incident)
	require.Equal(t, "controller-unreachable", l.Incident.Reason)
	require.NotEmpty(t, l.Incident.Advice)
	require.NotEmpty(t, l.Contact.Problem)
	require.Contains(t, r.mustRun("lines"), "INCIDENT controller-unreachable")
	require.Contains(t, r.mustRun("explain", boxOffice), "To do:")

	r.net.lead(second.port)
	l = r.awaitLine(boxOffice, "the contact is well again", func(l lineSeen) bool { return l.Contact.Problem == "" })
	require.NotNil(t, l.Incident, "the call may be held still")
	require.Empty(t, second.openings(t, 0), "an opening of long ago is not made up for")
	near, far = r.heldByArrivedCall(boxOffice)
	near.ok()
	far.ok()
	requireInterval(t, 300*time.Millisecond, second.once(t, 0))
	c = r.recorded("a call ends the incident", func(c callSeen) bool { return !c.IncidentEnded.IsZero() })
	require.Equal(t, "controller-unreachable", c.Incident)
	require.WithinDuration(t, far.got("SIP/2.0 200", "INVITE").at, c.IncidentEnded, r.soon())
	require.Nil(t, r.line(boxOffice).Incident)
}

// TestByeUnansweredIsAnIncident: the adapter never answers its BYE, the opening is longer than a flash (invariant 3),
// and the hold stays.
func TestByeUnansweredIsAnIncident(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, before: func(r *testBed) { r.seeStates("Footlight 1.0") },
		lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond,
			policy: ", lead: 100ms, flash_max: 350ms" + quickPolicy, more: noListening}}})
	before := len(r.board.openings(t, 0))
	r.startPort(boxOffice, "Footlight 1.0", request("BYE"), pause(2*time.Second))
	r.farCalls(talked()).ok()
	c := r.recorded("the incident is recorded", func(c callSeen) bool { return c.Incident != "" })
	require.Equal(t, "bye-unanswered", c.Incident)
	require.Equal(t, "off", c.Hook)
	require.InDelta(t, 450, c.Asked, 0, "flash_max and 100 ms")
	require.Equal(t, "bye-unanswered", r.line(boxOffice).Incident.Reason)
	requireInterval(t, 450*time.Millisecond, r.board.openings(t, 0)[before])
}

// seeStates takes `check --live --states` through its three states, with SIPp as adapter and far end.
func (r *testBed) seeStates(userAgent string) {
	r.t.Helper()
	p := r.startPort(boxOffice, userAgent)
	d := r.talk("check", "--live", "--states", boxOffice, r.config())
	d.until("1 of 3")
	d.answer("")
	d.until("OPTIONS: 200, as it should be")
	d.until("2 of 3")
	far := r.farCalls(calls(boxOffice), connected(1), held(), pause(300*time.Millisecond), clears(2))
	far.got("INVITE", "INVITE")
	d.answer("")
	d.until("OPTIONS: 486, as it should be")
	d.until("3 of 3")
	far.ok()
	eventually(r.t, 5*time.Second, "the interruption is over",
		func() bool { o := r.board.openings(r.t, 0); return len(o) == 1 && !o[0].end.IsZero() })
	for text := ""; !strings.Contains(text, "the daemon trusts them"); text = d.until("") {
		if strings.HasSuffix(text, "Correct that, then press Enter.") || text == "" {
			d.answer("")
		}
	}
	end := d.ended()
	require.Zero(r.t, end.code, end.out+end.err)
	p.Kill()
}

// TestHoldStays: `check --live --states` confirms that the adapter's answers follow the hook. Then a hold stays. The
// next clearing uses the next step, even after a kill or an orderly restart, until `keep` writes the step into the
// file. The answers of another adapter do not count.
func TestHoldStays(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{record: true, before: func(r *testBed) { r.seeStates("Footlight 1.0") },
		lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond,
			policy: quickPolicy + ", steps: [400ms, 500ms]", more: noListening}}})
	before := len(r.board.openings(t, 0))
	p := r.startPort(boxOffice, "Footlight 1.0")
	require.True(t, r.line(boxOffice).Verify.Trusted)

	r.farCalls(talked()).ok()
	c := r.recorded("the hold is seen to stay", func(c callSeen) bool { return c.Incident != "" })
	require.Equal(t, "interval-short", c.Incident)
	require.Equal(t, "off", c.Hook)
	require.Equal(t, "probe", c.Verified)
	requireInterval(t, 300*time.Millisecond, r.board.openings(t, 0)[before])
	r.requireStep(before + 1)

	r.d.Signal(syscall.SIGKILL)
	require.Equal(t, -1, r.ended(5*time.Second))
	r.start()
	r.requireStep(before + 1)
	r.d.Signal(syscall.SIGTERM)
	require.Zero(t, r.ended(5*time.Second))
	r.start()
	r.requireStep(before + 1)

	// An adapter with another User-Agent.
	p.Kill()
	r.startPort(boxOffice, "Limelight 3.1")
	r.farCalls(talked()).ok()
	l := r.awaitLine(boxOffice, "its answers are not trusted", func(l lineSeen) bool { return !l.Verify.Trusted })
	require.Equal(t, "Limelight 3.1", l.Adapter.UserAgent)
	r.logs("the adapter's User-Agent has changed")
	require.Contains(t, r.mustRun("lines"), "NOT trusted yet")
	last := r.recorded("the result of its call is known", func(f callSeen) bool {
		return f.Call != c.Call &&
			f.Outcome != "in-progress"
	})
	require.Equal(t, "unknown", last.Outcome, "%+v", last)
	require.Empty(t, last.Hook)
	require.InDelta(t, 400, last.Asked, 0, "the step")
	requireInterval(t, 400*time.Millisecond, r.board.openings(t, 0)[before+1])
	first := r.recorded("that call ended the incident, though the daemon was another by then", func(f callSeen) bool {
		return f.Call == c.Call && !f.IncidentEnded.IsZero()
	})
	require.Equal(t, "interval-short", first.Incident)
	r.requireKeeps()
}

// logs waits until the daemon's log contains text. The daemon logs an action after it has carried it out.
func (r *testBed) logs(text string) {
	r.t.Helper()
	eventually(r.t, 5*time.Second, "the log says: "+text, func() bool {
		return strings.Contains(r.d.Output(),
			text)
	})
}

// requireStep checks that the line uses the first step and reports it.
func (r *testBed) requireStep(openings int) {
	r.t.Helper()
	l := r.line(boxOffice)
	require.Equal(r.t, 400, l.Interval.Milliseconds)
	require.Equal(r.t, 300, l.Interval.Configured)
	require.Equal(r.t, 1, l.Interval.Stayed)
	require.True(r.t, l.Verify.Trusted)
	require.Contains(r.t, r.mustRun("lines"), "clearback keep "+boxOffice)
	require.Len(r.t, r.board.openings(r.t, 0), openings)
}

// requireKeeps checks that `keep` writes the interval in use into the file. Only the steps that are no longer than that
// interval change as well.
func (r *testBed) requireKeeps() {
	r.t.Helper()
	was, err := os.ReadFile(r.config())
	require.NoError(r.t, err)
	r.mustRun("keep", "--dry-run", boxOffice)
	same, err := os.ReadFile(r.config())
	require.NoError(r.t, err)
	require.Equal(r.t, string(was), string(same))
	r.mustRun("keep", boxOffice)
	now, err := os.ReadFile(r.config())
	require.NoError(r.t, err)
	require.Equal(r.t, strings.NewReplacer("interval: 300ms", "interval: 400ms", "[400ms, 500ms]",
		"[500ms]").Replace(string(was)), string(now))
	l := r.line(boxOffice)
	require.Equal(r.t, 400, l.Interval.Milliseconds)
	require.Equal(r.t, 400, l.Interval.Configured)
	require.Zero(r.t, l.Interval.Stayed)
}
