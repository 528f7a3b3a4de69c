//go:build linux

package interop

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// has expects an INVITE whose header field matches the expression. Otherwise the scenario fails.
func has(header, expression string) step {
	return step(`<recv request="INVITE"><action>` + learnTarget + hasField(header, expression) + `</action></recv>` +
		"\n")
}

func hasField(header, expression string) string {
	return fmt.Sprintf(`<ereg regexp="%s" search_in="hdr" header="%s:" check_it="true" assign_to="junk"/>`, expression,
		header)
}

// answersWith answers an INVITE outside a dialog, with further header fields, and receives the ACK.
func answersWith(more string) step {
	return join(sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, ownTag)+more+ownContact+sdp("sendrecv", 1)),
		step(`<recv request="ACK">`+learnUAS+`</recv>`+"\n"))
}

// asksInterval makes a call that asks for a refresh interval in seconds (RFC 4028 section 7.1).
func asksInterval(number string, cseq, seconds int) step {
	return sendRepeated(inviteText(number, cseq, fmt.Sprintf("Supported: timer\nSession-Expires: %d;refresher=uac\n",
		seconds)))
}

// ackInDialog acknowledges the rejection of a re-INVITE.
func ackInDialog(cseq int) step {
	return send(fmt.Sprintf("ACK [$target] SIP/2.0\n[last_Via:]\nMax-Forwards: 70\n[last_From:]\n[last_To:]\n[last_Call-ID:]\nCSeq: %d ACK\n",
		cseq) + noBody)
}

// glares receives a re-INVITE and sends one of its own before it answers. Its own is refused (RFC 3261 section 14.2).
// Then it accepts the other.
func glares(cseq int) step {
	return join(step(`<recv request="INVITE"><action><ereg regexp=".*" search_in="hdr" header="Via:" assign_to="via"/>`+
		`<ereg regexp=".*" search_in="hdr" header="CSeq:" assign_to="number"/></action></recv>`+"\n"),
		sendRepeated(inDialog("INVITE", cseq)+ownContact+sdp("sendonly", 2)), optional(100), response(491),
		ackInDialog(cseq),
		sendRepeated("SIP/2.0 200 OK\nVia:[$via]\nFrom:[$peer]\nTo:[$me]\nCall-ID: [call_id]\nCSeq:[$number]\n"+ownContact+sdp("recvonly",
			3)), request("ACK"))
}

// agreements are calls whose parties do not agree at once.
func agreements() []dialogScene {
	lately := pause(60 * time.Millisecond)
	asked := []step{callsChallenged(dialled), connected(2), cleared(0)}
	taken := func(s ...step) []step { return append([]step{offered(0), answers()}, s...) }
	const agreed = "Require: timer\nSession-Expires: 1800;refresher=uas\n"
	const sooner = "Require: timer\nSession-Expires: 3600;refresher=uac\n"
	tooSmall := sendRepeated("SIP/2.0 422 Session Interval Too Small\n" + fmt.Sprintf(copied, ownTag) +
		"Min-SE: 3600\n" + noBody)
	refusesInterval := step(`<recv response="422"><action>` + hasField("Min-SE", "90") + `</action></recv>` + "\n")
	agrees := step(`<recv response="200"><action>` + learnTarget +
		`<ereg regexp=".*" search_in="hdr" header="From:" assign_to="me"/><ereg regexp=".*" search_in="hdr" header="To:" assign_to="peer"/>` +
		hasField("Session-Expires", "600 *; *refresher=uac") + hasField("Require", "timer") + `</action></recv>` + "\n")
	return []dialogScene{
		{"the service agrees on an interval", asked, []step{has("Session-Expires", "1800"), answersWith(agreed), lately,
			clears(1)}, false, true},
		{"the service finds the interval too small", asked, []step{has("Session-Expires", "1800"), tooSmall,
			request("ACK"),
			step(`<recv request="INVITE"><action>` + learnTarget + hasField("Session-Expires", "3600") +
				hasField("Min-SE", "3600") + `</action></recv>` + "\n"),
			answersWith(sooner), lately, clears(1)}, false, true},
		{"the far end's interval is too small", taken(cleared(0)),
			[]step{asksInterval(boxOffice, 1, 60), optional(100), refusesInterval, ackRejection(boxOffice, 1),
				asksInterval(boxOffice, 2, 600), optional(100, 180), agrees, ack(2), lately, clears(3)}, true, true},
		{"the near end holds, the far end too", []step{callsChallenged(dialled), connected(2), holds(3), lately,
			clears(4)}, taken(glares(1), cleared(0)), false, false},
		{"the far end holds, the near end too", taken(glares(1), cleared(0)),
			[]step{calls(boxOffice), connected(1), holds(2), lately, clears(3)}, true, true},
		{"the far end refuses a hold", []step{callsChallenged(dialled), connected(2),
			sendRepeated(inDialog("INVITE", 3) + ownContact + sdp("sendonly", 2)), optional(100),
			response(488), ackInDialog(3), lately, clears(4)}, taken(request("INVITE"),
			sendRepeated("SIP/2.0 488 Not Acceptable Here\n"+fmt.Sprintf(copied, "")+noBody), request("ACK"),
			cleared(0)), false, false},
	}
}

// TestServiceAsksForRegistration uses a registrar that first cannot serve, then requires a longer interval (RFC 3261
// section 10.2.8), and then requires credentials.
func TestServiceAsksForRegistration(t *testing.T) {
	t.Parallel()
	refuses := func(code int, reason, more string) step {
		return join(request("REGISTER"), send(fmt.Sprintf("SIP/2.0 %d %s\n", code, reason)+fmt.Sprintf(copied,
			ownTag)+more+noBody))
	}
	var service *party
	newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, register: true}}, before: func(r *testBed) {
		service = r.sipp("registrar", boxOffice, r.far, 0, refuses(503, "Service Unavailable", "Retry-After: 1\n"),
			refuses(423, "Interval Too Brief", "Min-Expires: 7200\n"), registrar())
	}})
	service.ok()
	asked := service.find(false, "REGISTER", "REGISTER")
	require.GreaterOrEqual(t, asked[1].at.Sub(asked[0].at), time.Second-slack, "Retry-After")
	require.Equal(t, "7200", asked[len(asked)-1].header("Expires"))
	require.NotEmpty(t, service.find(true, "SIP/2.0 200", "REGISTER"))
}

// expiring changes the time that a registration asks for, in seconds.
func expiring(text, seconds string) string {
	return strings.Replace(text, "Expires: 600", "Expires: "+seconds, 1)
}

// TestAdapterRegistersTooBriefly checks that the adapter gets the shortest allowed time (RFC 3261 section 10.3), and is
// registered once it asks for that.
func TestAdapterRegistersTooBriefly(t *testing.T) {
	t.Parallel()
	r := newTestBed(t, setup{lines: []lineSetup{{name: boxOffice, roaming: true}}})
	near := r.adapter(boxOffice, sendRepeated(registerText(1, "")), step(`<recv response="401" auth="true"/>`+"\n"),
		sendRepeated(expiring(registerText(2, "[authentication password="+password+"]\n"), "10")), response(423),
		sendRepeated(registerText(3, "")), step(`<recv response="401" auth="true"/>`+"\n"),
		sendRepeated(expiring(registerText(4, "[authentication password="+password+"]\n"), "60")), response(200)).ok()
	require.Equal(t, "60", near.got("SIP/2.0 423", "REGISTER").header("Min-Expires"))
}
