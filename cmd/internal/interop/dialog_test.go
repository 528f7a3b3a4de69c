//go:build linux

package interop

import (
	"flag"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var full = flag.Bool("full", false, "all dialogs over TCP too, and attacks at length")

// progresses receives an INVITE and answers 183 with a session description (early media), not reliably.
func progresses() step {
	return join(step(`<recv request="INVITE"><action>`+learnTarget+`</action></recv>`+"\n"), reply(100, "Trying"),
		send("SIP/2.0 183 Session Progress\n"+fmt.Sprintf(copied, ownTag)+ownContact+sdp("sendrecv", 1)),
		pause(50*time.Millisecond))
}

// early receives a 183 with a session description.
func early() step {
	return join(optional(100, 180),
		step(`<recv response="183"><action><ereg regexp="m=audio [1-9]" search_in="body" check_it="true" assign_to="junk"/></action></recv>`+"\n"))
}

// asks sends a request within the dialog and receives its 200.
func asks(method string, cseq int, body string) step {
	return join(sendRepeated(inDialog(method, cseq)+ownContact+body), response(200))
}

// takes answers a request within the dialog with 200.
func takes(method, body string) step {
	return join(request(method), send("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, "")+ownContact+body))
}

// offers asks for another direction in a re-INVITE. agrees is the other side of it.
func offers(cseq int, direction string, version int) step {
	return join(sendRepeated(inDialog("INVITE", cseq)+ownContact+sdp(direction, version)), optional(100), response(200),
		ack(cseq))
}

func agrees(direction string, version int) step {
	return join(request("INVITE"), sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, "")+ownContact+sdp(direction,
		version)), request("ACK"))
}

const relayedKey = "Content-Type: application/dtmf-relay\nContent-Length: [len]\n\nSignal=5\nDuration=160\n"

// asksAll sends hold, resumption, UPDATE (RFC 3311), INFO (RFC 6086) and OPTIONS within a call, with CSeq numbers from
// first. takesAll is the other side.
func asksAll(first int) step {
	return join(offers(first, "sendonly", 2), offers(first+1, "sendrecv", 3),
		asks("UPDATE", first+2, sdp("sendrecv", 4)), asks("INFO", first+3, relayedKey),
		asks("OPTIONS", first+4, noBody))
}

func takesAll() step {
	return join(agrees("recvonly", 2), agrees("sendrecv", 3), takes("UPDATE", sdp("sendrecv", 4)),
		takes("INFO", noBody))
}

// offerless returns an INVITE without a session description (RFC 3261 section 13.2.1). The offer comes in the 200, and
// the answer goes in the ACK.
func offerless(number string, cseq int, extra string) string {
	text, _, _ := strings.Cut(inviteText(number, cseq, extra), "Content-Type")
	return text + noBody
}

const offered200 = `<recv response="200"><action>` + learnTarget +
	`<ereg regexp=".*" search_in="hdr" header="From:" assign_to="me"/><ereg regexp=".*" search_in="hdr" header="To:" assign_to="peer"/>` +
	`<ereg regexp="m=audio [1-9]" search_in="body" check_it="true" assign_to="junk"/></action></recv>` + "\n"

// answeredInAck receives the ACK with the answer.
const answeredInAck = `<recv request="ACK"><action><ereg regexp=".*" search_in="hdr" header="To:" assign_to="me"/><ereg regexp=".*" search_in="hdr" header="From:" assign_to="peer"/>` +
	`<ereg regexp="m=audio [1-9]" search_in="body" check_it="true" assign_to="junk"/></action></recv>` + "\n"

// offersIn200 receives an INVITE without a session description.
func offersIn200() step {
	return join(offered(0), sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, ownTag)+ownContact+sdp("sendrecv", 1)),
		step(answeredInAck))
}

// challenged is a service that requires the line's credentials (RFC 3261 section 22.2) before it accepts an INVITE.
// dialog selects an INVITE within a call.
func challenged(dialog bool) step {
	tag := ownTag
	if dialog {
		tag = ""
	}
	return join(request("INVITE"), sendRepeated("SIP/2.0 401 Unauthorized\n"+fmt.Sprintf(copied, tag)+
		"WWW-Authenticate: Digest realm=\"millrace.example\", nonce=\"w[pid]\", algorithm=MD5, qop=\"auth\"\n"+noBody),
		request("ACK"))
}

// withCredentials receives an INVITE and checks its digest with SIPp. If the digest is wrong, the scenario fails.
func withCredentials(more string) step {
	return join(step(`<recv request="INVITE"><action>` + more + `<verifyauth assign_to="ok" username="` + boxOffice +
		`" password="` + password + `"/></action></recv>` + "\n" +
		`<nop hide="true" test="ok" next="good"/>` + "\n" + `<nop><action><exec int_cmd="stop_now"/></action></nop>` +
		"\n" + `<label id="good"/>` + "\n" + `<nop hide="true"/>` + "\n"))
}

// crossing receives a BYE, sends its own before it answers, and receives the answer to its own (RFC 5407 section
// 3.2.1).
func crossing(cseq int) step {
	return join(step(`<recv request="BYE"><action><ereg regexp=".*" search_in="hdr" header="Via:" assign_to="via"/>`+
		`<ereg regexp=".*" search_in="hdr" header="CSeq:" assign_to="number"/></action></recv>`+"\n"),
		clears(cseq), send("SIP/2.0 200 OK\nVia:[$via]\nFrom:[$peer]\nTo:[$me]\nCall-ID: [call_id]\nCSeq:[$number]\n"+noBody))
}

// dialogScene is one call. The test waits for every party.
type dialogScene struct {
	name      string
	near, far []step
	arrived   bool // the far end calls; otherwise the near end
	opens     bool // the far end clears an answered call, so the loop opens
}

const dialled = "555-0101"

// dialogs are calls as adapters and services make them, each with something unusual.
func dialogs() []dialogScene {
	lately := pause(60 * time.Millisecond)
	arrives := func(s ...step) []step { return append([]step{calls(boxOffice), connected(1)}, s...) }
	goes := func(s ...step) []step { return append([]step{callsChallenged(dialled), connected(2)}, s...) }
	taken := func(s ...step) []step { return append([]step{offered(0), answers()}, s...) }
	// A repeated BYE of the daemon would find no party. So each scene ends with the party that is cleared.
	return []dialogScene{
		{"early media, then busy", []step{callsChallenged(dialled), early(), response(486), ackRejection(dialled, 2)},
			[]step{progresses(), rejects(486, "Busy Here")}, false, false},
		{"early media, then answered", []step{callsChallenged(dialled), early(), connected(2), cleared(0)},
			[]step{progresses(), answers(), lately, clears(1)}, false, true},
		{"early media of the adapter", []step{progresses(), answers(), cleared(0)},
			[]step{calls(boxOffice), early(), connected(1), lately, clears(2)}, true, true},
		{"offer in the answer, arrived", []step{offersIn200(), cleared(0)},
			[]step{sendRepeated(offerless(boxOffice, 1, "")), optional(100, 180), offered200,
				send(inDialog("ACK", 1) + sdp("sendrecv", 1)), lately, clears(2)}, true, true},
		{"offer in the answer, requested", []step{sendRepeated(offerless(dialled, 1, "")), optional(100),
			step(`<recv response="401" auth="true"/>` + "\n"), ackRejection(dialled, 1),
			sendRepeated(offerless(dialled, 2, "[authentication]\n")), optional(100, 180), offered200,
			send(inDialog("ACK", 2) + sdp("sendrecv", 1)), lately, clears(3)}, []step{offersIn200(), cleared(0)}, false,
			false},
		{"all that the far end asks within a call", taken(takesAll(), cleared(0)),
			arrives(lately, asksAll(2), lately, clears(7)), true, true},
		{"all that the near end asks within a call", goes(asksAll(3), lately, clears(8)), taken(takesAll(), cleared(0)),
			false, false},
		{"the far end clears, and the near end before it answers", taken(crossing(1)), arrives(lately, clears(2)), true,
			false},
		{"the near end clears, and the far end before it answers", goes(lately, clears(3)), taken(crossing(1)), false,
			false},
		{"the service asks who calls", []step{callsChallenged(dialled), connected(2), cleared(0)},
			[]step{challenged(false), withCredentials(learnTarget), replyTagged(180, "Ringing"), answers(), lately,
				clears(1)}, false, true},
		{"the service asks who holds", goes(holds(3), cleared(0)), taken(challenged(true), withCredentials(""),
			sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, "")+ownContact+sdp("recvonly", 2)), request("ACK"),
			lately, clears(1)), false, true},
		{"the near end cancels, the far end answers", []step{callsChallenged(dialled), optional(100), response(180),
			lately, sendCancelOf(dialled, 2), response(200), response(487), ackRejection(dialled, 2)},
			[]step{offered(0), step(`<recv request="CANCEL"><action><ereg regexp="[0-9]+" search_in="hdr" header="CSeq:" assign_to="me"/></action></recv>` +
				"\n"), replyTagged(200, "OK"),
				sendRepeated("SIP/2.0 200 OK\n[last_Via:]\n[last_From:]\n[last_To:]" + ownTag +
					"\n[last_Call-ID:]\nCSeq: [$me] INVITE\n" + ownContact + sdp("sendrecv", 1)),
				step(`<recv request="ACK">` + learnUAS + `</recv>` + "\n"), cleared(0)}, false, false},
		{"the far end is slow to answer a clearing", goes(lately, clears(3)),
			taken(request("BYE"), pause(700*time.Millisecond), reply(200, "OK")), false, false},
	}
}

// TestDialogs: every party ends as its scenario says, over UDP, and with -full over TCP too. SIPp plays every party.
// The loop opens only where the far end cleared an answered call (invariants 6, 8).
func TestDialogs(t *testing.T) {
	all := dialogs()
	half := len(all) / 2
	for name, scenes := range map[string][]dialogScene{"calls": all[:half], "more calls": all[half:],
		"agreements": agreements()} {
		for _, transport := range []string{"udp", "tcp"} {
			t.Run(name+" over "+transport, func(t *testing.T) {
				if transport == "tcp" && !*full {
					t.Skip("over TCP with -full")
				}
				t.Parallel()
				playDialogs(t, transport == "tcp", scenes)
			})
		}
	}
}

func playDialogs(t *testing.T, tcp bool, scenes []dialogScene) {
	t.Helper()
	r := newTestBed(t, setup{tcp: tcp, lines: []lineSetup{{name: boxOffice, interval: 250 * time.Millisecond,
		policy: ", guard_time: 100ms, onhook_recognition: 250ms"}}})
	opened := 0
	for _, s := range scenes {
		t.Logf("%s", s.name)
		r.scene(s)
		if s.opens {
			opened++
			eventually(t, 5*time.Second, s.name+": the guard time is over",
				func() bool { return strings.Count(r.d.Output(), "report interrupted") == opened })
		}
		require.Len(t, r.board.openings(t, 0), opened, s.name)
	}
}

// scene starts the waiting party first, and waits for both parties.
func (r *testBed) scene(s dialogScene) {
	r.t.Helper()
	if s.arrived {
		near := r.adapterWaits(boxOffice, s.near...)
		r.farCalls(s.far...).ok()
		near.ok()
		return
	}
	far := r.farWaits(s.far...)
	r.adapter(boxOffice, s.near...).ok()
	far.ok()
}
