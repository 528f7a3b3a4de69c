package conformance

import (
	"strings"
	"testing"
)

const own = "127.0.0.1:5080"

// msg returns a message of lines, with the length of what follows "body:".
func msg(sent bool, lines ...string) Message {
	body := ""
	if last := lines[len(lines)-1]; strings.HasPrefix(last, "v=0") {
		body, lines = last, append(lines[:len(lines)-1:len(lines)-1], "Content-Type: application/sdp")
	}
	return Message{Sent: sent, Text: strings.Join(append(lines, "Content-Length: "+itoa(len(body))), "\r\n") +
		"\r\n\r\n" + body}
}

func itoa(n int) string {
	if n < 10 {
		return string(rune('0' + n))
	}
	return itoa(n/10) + string(rune('0'+n%10))
}

const (
	offer   = "v=0\r\no=- 7 1 IN IP4 127.0.0.1\r\ns=-\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=audio 20000 RTP/AVP 0\r\n"
	ourVia  = "Via: SIP/2.0/UDP " + own + ";branch=z9hG4bK-ours-1;rport"
	ourVia2 = "Via: SIP/2.0/UDP " + own + ";branch=z9hG4bK-ours-2;rport"
	ourVia3 = "Via: SIP/2.0/UDP " + own + ";branch=z9hG4bK-ours-3;rport"
	hisVia  = "Via: SIP/2.0/UDP 127.0.0.1:5090;branch=z9hG4bK-his-1"
	hisVia2 = "Via: SIP/2.0/UDP 127.0.0.1:5090;branch=z9hG4bK-his-2"
	ourFrom = "From: <sip:line@house.test>;tag=ours"
	hisTo   = "To: <sip:desk@far.test>"
	ourName = "Contact: <sip:line@" + own + ">"
	allowed = "Allow: INVITE, ACK, BYE, CANCEL\r\nSupported: timer"
)

// calling returns a correct call of the user agent under test: INVITE, 180, 200, ACK, BYE.
func calling() []Message {
	return []Message{
		msg(false, "INVITE sip:desk@far.test SIP/2.0", ourVia, ourFrom, hisTo, "Call-ID: one", "CSeq: 5 INVITE",
			"Max-Forwards: 70", ourName, allowed, offer),
		msg(true, "SIP/2.0 180 Ringing", ourVia, ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 5 INVITE",
			"Contact: <sip:desk@10.far.test>", "Record-Route: <sip:b.test;lr>", "Record-Route: <sip:a.test;lr>"),
		msg(true, "SIP/2.0 200 OK", ourVia, ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 5 INVITE",
			"Contact: <sip:desk@10.far.test>", "Record-Route: <sip:b.test;lr>, <sip:a.test;lr>", offer),
		msg(false, "ACK sip:desk@10.far.test SIP/2.0", ourVia2, "Route: <sip:a.test;lr>", "Route: <sip:b.test;lr>",
			ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 5 ACK", "Max-Forwards: 70"),
		msg(false, "BYE sip:desk@10.far.test SIP/2.0", ourVia3, "Route: <sip:a.test;lr>", "Route: <sip:b.test;lr>",
			ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 6 BYE", "Max-Forwards: 70"),
		msg(true, "SIP/2.0 200 OK", ourVia3, ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 6 BYE"),
	}
}

// cancelled returns a correct call that the user agent under test cancelled.
func cancelled() []Message {
	c := calling()
	return []Message{c[0], c[1],
		msg(false, "CANCEL sip:desk@far.test SIP/2.0", ourVia, ourFrom, hisTo, "Call-ID: one", "CSeq: 5 CANCEL",
			"Max-Forwards: 70"),
		msg(true, "SIP/2.0 200 OK", ourVia, ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 5 CANCEL"),
		msg(true, "SIP/2.0 487 Request Terminated", ourVia, ourFrom, hisTo+";tag=his", "Call-ID: one",
			"CSeq: 5 INVITE"),
		msg(false, "ACK sip:desk@far.test SIP/2.0", ourVia, ourFrom, hisTo+";tag=his", "Call-ID: one", "CSeq: 5 ACK",
			"Max-Forwards: 70"),
	}
}

// called returns a correct call to the user agent under test, which clears it.
func called() []Message {
	const from, to = "From: <sip:desk@far.test>;tag=his", "To: <sip:line@house.test>"
	return []Message{
		msg(true, "INVITE sip:line@house.test SIP/2.0", hisVia, "Record-Route: <sip:a.test;lr>", from, to,
			"Call-ID: two", "CSeq: 1 INVITE", "Max-Forwards: 70", "Contact: <sip:desk@10.far.test>",
			"Supported: 100rel", offer),
		msg(false, "SIP/2.0 100 Trying", hisVia, from, to, "Call-ID: two", "CSeq: 1 INVITE"),
		msg(false, "SIP/2.0 180 Ringing", hisVia+";received=127.0.0.1", "Record-Route: <sip:a.test;lr>", from,
			to+";tag=ours", "Call-ID: two", "CSeq: 1 INVITE", ourName, "Require: 100rel", "RSeq: 9"),
		msg(true, "PRACK sip:line@"+own+" SIP/2.0", hisVia2, from, to+";tag=ours", "Call-ID: two", "CSeq: 2 PRACK",
			"Max-Forwards: 70", "RAck: 9 1 INVITE"),
		msg(false, "SIP/2.0 200 OK", hisVia2, from, to+";tag=ours", "Call-ID: two", "CSeq: 2 PRACK"),
		msg(false, "SIP/2.0 200 OK", hisVia, "Record-Route: <sip:a.test;lr>", from, to+";tag=ours", "Call-ID: two",
			"CSeq: 1 INVITE", ourName, allowed, offer),
		msg(true, "ACK sip:line@"+own+" SIP/2.0", hisVia2+"a", from, to+";tag=ours", "Call-ID: two", "CSeq: 1 ACK",
			"Max-Forwards: 70"),
		msg(false, "BYE sip:desk@10.far.test SIP/2.0", ourVia3, "Route: <sip:a.test;lr>",
			"From: <sip:line@house.test>;tag=ours", "To: <sip:desk@far.test>;tag=his", "Call-ID: two", "CSeq: 1 BYE",
			"Max-Forwards: 70"),
		msg(true, "SIP/2.0 200 OK", ourVia3, "From: <sip:line@house.test>;tag=ours", "To: <sip:desk@far.test>;tag=his",
			"Call-ID: two", "CSeq: 1 BYE"),
	}
}

// TestRules checks correct traces, then each with one fault, so that every rule is seen to work.
func TestRules(t *testing.T) {
	sound := map[string]func() []Message{"calling": calling, "cancelled": cancelled, "called": called}
	for name, trace := range sound {
		if faults := (Trace{Messages: append(trace(), trace()...), Own: own,
			Foreign: []string{"10.0.0.9"}}).Faults(); len(faults) > 0 {
			t.Fatalf("%s: %q", name, faults)
		}
	}
	for _, c := range []struct {
		trace    string
		message  int
		old, new string
		says     string
	}{
		{"calling", 0, "z9hG4bK-ours-1", "ours-1", "branch"},
		{"calling", 0, ";rport", "", "rport"},
		{"calling", 0, "Max-Forwards: 70", "Max-Forwards: 71", "Max-Forwards"},
		{"calling", 0, "Max-Forwards: 70\r\n", "", "max-forwards"},
		{"calling", 0, ";tag=ours", "", "From tag"},
		{"calling", 0, "CSeq: 5 INVITE", "CSeq: 5 BYE", "CSeq"},
		{"calling", 0, "CSeq: 5 INVITE", "CSeq: 2147483648 INVITE", "CSeq"},
		{"calling", 0, "Contact: <sip:line@" + own + ">\r\n", "", "0 Contact"},
		{"calling", 0, "line@" + own, "line@127.0.0.1:9", "does not lead"},
		{"calling", 0, "UDP " + own, "UDP 127.0.0.1:9", "is not sent by"},
		{"calling", 0, "Allow: ", "X: ", "no allow"},
		{"calling", 0, "Supported: ", "X: ", "no supported"},
		{"called", 5, "Supported: ", "X: ", "no supported"},
		{"calling", 0, "Content-Length: ", "Content-Length: 1", "Content-Length"},
		{"calling", 0, "Content-Type: application/sdp\r\n", "", "Content-Type"},
		{"calling", 0, "Call-ID: one", "Call-ID: one\r\nCall-ID: one", "twice"},
		{"calling", 0, "Call-ID: one", "Call-ID: one\r\nSubject: 10.0.0.9", "leaks"},
		{"calling", 0, "Max-Forwards: 70", "Max-Forwards: 70\r\nX:", "empty"},
		{"calling", 0, "SIP/2.0\r\nVia", "SIP/2.0\r\nA: b\nVia", "bare LF"},
		{"calling", 0, "s=-", "S=-", "no s= line"},
		{"calling", 3, "-ours-2", "-ours-1", "own branch"},
		{"calling", 3, "sip:desk@10.far.test", "sip:desk@far.test", "remote target"},
		{"calling", 3, "Route: <sip:a.test;lr>\r\n", "", "route set"},
		{"calling", 3, "CSeq: 5", "CSeq: 4", "no INVITE"},
		{"calling", 3, "tag=his", "tag=nobody", "of no dialog"},
		{"calling", 3, "Max-Forwards", "Authorization: Digest x\r\nMax-Forwards", "22.1"},
		{"calling", 4, "CSeq: 6", "CSeq: 5", "not above"},
		{"calling", 4, "CSeq: 6", "CSeq: 7", "does not follow"},
		{"calling", 4, "tag=ours", "tag=other", "From tag changed"},
		{"calling", 4, "-ours-3", "-ours-1", "branch of"},
		{"calling", 4, "<sip:a.test;lr>", "<sip:c.test;lr>", "route set"},
		{"calling", 4, "tag=his", "tag=nobody", "of no dialog"},
		{"cancelled", 2, "-ours-1", "-ours-9", "no INVITE has its branch"},
		{"cancelled", 2, "sip:desk@far.test SIP", "sip:desk@10.far.test SIP", "Request-URI"},
		{"cancelled", 2, "<sip:desk@far.test>", "<sip:desk@far.test>;tag=his", "9.1"},
		{"cancelled", 2, "Max-Forwards", "Require: 100rel\r\nMax-Forwards", "Require"},
		{"cancelled", 2, "CSeq: 5", "CSeq: 6", "CSeq number"},
		{"cancelled", 5, "-ours-1", "-ours-4", "17.1.1.3"},
		{"cancelled", 5, ";tag=his", "", "17.1.1.3"},
		{"cancelled", 5, "sip:desk@far.test SIP", "sip:desk@10.far.test SIP", "17.1.1.3"},
		{"called", 1, "z9hG4bK-his-1", "z9hG4bK-his-9", "answers no request"},
		{"called", 2, "tag=his", "tag=him", "8.2.6.2"},
		{"called", 2, "Record-Route", "X", "Record-Route"},
		{"called", 2, ";tag=ours", "", "no To tag"},
		{"called", 2, "Contact:", "X:", "0 Contact"},
		{"called", 2, "Require:", "X:", "RSeq without"},
		{"called", 2, "RSeq: 9", "RSeq: 0", "RSeq"},
		{"called", 2, "house.test", "home.test", "To "},
		{"called", 4, ";tag=ours", ";tag=mine", "To tag"},
		{"called", 5, "Record-Route: <sip:a.test;lr>\r\n", "", "Record-Route"},
		{"called", 5, "Contact:", "X:", "0 Contact"},
		{"called", 5, "Allow:", "X:", "no allow"},
		{"called", 5, "m=audio", "m=video", "RFC 3264"},
		{"called", 5, "m=audio 20000 RTP/AVP 0\r\n", "m=audio 1 RTP/AVP 0\r\nm=audio 2 RTP/AVP 0\r\n", "RFC 3264"},
		{"called", 7, "sip:desk@10.far.test", "sip:desk@far.test", "remote target"},
	} {
		all := sound[c.trace]()
		if !strings.Contains(all[c.message].Text, c.old) {
			t.Fatalf("%s %d has no %q", c.trace, c.message, c.old)
		}
		all[c.message].Text = strings.Replace(all[c.message].Text, c.old, c.new, 1)
		faults := (Trace{Messages: all, Own: own, Foreign: []string{"10.0.0.9"}}).Faults()
		if !strings.Contains(strings.Join(faults, "\n"), c.says) {
			t.Errorf("%s %d: %q for %q: want a fault with %q, got %q", c.trace, c.message, c.new, c.old, c.says, faults)
		}
	}
}

// TestChangedOrder changes the order of correct traces, or the kind of one message.
func TestChangedOrder(t *testing.T) {
	a, b, c := calling(), cancelled(), called()
	ok, refused := c[5], Message{Text: strings.Replace(c[2].Text, "180 Ringing", "486 Busy Here", 1)}
	strict := calling()
	for i := range strict {
		strict[i].Text = strings.ReplaceAll(strict[i].Text, ";lr", "")
	}
	changed := Message{Text: strings.Replace(strings.Replace(ok.Text, "m=audio 20000", "m=audio 20002", 1),
		"z9hG4bK-his-1", "z9hG4bK-his-5", 1)}
	again := Message{Sent: true, Text: strings.NewReplacer("z9hG4bK-his-1", "z9hG4bK-his-5", "CSeq: 1", "CSeq: 3",
		"house.test>", "house.test>;tag=ours").Replace(c[0].Text)}
	changed.Text = strings.Replace(changed.Text, "CSeq: 1", "CSeq: 3", 1)
	other := calling()
	other[4].Text = strings.NewReplacer("-ours-3", "-ours-8", "BYE", "INFO", "CSeq: 6",
		"CSeq: 7").Replace(other[4].Text)
	for says, trace := range map[string][]Message{
		"before a final":        {a[0], a[3]},
		"before the ACK":        {c[0], c[5], c[7]},
		"before any prov":       {b[0], b[2]},
		"after the final":       {c[0], c[5], c[2]},
		"a second final":        {c[0], refused, ok},
		"a dialog that is over": {a[0], a[1], a[2], a[3], a[4], a[5], other[4]},
		"strict route":          strict,
		"does not support":      {{Sent: true, Text: strings.Replace(c[0].Text, "Supported", "X", 1)}, c[2]},
		"with version 1":        append(called()[:7], again, changed),
		"no session desc": {{Sent: true, Text: strings.Replace(c[0].Text, "m=audio", "m=audio", 1)},
			msg(false, strings.Split(strings.Split(ok.Text, "\r\nContent-Type")[0], "\r\n")...)},
		"no www-auth":    {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "401 Unauthorized", 1)}},
		"no proxy-auth":  {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "407 Proxy", 1)}},
		"no allow":       {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "405 No", 1)}},
		"no unsupported": {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "420 No", 1)}},
		"no accept":      {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "415 No", 1)}},
		"no min-se":      {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "422 No", 1)}},
		"no min-expires": {c[0], {Text: strings.Replace(refused.Text, "486 Busy Here", "423 No", 1)}},
	} {
		faults := (Trace{Messages: trace, Own: own}).Faults()
		if !strings.Contains(strings.Join(faults, "\n"), says) {
			t.Errorf("want a fault with %q, got %q", says, faults)
		}
	}
}

// TestSharedIdentifiers checks that identifiers of one leg are found on the other.
func TestSharedIdentifiers(t *testing.T) {
	a, b := Trace{Messages: calling()}, Trace{Messages: []Message{msg(false, "OPTIONS sip:x@y.test SIP/2.0",
		"Via: SIP/2.0/UDP a;branch=z9hG4bK-elsewhere", "Call-ID: elsewhere", "From: <sip:a@b>;tag=elsewhere-from",
		"To: <sip:a@b>")}}
	if faults := SharedIdentifiers(a, b); len(faults) > 0 {
		t.Errorf("%q", faults)
	}
	b.Messages[0].Text = strings.Replace(b.Messages[0].Text, "z9hG4bK-elsewhere", "z9hG4bK-ours-2", 1)
	if faults := SharedIdentifiers(a, b); len(faults) == 0 {
		t.Error("a branch of the other leg was not reported")
	}
}
