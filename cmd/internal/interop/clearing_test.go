//go:build linux

package interop

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// heldByArrivedCall puts the line into a held call, which the far end clears. It does so after the adapter's ACK of the
// hold, because SIPp accepts no BYE before that.
func (r *testBed) heldByArrivedCall(line string) (near, far *party) {
	r.t.Helper()
	near = r.adapterWaits(line, heldAnswered(0))
	far = r.farCalls(calls(line), connected(1), held(), cued(), clears(2))
	near.gave("ACK", "ACK")
	far.got("ACK", "2 ACK")
	far.cue()
	return near, far
}

// TestAdapterNeverAnswersItsBye: the loop opens after lead, for longer than a hook flash (invariant 3).
func TestAdapterNeverAnswersItsBye(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, interval: 500 * time.Millisecond,
		policy: ", flash_max: 700ms"}}})
	near := r.adapterWaits(boxOffice, offered(0), answers(), request("BYE"), pause(2500*time.Millisecond))
	r.farCalls(calls(boxOffice), connected(1), pause(50*time.Millisecond), clears(2)).ok()
	o := r.board.once(t, 0)
	requireInterval(t, usual, o) // flash_max + 100 ms
	asked := near.got("BYE", "BYE").at
	requireAfter(t, o.begin, asked, lead, "opened before lead was over")
	require.Less(t, o.begin.Sub(asked), lead+r.soon())
	near.ok()
	require.GreaterOrEqual(t, len(near.find(false, "BYE", "BYE")), 2, "the BYE is repeated (RFC 3261 section 17.1.2.2)")
}

// TestFarEndByeRepeated: a repeated BYE, and a BYE for the ended dialog, are answered and cause no second interruption.
// SIPp cannot repeat a request that was answered, so the test sends the bytes again from SIPp's port after SIPp has
// ended.
func TestFarEndByeRepeated(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, interval: 300 * time.Millisecond}}})
	near, far := r.heldByArrivedCall(boxOffice)
	far.ok()
	bye := far.gave("BYE", "BYE").text
	c, err := net.DialUDP("udp4", &net.UDPAddr{IP: testAddress().AsSlice(), Port: r.far},
		&net.UDPAddr{IP: testAddress().AsSlice(), Port: r.servicePort})
	require.NoError(t, err)
	defer c.Close()
	ask := func(text string) string {
		_, err := c.Write([]byte(text))
		require.NoError(t, err)
		require.NoError(t, c.SetReadDeadline(time.Now().Add(2*time.Second)))
		buf := make([]byte, 2000)
		n, err := c.Read(buf)
		require.NoError(t, err, "silence to a BYE")
		first, _, _ := strings.Cut(string(buf[:n]), "\r\n")
		return first
	}
	require.Equal(t, "SIP/2.0 200 OK", ask(bye))
	near.ok()
	requireInterval(t, 300*time.Millisecond, r.board.once(t, 0))
	require.Equal(t, "SIP/2.0 200 OK", ask(bye),
		"the transaction is still known for Timer J, 32 s (RFC 3261 section 17.2.2)")
	later := strings.Replace(strings.Replace(bye, "branch=z9hG4bK", "branch=z9hG4bKlater", 1), "2 BYE", "3 BYE", 1)
	require.Contains(t, ask(later), "SIP/2.0 481", "section 15.1.2")
	eventually(t, 5*time.Second, "the guard time is over", func() bool {
		return strings.Contains(r.d.Output(),
			"report interrupted")
	})
	require.Len(t, r.board.openings(t, 0), 1)
}

// TestNothingOpens: calls that were never answered, or that the near end cleared, do not open the loop (invariant 8).
func TestNothingOpens(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, policy: ", guard_time: 100ms"}}})
	// One daemon serves all these calls, because none of them may open the loop.
	number := "555-0101"
	scene := func(name string, near, far func() *party) bool {
		return t.Run(name, func(t *testing.T) {
			// The waiting party is started first.
			a := near()
			b := far()
			a.ok()
			b.ok()
		})
	}
	wait := func(s ...step) func() *party { return func() *party { return r.adapterWaits(boxOffice, s...) } }
	farCall := func(s ...step) func() *party { return func() *party { return r.farCalls(s...) } }
	farWait := func(s ...step) func() *party { return func() *party { return r.farWaits(s...) } }
	call := func(s ...step) func() *party { return func() *party { return r.adapter(boxOffice, s...) } }

	scene("arrived call cancelled", wait(join(offered(0), cancelled())),
		farCall(calls(boxOffice), optional(100), response(180), pause(100*time.Millisecond),
			sendCancel(boxOffice), response(200), response(487), ackRejection(boxOffice, 1)))
	scene("requested call cancelled", farWait(offered(0), cancelled()),
		call(callsChallenged(number), optional(100), response(180), pause(100*time.Millisecond),
			sendCancelOf(number, 2), response(200), response(487), ackRejection(number, 2)))
	for code, reason := range map[int]string{404: "Not Found", 480: "Temporarily Unavailable", 486: "Busy Here",
		503: "Service Unavailable", 603: "Decline"} {
		scene(fmt.Sprintf("requested call rejected with %d", code), farWait(offered(0), rejects(code, reason)),
			call(callsChallenged(number), rejected(number, code, 2)))
	}
	scene("arrived call rejected", wait(offered(0), rejects(486, "Busy Here")),
		farCall(calls(boxOffice), rejected(boxOffice, 486, 1)))
	scene("arrived call, near end clears", wait(offered(0), answers(), pause(100*time.Millisecond), clears(1)),
		farCall(calls(boxOffice), connected(1), cleared(0)))
	scene("requested call, near end clears", farWait(offered(0), answers(), cleared(0)),
		call(callsChallenged(number), connected(2), pause(100*time.Millisecond), clears(3)))
	assert.Empty(t, r.board.openings(t, 0))
	// The same daemon then opens when it should, which proves that it could have opened. By then anything still due has
	// happened.
	near, far := r.heldByArrivedCall(boxOffice)
	near.ok()
	far.ok()
	requireInterval(t, usual, r.board.once(t, 0))
}

// sendCancel cancels INVITE 1, with the INVITE's branch (RFC 3261 section 9.1).
func sendCancel(number string) step { return sendCancelOf(number, 1) }

func sendCancelOf(number string, cseq int) step {
	return sendRepeated(fmt.Sprintf("CANCEL sip:%s@[remote_ip]:[remote_port] SIP/2.0\n[last_Via:]\nMax-Forwards: 70\n[last_From:]\nTo: <sip:%s@[remote_ip]>\n[last_Call-ID:]\nCSeq: %d CANCEL\n",
		number, number, cseq) + noBody)
}

// TestTwoLinesOneBoard: each line opens its own contact, both at the same time.
func TestTwoLinesOneBoard(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice},
		{name: stageDoor, coil: 3, interval: 600 * time.Millisecond}}})
	nearA := r.adapterWaits(boxOffice, heldAnswered(0))
	nearB := r.adapterWaits(stageDoor, heldAnswered(0))
	talk := 600 * time.Millisecond
	farA := r.farCalls(calls(boxOffice), connected(1), held(), pause(talk), clears(2))
	farB := r.sipp("far-b", "555-0102", r.far+1, r.servicePort, calls(stageDoor), connected(1), held(), pause(talk),
		clears(2))
	for _, p := range []*party{nearA, nearB, farA, farB} {
		p.ok()
	}
	a, b := r.board.once(t, 0), r.board.once(t, 3)
	requireInterval(t, usual, a)
	requireInterval(t, 600*time.Millisecond, b)
	require.True(t, a.begin.Before(b.end) && b.begin.Before(a.end), "side by side: %v %v", a, b)
}

// TestServiceDown: the adapter gets an answer at once, with a time for its next try, so that its second server can
// serve.
func TestServiceDown(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, register: true}}})
	near := r.adapter(boxOffice, callsChallenged("555-0101"), rejected("555-0101", 503, 2)).ok()
	refusal := near.got("SIP/2.0 503", "INVITE")
	require.NotEmpty(t, refusal.header("Retry-After"))
	asked := near.find(true, "INVITE", "2 INVITE")[0]
	require.Less(t, refusal.at.Sub(asked.at), r.soon())
	require.Empty(t, r.board.openings(t, 0))
}

// TestUnknownUsers: without the password, nobody can register or call.
func TestUnknownUsers(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true}}})
	refused := step(`<recv response="403" optional="true" next="end"/>` + "\n" + `<recv response="401"/>` + "\n" +
		`<label id="end"/>` + "\n<nop/>\n")
	r.adapter(boxOffice, sendRepeated(registerText(1, "")), step(`<recv response="401" auth="true"/>`+"\n"),
		sendRepeated(registerText(2, "[authentication password=wrong]\n")), refused).ok()
	r.sipp("stranger", "green-room", r.adapters[boxOffice]+1, r.adapterPort, calls("555-0101"), refused,
		ackRejection("555-0101", 1)).ok()
	far := r.farWaits(offered(0)) // no call may reach it
	defer far.Kill()
	r.adapter(boxOffice, calls("555-0101"), optional(100), step(`<recv response="401" auth="true"/>`+"\n"),
		ackRejection("555-0101", 1),
		sendRepeated(inviteText("555-0101", 2, "[authentication password=wrong]\n")), optional(100), refused,
		ackRejection("555-0101", 2)).ok()
	require.Empty(t, far.messages())
}

// TestNearEndSeizes: a new call from the adapter closes the loop at once and goes through (invariant 6).
func TestNearEndSeizes(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: long})
	near := r.peer("near", 2, 0, r.adapterPort) // at once, while SIPp would take time to start
	r.openByArrivedCall(boxOffice, 0)
	far := r.peer("far", 1, r.far, r.servicePort)
	call := near.begins(boxOffice, "sip:555-0101@"+at(r.adapterPort))
	call.request("INVITE", described(near.at))
	challenge := call.response("INVITE")
	require.Equal(t, "401", call.refused(challenge))
	seized := time.Now()
	call.request("INVITE", answersChallenge(challenge, "INVITE", call.uri, boxOffice, password), described(near.at))
	taken := far.expect("INVITE", "INVITE")
	far.replies(taken, "200 OK", "far", described(far.at))
	call.up(call.response("INVITE"))
	call.request("BYE")
	far.replies(far.expect("BYE", "BYE"), "200 OK", "")
	require.Equal(t, "200", call.response("BYE").code())
	o := r.board.once(t, 0)
	require.Less(t, o.length(), 1200*time.Millisecond, "closed before its time")
	require.Less(t, o.end.Sub(seized), r.soon(), "closed at once")
	requireAfter(t, o.end, seized, 0, "closed because of the seizure")
}

// TestNextCallerWaits: a call that arrives while the loop is open is not refused. It rings once the adapter has
// recognised on hook (invariant 5).
func TestNextCallerWaits(t *testing.T) {
	t.Parallel()
	const recognition = 1100 * time.Millisecond
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice,
		policy: ", onhook_recognition: 1100ms, guard_time: 200ms"}}})
	far := r.peer("next", 1, r.far+1, r.servicePort) // at once, while SIPp would take time to start
	first, caller := r.heldByArrivedCall(boxOffice)
	r.board.awaitCoil(t, 0, 1)
	call := far.begins("555-0102", "sip:"+boxOffice+"@"+at(r.servicePort))
	asked := time.Now()
	call.request("INVITE", described(far.at))
	require.Less(t, call.expect("SIP/2.0 100", "INVITE").at.Sub(asked), r.soon())
	first.ok()
	caller.ok()
	near := r.peer("near", 1, r.adapters[boxOffice], r.adapterPort)
	offer := near.expect("INVITE", "INVITE")
	rang := offer.at
	near.replies(offer, "200 OK", "near", described(near.at))
	call.up(call.response("INVITE"))
	near.expect("ACK", "ACK")
	leg := near.taken(offer, "near")
	leg.request("BYE")
	far.replies(far.expect("BYE", "BYE"), "200 OK", "")
	require.Equal(t, "200", leg.response("BYE").code())
	o := r.board.once(t, 0)
	requireInterval(t, usual, o)
	require.True(t, asked.Before(o.end), "the call came while the loop was open")
	requireAfter(t, rang, o.end, 200*time.Millisecond, "rang within the guard time")
	requireAfter(t, rang, o.begin, recognition, "rang before the adapter could see on hook")
	require.Less(t, rang.Sub(o.begin), recognition+r.soon())
}

// TestCancelCrossesAnswer: a 200 that crosses the CANCEL means that the near end is off hook. Its leg is cleared, and
// the line gets its interruption.
func TestCancelCrossesAnswer(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{})
	near := r.adapterWaits(boxOffice, offered(0),
		step(`<recv request="CANCEL"><action><ereg regexp="[0-9]+" search_in="hdr" header="CSeq:" assign_to="me"/></action></recv>`+"\n"),
		// The answer to the CANCEL. SIPp would accept no ACK between two messages of its own.
		replyTagged(200, "OK"),
		sendRepeated("SIP/2.0 200 OK\n[last_Via:]\n[last_From:]\n[last_To:]"+ownTag+"\n[last_Call-ID:]\nCSeq: [$me] INVITE\n"+ownContact+sdp("sendrecv",
			1)),
		step(`<recv request="ACK">`+learnUAS+`</recv>`+"\n"), cleared(0))
	far := r.farCalls(calls(boxOffice), optional(100), response(180), pause(100*time.Millisecond),
		sendCancel(boxOffice), response(200), response(487), ackRejection(boxOffice, 1))
	near.ok()
	far.ok()
	o := r.board.once(t, 0)
	requireInterval(t, usual, o)
	requireAfter(t, o.begin, near.got("BYE", "BYE").at, 0, "opened before the adapter's leg was cleared")
}
