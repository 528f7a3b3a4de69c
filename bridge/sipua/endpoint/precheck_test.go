package endpoint

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// Messages at the size limits, and one byte or field beyond, with the resulting response.
func TestInspectSizes(t *testing.T) {
	head := func(n int) string { return "X\r\n" + strings.Repeat("A: b\r\n", 10) + strings.Repeat("c", n-3-60) }
	for name, c := range map[string]struct {
		s    string
		want fault
	}{
		"message": {head(2000) + "\r\n\r\n" + strings.Repeat("b", maxBody), fault{}},
		"body+":   {head(2000) + "\r\n\r\n" + strings.Repeat("b", maxBody+1), bodyTooLarge},
		"field":   {"X\r\n" + strings.Repeat("c", maxField) + "\r\n\r\n", fault{}},
		"field+":  {"X\r\n" + strings.Repeat("c", maxField+1) + "\r\n\r\n", tooLarge},
		"fields":  {"X\r\n" + strings.Repeat("A: b\r\n", maxFields) + "\r\n", fault{}},
		"fields+": {"X\r\n" + strings.Repeat("A: b\r\n", maxFields+1) + "\r\n", tooLarge},
		"head": {"X\r\n" + strings.Repeat("c", maxField) + "\r\n" + strings.Repeat("c", maxHead-maxField-5) +
			"\r\n\r\n", fault{}},
		"head+": {"X\r\n" + strings.Repeat("c", maxField) + "\r\n" + strings.Repeat("c", maxHead-maxField-4) +
			"\r\n\r\n", tooLarge},
		"message+": {"X\r\nc\r\n\r\n" + strings.Repeat("b", maxMessage-7), tooLarge},
		"message=": {"X\r\nc\r\n\r\n" + strings.Repeat("b", maxMessage-8), bodyTooLarge},
	} {
		f, untidy := inspect([]byte(c.s))
		require.Equal(t, c.want, f, name)
		require.False(t, untidy, name)
	}
}

// One address, Via or Route that the parser would misread is enough to normalize a message. Other header fields do not
// count.
func TestInspectUntidy(t *testing.T) {
	for head, want := range map[string]bool{
		"From: <sip:a@b> ; tag=x\r\nTo: <sip:c@d>": true, "From: <sip:a@b>\r\nTo: <sip:c@d> ; tag=x": true,
		"Via: SIP / 2.0/UDP a\r\nSubject: x": true, "Route: <sip:a> ;X=y": true, "From: <sip:a@b>;tag=x": false,
		"Subject: a ; TAG = b": false, "Subject: a ; b\r\nTo: <sip:c@d>": false,
	} {
		f, untidy := inspect([]byte("OPTIONS sip:x SIP/2.0\r\n" + head + "\r\n\r\n"))
		require.Equal(t, fault{}, f)
		require.Equal(t, want, untidy, "%q", head)
	}
}

// A message that the library's parser would misread is normalized: blanks around separators, and upper case in
// parameter names. Text in quotes or brackets stays as it is (RFC 3261 section 7.3.1).
func TestNormalize(t *testing.T) {
	for in, want := range map[string]string{
		" <sip:a@b> ; TAG = x":          " <sip:a@b>;tag=x",
		`"A ; B = C" <sip:a@b;X=Y ; z>`: `"A ; B = C" <sip:a@b;X=Y ; z>`,
		`"A\" ; B" <sip:a@b> ;Q=Z`:      `"A\" ; B" <sip:a@b>;q=Z`,
		`"A\\" <sip:a@b> ;Q=Z`:          `"A\\" <sip:a@b>;q=Z`,
		`"A\`:                           `"A\`,
		"<sip:a@b>;Az=1, <sip:C@D>;Z=2": "<sip:a@b>;az=1, <sip:C@D>;z=2",
		"<sip:a@b>;A, B=C":              "<sip:a@b>;a, B=C",
		"<sip:a@b>;A=B;C\t=\r\n D":      "<sip:a@b>;a=B;c=D",
		";AZ[@=1":                       ";az[@=1",
		`;A"B" C=1`:                     `;a"B" C=1`,
		";A<B>C":                        ";a<B>C",
		"a / b":                         "a / b",
		"<sip:a@b> ; ":                  "<sip:a@b>;",
	} {
		require.Equal(t, want, string(appendNormalized(nil, []byte(in), false)), "%q", in)
		require.Equal(t, want != in, needsNormalizing([]byte(in), false), "%q", in)
	}
	for in, want := range map[string]string{
		"SIP / 2.0 / UDP a:5060 ; BRANCH = z": "SIP/2.0/UDP a:5060;branch=z",
		"SIP/2.0/UDP a;X / Y=z":               "SIP/2.0/UDP a;x / y=z",
	} {
		require.Equal(t, want, string(appendNormalized(nil, []byte(in), true)), "%q", in)
	}
}

func TestKindOf(t *testing.T) {
	for name, want := range map[string]kind{
		"From": address, "f": address, "F": address, "To": address, "t": address, "T": address, "Contact": address,
		"m": address, "M": address,
		"Via": via, "v": via, "V": via, "Route": route, "ROUTE": route, "x": other, "Event": other, "tO": address,
		"Diversion": other, "ab": other, "abc": other,
		"abcd": other, "Require": other, "": other,
	} {
		require.Equal(t, want, kindOf([]byte(name)), name)
	}
	for name, want := range map[string]bool{"Contact": true, "m": true, "M": true, "From": false, "f": false,
		"To": false, "t": false, "l": false} {
		require.Equal(t, want, contact([]byte(name)), name)
	}
}

// A value that seems to hold several addresses, or is ambiguous, is refused.
func TestBadAddresses(t *testing.T) {
	for value, want := range map[string][2]bool{ // ambiguous, list
		"sip:a@b?x=y": {true, false}, "?": {true, false}, "<sip:a@b?x=y>": {false, false},
		`"?" sip:a@b`: {false, false}, "sip:a@b": {false, false},
		"Doe, John <sip:a@b>": {false, true}, ",<sip:a@b>": {false, true}, `"Doe, John" <sip:a@b>`: {false, false},
		`",<sip:a@b>`:          {false, false},
		"<sip:a@b>, <sip:c@d>": {false, false}, "sip:a@b, sip:c@d": {false, false},
	} {
		require.Equal(t, want, [2]bool{ambiguousURI([]byte(value)), seemsList([]byte(value))}, value)
	}
	for value, bad := range map[string]bool{
		"From: a, b <sip:a@b>": true, "m: a, b <sip:a@b>": false, "m: sip:a@b?x": true,
		"Subject: a, b <sip:a@b>?": false, "Via: a, b <c>": false,
	} {
		f, _ := inspect([]byte("OPTIONS sip:x SIP/2.0\r\n" + value + "\r\n\r\n"))
		require.Equal(t, bad, f == badRequest, value)
	}
}

// Unsupported schemes get 416. Text that is not a URI with a scheme is left to the parser (RFC 3261 section 8.2.2.1,
// RFC 3986 section 3.1).
func TestUnsupportedScheme(t *testing.T) {
	for uri, want := range map[string]bool{
		"sip:a@b": false, "SIPS:a@b": false, "tel:112": false, "urn:service:sos": false, "http://b": true, "z:b": true,
		"a:b": true, "A:b": true, "Z:b": true,
		"h3c:b": true, "h0:b": true, "h9:b": true, "h+:b": true, "h-:b": true, "h.:b": true, "3h:b": false,
		"+h:b": false, "h_:b": false, "h/:b": false,
		"h::b": true, ":b": false, "b": false, "h@:b": false, "{:b": false, "`:b": false, "h{:b": false,
	} {
		require.Equal(t, want, unsupportedScheme([]byte("OPTIONS "+uri+" SIP/2.0")), uri)
	}
	for _, line := range []string{"SIP/2.0 http:x SIP/2.0", "OPTIONS http:x", "OPTIONS http:x SIP/2.0 x",
		"OPTIONS http:x HTTP/1.1"} {
		require.False(t, unsupportedScheme([]byte(line)), line)
	}
}

func TestFields(t *testing.T) {
	type one struct {
		name, value string
		size        int
	}
	cut := func(head string, most int) (start string, all []one) {
		start = string(fields([]byte(head), func(f field, size int) bool {
			all = append(all, one{string(f.name), string(f.value), size})
			return len(all) < most
		}))
		return start, all
	}
	start, all := cut("S x\r\nA: b\r\nC : d\r\n e\r\n\tf\r\nG\r\nH:i", 9)
	require.Equal(t, "S x", start)
	require.Equal(t, []one{{"A", " b", 4}, {"C", " d\r\n e\r\n\tf", 13}, {"G", "", 1}, {"H", "i", 3}}, all)
	_, all = cut("S\r\nA:b\r\nC:d\r\n", 1)
	require.Equal(t, []one{{"A", "b", 3}}, all)
	_, all = cut("S\r\nA:b\r\n", 9)
	require.Len(t, all, 1)
	_, all = cut("S\r\nA", 9)
	require.Equal(t, []one{{"A", "", 1}}, all)
	require.Equal(t, "X\r\n", string(normalized([]byte("X\r\n"))), "without the end of the head nothing changes")
	require.Equal(t, "X y\r\nFrom:<a>;tag=b\r\nTo: c  d\r\nSubject: TAG = x\r\nVia: SIP/2.0/UDP x\r\n\r\nbody ; TAG = x",
		string(normalized([]byte("X y\r\nFrom:<a> ; TAG = b\r\nTo: c\r\n d\r\nSubject: TAG = x\r\nVia: SIP / 2.0/UDP x\r\n\r\nbody ; TAG = x"))))
	for text, want := range map[string]int{"": 0, "a": 1, "\r\n": 0, "\r\na": 0, "a\r\n": 1, "a\r\n b": 5,
		"a\r\n\tb\r\nc": 5} {
		require.Equal(t, want, fieldEnd([]byte(text)), "%q", text)
	}
}

func TestDatagramPrecheck(t *testing.T) {
	for s, want := range map[string]bool{"": true, "\r\n\r\n": true, "\x00": true, " \r\n\x00": true, "x": false,
		"\r\nx": false} {
		require.Equal(t, want, keepAlive([]byte(s)), "%q", s)
	}
	for s, want := range map[string]bool{
		"SIP/2.0 200 OK\r\n": true, "OPTIONS sip:x SIP/2.0\r\nA: b": true, "OPTIONS sip:x SIP/2.0": false,
		"GET / HTTP/1.1\r\nX: SIP/": false, "SIP\r\n": false,
		strings.Repeat("x", maxField-7) + " SIP/\r\n": true, strings.Repeat("x", maxField-6) + " SIP/\r\n": false,
	} {
		require.Equal(t, want, looksLikeSIP([]byte(s)), "%q", s)
	}
}

// A bucket gains tokens at its rate, up to its size, and none if the clock was set back.
func TestBucket(t *testing.T) {
	var b bucket
	now := time.Unix(1000, 0)
	b.refill(now, 10, 20)
	require.EqualValues(t, 20, b.tokens)
	b.tokens = 0
	b.refill(now.Add(500*time.Millisecond), 10, 20)
	require.EqualValues(t, 5, b.tokens)
	b.refill(now.Add(400*time.Millisecond), 10, 20)
	require.EqualValues(t, 5, b.tokens)
	b.refill(now.Add(time.Hour), 10, 20)
	require.EqualValues(t, 20, b.tokens)

	var g sourceLimiter
	g.init(Options{LimitUnknown: true})
	one := netip.MustParseAddr("192.0.2.1")
	for range unknownSourceBurst {
		require.True(t, g.admit(one, now))
	}
	require.False(t, g.admit(one, now.Add(99*time.Millisecond)))
	require.EqualValues(t, unknownBurst-unknownSourceBurst, g.all.tokens, "a refused message takes no token from the others")
	require.True(t, g.admit(one, now.Add(100*time.Millisecond)))
	g.all.tokens, g.all.at = 0.5, now.Add(time.Second)
	require.False(t, g.admit(netip.MustParseAddr("192.0.2.2"), now.Add(time.Second)))
	require.True(t, g.admit(netip.MustParseAddr("192.0.2.2"), now.Add(1005*time.Millisecond)))
	slots := map[int]bool{}
	for i := range 10 {
		slots[g.slot(source(i).Addr())] = true
	}
	require.Greater(t, len(slots), 1, "IPv4 addresses do not share one")
}

// A source is not unknown while a request to it is pending. A source that was made known stays known until the last
// instant.
func TestKnownSourceExpires(t *testing.T) {
	var g sourceLimiter
	g.init(Options{LimitUnknown: true})
	one, now := netip.MustParseAddr("192.0.2.1"), time.Unix(1000, 0)
	require.True(t, g.isUnknown(one, now))
	g.await(one, 1)
	g.await(one, 1)
	g.await(one, -1)
	require.False(t, g.isUnknown(one, now))
	g.await(one, -1)
	require.True(t, g.isUnknown(one, now))
	g.know(one, now)
	require.False(t, g.isUnknown(one, now.Add(knownFor-1)))
	require.Equal(t, 1, g.size())
	require.True(t, g.isUnknown(one, now.Add(knownFor)))
	require.Zero(t, g.size())
	g.on = false
	require.False(t, g.isUnknown(one, now))
}

// A message that cannot be parsed is answered if its header fields say where to. A long message and an ACK are not
// answered (RFC 3261 section 8.2).
func TestRefuseUnparsed(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		bad := strings.Replace(string(from(hostile, "OPTIONS", "unread")), "CSeq: 1", "CSeq: x", 1)
		ask := func(s string) string {
			n.Send(hostile, victim, []byte(s))
			got := sent()
			if len(got) == 0 {
				return ""
			}
			require.Equal(t, hostile, got[0].To)
			return string(got[0].Data)
		}
		m := rawtest.Message(ask(bad))
		require.Contains(t, string(m), "SIP/2.0 400 Bad Request\r\n")
		require.Equal(t, "x OPTIONS", m.Get("CSeq"))
		require.Equal(t, "<sip:5550101@millrace.example>;tag=near", m.Get("From"))
		require.Equal(t, "<sip:5550102@millrace.example>", m.Get("To"))
		require.Equal(t, "unread", m.Get("Call-ID"))
		require.Contains(t, m.Get("Via"), hostile.String()+";branch=z9hG4bKunread")
		require.Equal(t, "0", m.Get("Content-Length"))
		require.Empty(t, m.Get("Contact"))
		for _, short := range []string{"v", "f", "t", "i"} {
			long := map[string]string{"v": "Via", "f": "From", "t": "To", "i": "Call-ID"}[short]
			require.Contains(t, ask(strings.Replace(bad, "\r\n"+long+":", "\r\n"+short+":", 1)), "400 Bad Request",
				short)
		}
		n.Send(hostile, victim, []byte(strings.Replace(bad, "SIP/2.0/UDP "+hostile.String(),
			"SIP/2.0/TCP "+hostile.Addr().String()+":5070", 1)))
		got := sent()
		require.Len(t, got, 1)
		require.EqualValues(t, 5070, got[0].To.Port(), "it came over UDP, whatever its Via says")
		require.Empty(t, ask(strings.Replace(bad, "OPTIONS sip", "ack sip", 1)))
		require.Empty(t, ask(strings.Replace(bad, "Via:", "X:", 1)))
		require.Empty(t, ask(strings.Replace(bad, "Call-ID: ", "Call-ID: \r", 1)), "half a line end")
		require.Empty(t, ask(strings.Replace(bad, "\r\n\r\n", "\r\n", 1)))
		kept := len("X sip:x SIP/2.0\r\n")
		for line := range strings.SplitSeq(strings.TrimSpace(bad), "\r\n") {
			if name, _, ok := strings.Cut(line, ":"); ok && isEchoed(name) {
				kept += len(line) + 2
			}
		}
		long := func(n int) string {
			return strings.Replace(bad, "tag=near", "tag=near"+strings.Repeat("r", n-kept),
				1)
		}
		require.NotEmpty(t, ask(long(maxEcho)))
		require.Empty(t, ask(long(maxEcho+1)))
		require.Empty(t, ask(long(maxEcho+len("CSeq: x OPTIONS\r\n"))), "all fields but the last one fit")
		endless := func(n int) string { // n bytes without the end of the head
			b := strings.TrimSuffix(bad, "\r\n") + "X: " + strings.Repeat("x", maxField-100) + "\r\nX: "
			return b + strings.Repeat("x", n-len(b))
		}
		require.Empty(t, ask(endless(maxHead)), "the rest of it was lost on the way")
		require.Contains(t, ask(endless(maxHead+1)), "SIP/2.0 513 ")
		require.Zero(t, e.Counts().Servers)
	})
}

// A second occurrence of each header field that may occur only once is refused, in its long form and in any case.
func TestSingleHeaderFields(t *testing.T) {
	bubble(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }}, nil,
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			for field, want := range map[string]string{
				"From: <sip:a@b>;tag=c": "400", "TO: <sip:a@b>": "400", "Call-ID: x": "400", "CSeq: 1 INFO": "400",
				"Max-Forwards: 7\r\nMax-Forwards: 7": "400",
				"Content-Length: 0":                  "400", "Content-Type: a/b\r\nContent-Type: a/b": "400",
				"Content-Type: a/b":        "200",
				"Subject: a\r\nSubject: b": "200",
			} {
				n.Send(hostile, victim, from(hostile, "INFO", "single", field+"\r\n"))
				got := sent()
				require.Len(t, got, 1, field)
				require.Equal(t, want, string(got[0].Data[8:11]), field)
				<-time.After(70 * t1)
			}
			for uri, want := range map[string]string{"x:0": "200", "x:65535": "200", "x:65536": "400"} {
				n.Send(hostile, victim, []byte(strings.Replace(string(from(hostile, "INFO", "port")), "@192.0.2.1 ",
					"@"+uri+" ", 1)))
				require.Equal(t, want, string(sent()[0].Data[8:11]), uri)
				<-time.After(70 * t1)
			}
			for aor, want := range map[string]string{"sip:a@b": "200", "sips:a@b": "200", "tel:1": "200",
				"http://b": "400"} {
				n.Send(hostile, victim, []byte(strings.Replace(string(from(hostile, "REGISTER", "aor")),
					"To: <sip:5550102@millrace.example>", "To: <"+aor+">", 1)))
				require.Equal(t, want, string(sent()[0].Data[8:11]), aor)
				<-time.After(70 * t1)
			}
			for method, want := range map[string]string{"MESSAGE": "483", "OPTIONS": "200", "CANCEL": "481",
				"INFO tag": "200"} {
				method, tag, _ := strings.Cut(method, " ")
				b := from(hostile, method, "hops", "Max-Forwards: 0\r\n")
				if tag != "" {
					b = tagged(b)
				}
				n.Send(hostile, victim, b)
				<-time.After(cancelWait)
				require.Equal(t, want, string(sent()[0].Data[8:11]), method)
				<-time.After(70 * t1)
			}
		})
}

// A faulty ACK is counted and gets no response; nor does any other ACK (RFC 3261 section 17).
func TestFaultyAck(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		for _, method := range []string{"ACK", "INFO"} {
			b := strings.Replace(string(from(hostile, method, "untagged")), ";tag=near", "", 1)
			n.Send(hostile, victim, []byte(b))
			require.Equal(t, method == "INFO", len(sent()) == 1, method)
		}
		require.EqualValues(t, 2, e.Counts().Malformed)
	})
}
