//go:build linux

package interop

import (
	"fmt"
	"strings"
	"time"
)

// step is a part of a SIPp scenario. In every scenario, once the dialog is up, $me, $peer and $target are the From, To
// and request URI of the party's own requests, whichever side made the call.
type step string

const (
	ownVia     = "Via: SIP/2.0/[transport] [local_ip]:[local_port];branch=[branch]\nMax-Forwards: 70\n"
	ownContact = "Contact: <sip:[service]@[local_ip]:[local_port];transport=[transport]>\n"
	copied     = "[last_Via:]\n[last_From:]\n[last_To:]%s\n[last_Call-ID:]\n[last_CSeq:]\n"
	ownTag     = ";tag=[pid]-[call_number]"
	noBody     = "Content-Length: 0\n\n"
	// learnTarget and learnUAC store a message's header fields in the variables.
	learnTarget = `<ereg regexp="sip:[^&gt; ]*" search_in="hdr" header="Contact:" check_it="true" assign_to="target"/>`
	learnUAC    = `<action>` + learnTarget +
		`<ereg regexp=".*" search_in="hdr" header="From:" assign_to="me"/><ereg regexp=".*" search_in="hdr" header="To:" assign_to="peer"/></action>`
	learnUAS = `<action><ereg regexp=".*" search_in="hdr" header="To:" assign_to="me"/><ereg regexp=".*" search_in="hdr" header="From:" assign_to="peer"/></action>`
)

// sdp returns a body. direction is sendrecv, sendonly or recvonly.
func sdp(direction string, version int) string {
	return fmt.Sprintf(`Content-Type: application/sdp
Content-Length: [len]

v=0
o=millrace 1 %d IN IP[local_ip_type] [local_ip]
s=-
c=IN IP[media_ip_type] [media_ip]
t=0 0
m=audio [media_port] RTP/AVP 0 8 101
a=rtpmap:0 PCMU/8000
a=rtpmap:8 PCMA/8000
a=rtpmap:101 telephone-event/8000
a=fmtp:101 0-15
a=%s
`, version, direction)
}

// send sends a message once. sendRepeated repeats it until it is answered or acknowledged.
func send(text string) step { return step("<send><![CDATA[\n" + text + "\n]]></send>\n") }

func sendRepeated(text string) step {
	return step("<send retrans=\"500\"><![CDATA[\n" + text + "\n]]></send>\n")
}

func request(method string) step { return step(fmt.Sprintf("<recv request=%q/>\n", method)) }

// pause waits and receives nothing: a message that arrives meanwhile ends the scenario. SIPp may wait even in a pause
// of 0 ms, so pause(0) is no step at all.
func pause(d time.Duration) step {
	if d == 0 {
		return ""
	}
	return step(fmt.Sprintf("<pause milliseconds=\"%d\"/>\n", d.Milliseconds()))
}

// cued waits until the test calls (*party).cue. It receives nothing else.
func cued() step { return request(cueMethod) }

// cueMethod is a method that the daemon never sends.
const cueMethod = "CUE"

func response(code int) step { return step(fmt.Sprintf("<recv response=\"%d\"/>\n", code)) }

func optional(codes ...int) step {
	var s strings.Builder
	for _, c := range codes {
		fmt.Fprintf(&s, "<recv response=\"%d\" optional=\"true\"/>\n", c)
	}
	return step(s.String())
}

// join makes one step of several.
func join(steps ...step) step {
	var s strings.Builder
	for _, x := range steps {
		s.WriteString(string(x))
	}
	return step(s.String())
}

// Steps of the called party.

// offered receives an INVITE and rings for that time.
func offered(ring time.Duration) step {
	return join(step(`<recv request="INVITE"><action>`+learnTarget+`</action></recv>`+"\n"), reply(100, "Trying"),
		replyTagged(180, "Ringing"), pause(ring))
}

// answers sends 200 and receives the ACK.
func answers() step {
	return join(sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, ownTag)+ownContact+sdp("sendrecv", 1)),
		step(`<recv request="ACK">`+learnUAS+`</recv>`+"\n"))
}

func reply(code int, reason string) step {
	return send(fmt.Sprintf("SIP/2.0 %d %s\n", code, reason) + fmt.Sprintf(copied, "") + noBody)
}

func replyTagged(code int, reason string) step {
	return send(fmt.Sprintf("SIP/2.0 %d %s\n", code, reason) + fmt.Sprintf(copied, ownTag) + ownContact + noBody)
}

// rejects rejects an offered call and receives the ACK.
func rejects(code int, reason string) step {
	return join(sendRepeated(fmt.Sprintf("SIP/2.0 %d %s\n", code, reason)+fmt.Sprintf(copied, ownTag)+noBody),
		request("ACK"))
}

// cancelled receives a CANCEL and ends the INVITE.
func cancelled() step {
	return join(step(`<recv request="CANCEL"><action><ereg regexp="[0-9]+" search_in="hdr" header="CSeq:" assign_to="me"/></action></recv>`+"\n"),
		reply(200, "OK"),
		sendRepeated("SIP/2.0 487 Request Terminated\n[last_Via:]\n[last_From:]\n[last_To:]"+ownTag+"\n[last_Call-ID:]\nCSeq: [$me] INVITE\n"+noBody),
		request("ACK"))
}

// Steps of the calling party.

func inviteText(number string, cseq int, extra string) string {
	return fmt.Sprintf(`INVITE sip:%s@[remote_ip]:[remote_port] SIP/2.0
%sFrom: "Millrace" <sip:[service]@[local_ip]>%s
To: <sip:%s@[remote_ip]>
Call-ID: [call_id]
CSeq: %d INVITE
%s%s`, number, ownVia, ownTag, number, cseq, ownContact, extra) + sdp("sendrecv", 1)
}

// calls sends an INVITE.
func calls(number string) step { return sendRepeated(inviteText(number, 1, "")) }

// callsChallenged sends an INVITE, receives the challenge, and sends the INVITE again with credentials.
func callsChallenged(number string) step {
	return join(calls(number), optional(100), step(`<recv response="401" auth="true"/>`+"\n"), ackRejection(number, 1),
		sendRepeated(inviteText(number, 2, "[authentication]\n")))
}

func ackRejection(number string, cseq int) step {
	return send(fmt.Sprintf("ACK sip:%s@[remote_ip]:[remote_port] SIP/2.0\n[last_Via:]\nMax-Forwards: 70\n[last_From:]\n[last_To:]\n[last_Call-ID:]\nCSeq: %d ACK\n",
		number, cseq) + noBody)
}

// connected receives the 200 to INVITE cseq and acknowledges it.
func connected(cseq int) step {
	return join(optional(100, 180, 183), step(`<recv response="200">`+learnUAC+`</recv>`+"\n"), ack(cseq))
}

// rejected receives a final rejection of INVITE cseq and acknowledges it.
func rejected(number string, code, cseq int) step {
	return join(optional(100, 180, 183), response(code), ackRejection(number, cseq))
}

// Steps of both parties within the dialog.

func inDialog(method string, cseq int) string {
	return fmt.Sprintf("%s [$target] SIP/2.0\n%sFrom:[$me]\nTo:[$peer]\nCall-ID: [call_id]\nCSeq: %d %s\n", method,
		ownVia, cseq, method)
}

func ack(cseq int) step { return send(inDialog("ACK", cseq) + noBody) }

// clears sends a BYE and receives the answer.
func clears(cseq int) step {
	return join(sendRepeated(inDialog("BYE", cseq)+noBody), response(200))
}

// cleared receives a BYE, waits, and answers it.
func cleared(after time.Duration) step {
	return join(request("BYE"), pause(after), reply(200, "OK"))
}

// holds asks in a re-INVITE to send only, as some adapters do when a key telephone holds, and expects the other side's
// consent.
func holds(cseq int) step {
	return join(sendRepeated(inDialog("INVITE", cseq)+ownContact+sdp("sendonly", 2)), optional(100),
		step(`<recv response="200"><action><ereg regexp="a=(recvonly|inactive)" search_in="body" check_it="true" assign_to="junk"/></action></recv>`+"\n"),
		ack(cseq))
}

// held receives the re-INVITE and accepts it.
func held() step {
	return join(step(`<recv request="INVITE"><action><ereg regexp="a=sendonly" search_in="body" check_it="true" assign_to="junk"/></action></recv>`+"\n"),
		sendRepeated("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, "")+ownContact+sdp("recvonly", 2)), request("ACK"))
}

// Steps of registration.

func registerText(cseq int, extra string) string {
	return fmt.Sprintf("REGISTER sip:[remote_ip]:[remote_port] SIP/2.0\n%sFrom: <sip:[service]@[remote_ip]>%s\nTo: <sip:[service]@[remote_ip]>\nCall-ID: [call_id]\nCSeq: %d REGISTER\n%sExpires: 600\n%s",
		ownVia, ownTag, cseq, ownContact, extra) + noBody
}

// registers registers [service] with digest authentication. final is the status of the answer to the credentials.
func registers(secret string, final int) step {
	return join(sendRepeated(registerText(1, "")), step(`<recv response="401" auth="true"/>`+"\n"),
		sendRepeated(registerText(2, "[authentication password="+secret+"]\n")), response(final))
}

// registrar challenges a REGISTER and accepts only correct credentials.
func registrar() step {
	return join(request("REGISTER"),
		send("SIP/2.0 401 Unauthorized\n"+fmt.Sprintf(copied,
			ownTag)+"WWW-Authenticate: Digest realm=\"millrace.example\", nonce=\"n[pid]\", algorithm=MD5, qop=\"auth\"\n"+noBody),
		step(`<recv request="REGISTER"><action><ereg regexp=".*" search_in="hdr" header="Contact:" assign_to="me"/>`+
			`<verifyauth assign_to="ok" username="[service]" password="`+password+`"/></action></recv>`+"\n"+`<nop hide="true" test="ok" next="good"/>`+"\n"),
		step("<send next=\"end\"><![CDATA[\nSIP/2.0 403 Forbidden\n"+fmt.Sprintf(copied,
			ownTag)+noBody+"\n]]></send>\n<label id=\"good\"/>\n"),
		send("SIP/2.0 200 OK\n"+fmt.Sprintf(copied, ownTag)+"Contact:[$me];expires=600\n"+noBody),
		step("<label id=\"end\"/>\n<nop/>\n"))
}
