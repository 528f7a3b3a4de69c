//go:build linux

package interop

import (
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// This file tests failures of the link to the board, and every way in which the daemon can end.

// openByArrivedCall brings the line into an interruption and returns when the contact is open.
func (r *testBed) openByArrivedCall(line string, coil int) boardEvent {
	r.t.Helper()
	near, far := r.heldByArrivedCall(line)
	e := r.board.awaitCoil(r.t, coil, 1)
	near.ok()
	far.ok()
	return e
}

// long is a line whose interval leaves a test time while the contact is open.
var long = []lineSetup{{name: boxOffice, interval: 1300 * time.Millisecond}}

// TestLinkCutWhileOpen: the first write on the new connection is the close, at most 500 ms after the link is back.
func TestLinkCutWhileOpen(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: long})
	opened := r.openByArrivedCall(boxOffice, 0)
	from := len(r.board.all())
	r.net.set(true, false)
	r.net.cut()
	r.board.awaitFrom(t, from, "the board's connection ends", func(e boardEvent) bool { return e.name == "close" })
	// This is past the end of the interval, so only the link can end the opening.
	eventually(t, 5*time.Second, "the interval is over",
		func() bool { return time.Since(opened.at) > 1500*time.Millisecond })
	require.Len(t, r.board.openings(t, 0), 1)
	back := time.Now()
	r.net.set(false, false)
	closed := r.board.awaitCoil(t, 0, 0)
	require.Less(t, closed.at.Sub(back), 500*time.Millisecond+r.late())
	r.requireClosesFirst(from)
	require.Len(t, r.board.openings(t, 0), 1)
}

// requireClosesFirst checks that the first write on every connection made since from is the close.
func (r *testBed) requireClosesFirst(from int) {
	r.t.Helper()
	fresh := map[int]bool{}
	seen := 0
	for _, e := range r.board.all()[from:] {
		switch {
		case e.name == "connect":
			fresh[e.conn] = true
		case fresh[e.conn] && (e.name == "read" || e.name == "write"):
			require.Equal(r.t, "write", e.name)
			require.Equal(r.t, 5, e.fn)
			require.Zero(r.t, e.value, "the first thing on a new connection is the close")
			delete(fresh, e.conn)
			seen++
		}
	}
	require.NotZero(r.t, seen, "there was a new connection")
}

// TestKilledWhileOpen: a plain coil stays open while no daemon runs, and the test measures for how long. The next
// daemon closes it first.
func TestKilledWhileOpen(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	r.openByArrivedCall(boxOffice, 0)
	killed := time.Now()
	r.d.Signal(syscall.SIGKILL)
	require.Equal(t, -1, r.ended(5*time.Second))
	eventually(t, 5*time.Second, "the interval is over", func() bool { return time.Since(killed) > time.Second })
	from := len(r.board.all())
	require.True(t, r.board.openings(t, 0)[0].end.IsZero(), "a plain coil knows nothing of its dead master")
	limit := r.bounded(500 * time.Millisecond)
	restarted := time.Now()
	r.start()
	o := r.board.once(t, 0)
	r.requireClosesFirst(from)
	t.Logf("a plain coil stayed open for %v without a daemon; the restarted one closed it after %v",
		o.end.Sub(killed).Round(time.Millisecond), o.end.Sub(restarted).Round(time.Millisecond))
	require.Less(t, o.end.Sub(restarted), limit)
}

// bounded returns a bound for what a daemon does that is being started: most, or twice what it takes now to run the
// program three times, if this machine is so busy that this is longer.
func (r *testBed) bounded(most time.Duration) time.Duration {
	r.t.Helper()
	began := time.Now()
	for range 3 {
		r.mustRun("version")
	}
	return max(most, 2*time.Since(began))
}

// TestKilledWhileTimed: a board that ends the opening itself does so without a daemon too.
func TestKilledWhileTimed(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{boardArgs: []string{"--timed", "10,0,100"},
		lines: []lineSetup{{name: boxOffice, contact: "timed: {register: 10, unit: 100ms, limit: 3s}"}}})
	r.openByArrivedCall(boxOffice, 0)
	r.d.Signal(syscall.SIGKILL)
	require.Equal(t, -1, r.ended(5*time.Second))
	requireInterval(t, usual, r.board.once(t, 0))
}

// TestBoardWatchdogClosesTheLoop: a board that watches its master drops its outputs when the daemon has died.
func TestBoardWatchdogClosesTheLoop(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{boardArgs: []string{"--watchdog", "7,10"},
		lines: []lineSetup{{name: boxOffice, interval: 1300 * time.Millisecond,
			contact: "watchdog: {register: 7, unit: 10ms, timeout: 300ms}"}}})
	r.openByArrivedCall(boxOffice, 0)
	r.d.Signal(syscall.SIGKILL)
	killed := time.Now()
	require.Equal(t, -1, r.ended(5*time.Second))
	o := r.board.once(t, 0)
	require.Less(t, o.end.Sub(killed), 300*time.Millisecond+r.soon(), "the board's time-out")
	r.board.await(t, "the watchdog bites", func(e boardEvent) bool { return e.name == "watchdog" })
}

// TestStoppedBetweenClearingAndOpening: a process that was stopped must not open late when it continues (invariant 12).
func TestStoppedBetweenClearingAndOpening(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	near := r.adapterWaits(boxOffice, offered(0), answers(), request("BYE"), pause(300*time.Millisecond),
		reply(200, "OK"), pause(5500*time.Millisecond))
	far := r.farCalls(calls(boxOffice), connected(1), clears(2))
	near.got("BYE", "BYE")
	r.d.Signal(syscall.SIGSTOP)
	stopped := time.Now()
	eventually(t, 10*time.Second, "the stop is over", func() bool { return time.Since(stopped) > 5*time.Second })
	r.d.Signal(syscall.SIGCONT)
	eventually(t, 5*time.Second, "the daemon says that it dropped the opening", func() bool {
		log := r.d.Output()
		return strings.Contains(log, "failure=late") || strings.Contains(log, "incident")
	})
	near.ok()
	far.ok()
	require.Empty(t, r.board.openings(t, 0))
}

// TestStoppedWhileTheFarEndClears: a BYE that waited in the socket of a stopped process counts as old when it is read
// (SAFETY.md S11).
func TestStoppedWhileTheFarEndClears(t *testing.T) {
	t.Parallel()
	for _, tcp := range []bool{false, true} {
		t.Run(map[bool]string{false: "UDP", true: "TCP"}[tcp], func(t *testing.T) {
			t.Parallel()
			r := newTestBed(t, setup{tcp: tcp})
			near := r.adapterWaits(boxOffice, heldAnswered(0))
			far := r.farCalls(calls(boxOffice), connected(1), held(), pause(300*time.Millisecond), clears(2))
			far.got("ACK", "2 ACK")
			r.d.Signal(syscall.SIGSTOP)
			stopped := time.Now()
			eventually(t, 10*time.Second, "the stop is over",
				func() bool { return time.Since(stopped) > 2500*time.Millisecond })
			r.d.Signal(syscall.SIGCONT)
			near.ok()
			far.ok()
			eventually(t, 5*time.Second, "the clearing is late", func() bool {
				return strings.Contains(r.d.Output(),
					"rule=late")
			})
			require.Empty(t, r.board.openings(t, 0))
		})
	}
}

// TestLinkBlockedWithOpenInFlight: a command that the network held back must not open the contact late.
func TestLinkBlockedWithOpenInFlight(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	r.net.blockWith(opensCoil)
	near := r.adapterWaits(boxOffice, offered(0), answers(), cleared(0))
	far := r.farCalls(calls(boxOffice), connected(1), clears(2))
	eventually(t, 10*time.Second, "the opening is in flight", r.net.isBlocked)
	blocked := time.Now()
	near.ok()
	far.ok()
	eventually(t, 5*time.Second, "the block is over", func() bool { return time.Since(blocked) > 3*time.Second })
	from := len(r.board.all())
	r.net.set(false, false)
	r.board.awaitFrom(t, from, "the daemon is back", func(e boardEvent) bool { return e.name == "write" })
	require.True(t, within(2*time.Second, func() bool { return strings.Contains(r.d.Output(), "loop-closed") }),
		"the daemon knows that the contact is closed")
	require.Empty(t, r.board.openings(t, 0))
}

// opensCoil reports whether data is a request over Modbus TCP that switches a coil on: function 5 with FF00 (MODBUS
// Application Protocol Specification V1.1b3, section 6.5), after a header of 7 bytes.
func opensCoil(data []byte) bool { return len(data) == 12 && data[7] == 5 && data[10] == 0xFF }

// TestTerminatedInHeldCall: the far side is cleared, the line gets its interruption, and the contact is closed last.
func TestTerminatedInHeldCall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	near := r.adapterWaits(boxOffice, heldAnswered(0))
	far := r.farCalls(calls(boxOffice), connected(1), held(), cleared(0))
	far.got("ACK", "2 ACK") // the ACK of the hold
	r.d.Signal(syscall.SIGTERM)
	require.Zero(t, r.ended(5*time.Second))
	near.ok()
	far.ok()
	requireInterval(t, usual, r.board.once(t, 0))
	last := boardEvent{}
	for _, e := range r.board.all() {
		if e.name == "write" {
			last = e
		}
	}
	require.Zero(t, last.value, "the last write closes")
	require.Contains(t, r.d.Output(), "evidence=shutdown")
}

// emergencyCall calls 999, with credentials if they are required, and hangs up after the step talk.
func emergencyCall(talk step) step {
	return join(calls("999"), optional(100, 180, 183),
		step(`<recv response="401" auth="true" optional="true" next="again"/>`+"\n"),
		step(`<recv response="200" next="up">`+learnUAC+`</recv>`+"\n"),
		step(`<label id="again"/>`+"\n"), ackRejection("999", 1),
		sendRepeated(inviteText("999", 2, "[authentication]\n")), optional(100, 180, 183),
		step(`<recv response="200">`+learnUAC+`</recv>`+"\n"), ack(2), step(`<nop next="talk"/>`+"\n"),
		step(`<label id="up"/>`+"\n"), ack(1), step(`<label id="talk"/>`+"\n"), talk, clears(3))
}

// TestTerminatedInEmergencyCall: the daemon runs until the call ends. Meanwhile an ordinary call gets 503.
func TestTerminatedInEmergencyCall(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice}, {name: stageDoor, coil: 1}}})
	far := r.farWaits(offered(0), answers(), cleared(0))
	near := r.adapter(boxOffice, emergencyCall(cued()))
	far.got("ACK", "ACK")
	r.d.Signal(syscall.SIGTERM)
	eventually(t, 10*time.Second, "the daemon has received the signal",
		func() bool { return strings.Contains(r.d.Output(), "ending") })
	refused := r.adapter(stageDoor, callsChallenged("555-0101"), rejected("555-0101", 503, 2)).ok()
	asked := refused.find(true, "INVITE", "2 INVITE")[0]
	require.Less(t, refused.got("SIP/2.0 503", "INVITE").at.Sub(asked.at), r.soon(),
		"at once, and not after a time-out")
	require.True(t, r.running(), "the daemon stays")
	near.cue()
	near.ok()
	require.True(t, within(3*time.Second, func() bool { return !r.running() }))
	require.Zero(t, r.ended(time.Second))
	far.ok()
	require.Empty(t, r.board.openings(t, 0))
}

// boardGone terminates the daemon while the contact is open and the board cannot be reached.
func (r *testBed) boardGone() {
	r.t.Helper()
	r.openByArrivedCall(boxOffice, 0)
	r.net.set(true, false)
	r.net.cut()
	r.d.Signal(syscall.SIGTERM)
}

// TestTerminatedWithBoardGone: the exit code and the log report the contact that is not known to be closed.
func TestTerminatedWithBoardGone(t *testing.T) {
	if testing.Short() {
		t.Skip("takes the whole time that closing is tried")
	}
	t.Parallel()
	r := newTestBed(t, setup{lines: long})
	r.boardGone()
	began := time.Now()
	require.Equal(t, 3, r.ended(20*time.Second))
	require.Contains(t, r.d.Output(), "not known closed: "+boxOffice)
	require.Greater(t, time.Since(began), 9*time.Second, "closing is tried for 10 s")
	require.Less(t, time.Since(began), 13*time.Second+r.late(), "and no longer")
}

// TestTerminatedTwice: a second signal ends the wait.
func TestTerminatedTwice(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: long})
	r.boardGone()
	eventually(t, 10*time.Second, "the daemon has received the signal",
		func() bool { return strings.Contains(r.d.Output(), `"ending"`) })
	second := time.Now()
	r.d.Signal(syscall.SIGTERM)
	require.Equal(t, 3, r.ended(5*time.Second))
	require.Less(t, time.Since(second), 1500*time.Millisecond+r.late(), "one more try, then out")
	require.Contains(t, r.d.Output(), "not known closed: "+boxOffice)
}
