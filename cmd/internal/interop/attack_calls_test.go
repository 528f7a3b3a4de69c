//go:build linux

package interop

import (
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// quickLine is a line with short interruptions, whose hook is not watched.
func quickLine(name string, coil int) lineSetup {
	return lineSetup{name: name, coil: coil, interval: 250 * time.Millisecond,
		policy: ", guard_time: 100ms, onhook_recognition: 250ms", more: "    calls: 2\n" + unwatched}
}

// TestAttackCallback: a far end marks its call as one from the emergency centre. No emergency call was made, so the
// mark has no effect: the call takes one of the line's places, its end opens the loop, and the line can be opened by
// hand. After an emergency call on another line the mark counts: the call passes even if the line has all its calls,
// and opens nothing.
func TestAttackCallback(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, lines: []lineSetup{quickLine(boxOffice, 0), quickLine(stageDoor, 1)}})
	near, door := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("door", 1, r.adapters[stageDoor], r.adapterPort)
	far := r.peer("far", 1, r.far, r.servicePort)
	marked := func() (*callSide, message) {
		c := far.begins("555-0101", "sip:"+boxOffice+"@"+far.to.String())
		c.request("INVITE", "Priority: psap-callback", described(far.at))
		return c, near.expect("INVITE", "INVITE")
	}
	answered := func(c *callSide, invite message) arrivedCall {
		near.replies(invite, "200 OK", "near", described(near.at))
		c.up(c.response("INVITE"))
		near.expect("ACK", "ACK")
		return arrivedCall{near.taken(invite, "near"), c}
	}
	first := answered(marked())
	second, invite := marked()
	near.replies(invite, "180 Ringing", "near")
	third := far.begins("555-0101", "sip:"+boxOffice+"@"+far.to.String())
	third.request("INVITE", "Priority: psap-callback", described(far.at))
	require.Equal(t, "486", third.refused(third.response("INVITE")), "the mark is no way around the number of calls")
	second.request("CANCEL")
	near.replies(near.expect("CANCEL", "CANCEL"), "200 OK", "near")
	near.replies(invite, "487 Request Terminated", "near")
	second.refused(second.response("INVITE"))
	eventually(t, 5*time.Second, "the second call is off the line",
		func() bool { return strings.Contains(r.d.Output(), "adapter-leg-cleared call=2") })
	first.farClears()
	r.board.awaitCoil(t, 0, 1)
	eventuallyClosed(t, r)
	said := r.cli("pulse", boxOffice)
	require.Zero(t, said.code, "the mark does not prevent an opening by hand: %s", said.err)

	requireEmergencyCall(door, far, stageDoor)
	from := len(r.board.openings(t, 0))
	calls := []arrivedCall{answered(marked()), answered(marked()), answered(marked())} // one more than allowed
	for _, c := range calls {
		c.farClears()
	}
	requireEmergencyCall(near, far, boxOffice) // events that were posted before have been handled
	require.Len(t, r.board.openings(t, 0), from, "a call from the emergency centre opens nothing")
}

// TestAttackDate: a far end dates its BYE ten seconds back, so that the clearing would count as late and the hold would
// stay. One far end has a clock that is half a minute ahead. The other has a correct clock, but sent sound until just
// before. The loop opens in both cases.
func TestAttackDate(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, lines: []lineSetup{quickLine(boxOffice, 0), quickLine(stageDoor, 1)}})
	far := r.peer("far", 1, r.far, r.servicePort)
	for i, c := range []struct {
		line  string
		clock time.Duration
	}{{boxOffice, 30 * time.Second}, {stageDoor, 0}} {
		date := func(at time.Time) string { // RFC 3261 section 20.17
			return "Date: " + at.Add(c.clock).UTC().Format("Mon, 02 Jan 2006 15:04:05") + " GMT"
		}
		near := r.peer("near", 1, r.adapters[c.line], r.adapterPort)
		call := r.soundCall(near, far, c.line, r.voice(1, 2), r.voice(1, 4), date(time.Now()))
		if c.clock == 0 {
			require.True(t, call.near.hears(call.far, call.farSide, 3, maxWait))
		}
		call.arrivedCall.far.request("BYE", date(time.Now().Add(-10*time.Second)))
		near.replies(near.expect("BYE", "BYE"), "200 OK", "")
		require.Equal(t, "200", call.arrivedCall.far.response("BYE").code())
		r.board.awaitCoil(t, i, 1)
		requireEmergencyCall(near, far, c.line) // this closes the loop and passes
	}
}

// TestAttackStorm: somebody at the service's address keeps calling the line and hanging up. After six openings within a
// minute the loop stays closed, and that is an incident. Ordinary and emergency calls on the line still pass, and the
// loop of another line still opens.
func TestAttackStorm(t *testing.T) {
	t.Parallel()
	hurried := quickLine(boxOffice, 0)
	hurried.openings = 6 // the default
	r := newTestBed(t, setup{settled: true, lines: []lineSetup{hurried, quickLine(stageDoor, 1)}})
	near, door := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("door", 1, r.adapters[stageDoor], r.adapterPort)
	far := r.peer("far", 1, r.far, r.servicePort)
	for i := range 9 {
		callArrives(near, far, boxOffice).farClears()
		// Until then, its adapter leg counts as one of the two calls that the line may have.
		eventually(t, 5*time.Second, "the call is over", func() bool {
			out := r.d.Output()
			return strings.Contains(out, fmt.Sprintf("adapter-leg-cleared call=%d ", i+1)) &&
				(r.interruptions(boxOffice) == i+1 || strings.Contains(out, "too-many-openings"))
		})
	}
	require.Contains(t, r.d.Output(), "too-many-openings")
	requireEmergencyCall(near, far, boxOffice)
	callArrives(door, far, stageDoor).farClears()
	r.board.awaitCoil(t, 1, 1)
	require.Len(t, r.board.openings(t, 0), 6)
}

// TestAttackVanished: both ends of an emergency call have vanished. The service's 481 does not end the call. The call
// does not keep another line from being cleared, not even during a shutdown. The daemon runs until the call ends.
func TestAttackVanished(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{settled: true, lines: []lineSetup{quickLine(boxOffice, 0), quickLine(stageDoor, 1)}})
	near, door := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort),
		r.peer("door", 1, r.adapters[stageDoor], r.adapterPort)
	far := r.peer("far", 1, r.far, r.servicePort)
	help := door.begins(stageDoor, "sip:112@"+door.to.String())
	help.request("INVITE", described(door.at))
	far.replies(far.expect("INVITE", "INVITE"), "200 OK", "help", described(far.at))
	help.up(help.response("INVITE"))
	far.expect("ACK", "ACK")
	info := func(says, gets string) {
		help.request("INFO")
		far.replies(far.expect("INFO", "INFO"), says, "")
		require.Equal(t, gets, help.response("INFO").code())
	}
	info("200 OK", "200")
	// The second INFO reaches the service, so the first 481 did not end the call. Nor does it at the adapter (S135).
	for range 2 {
		info("481 Call/Transaction Does Not Exist", "491")
	}
	callArrives(near, far, boxOffice).farClears()
	r.board.awaitCoil(t, 0, 1)
	eventuallyClosed(t, r)
	call := callArrives(near, far, boxOffice)
	r.d.Signal(syscall.SIGTERM)
	near.replies(near.expect("BYE", "BYE"), "200 OK", "")
	bye := far.next("the end of the ordinary call", func(m message) bool {
		return m.is("BYE", "BYE") &&
			call.far.mine(m)
	})
	far.replies(bye, "200 OK", "")
	eventually(t, 5*time.Second, "the line of the ordinary call is cleared",
		func() bool { return len(r.board.openings(t, 0)) == 2 })
	again := time.NewTicker(200 * time.Millisecond)
	defer again.Stop()
	for range 15 { // longer than a shutdown without such a call takes
		<-again.C
		info("200 OK", "200")
	}
	require.True(t, r.running(), "the daemon stays for the call for help")
	help.request("BYE")
	require.Equal(t, "200", help.response("BYE").code())
	far.replies(far.expect("BYE", "BYE"), "200 OK", "")
	require.Zero(t, r.ended(10*time.Second))
	require.Empty(t, r.board.openings(t, 1))
}
