package sipua

import (
	"errors"
	"net/netip"
	"strings"
	"testing"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
)

func pathOf(t testing.TB, emergency bool) *mediaPath {
	local := netip.MustParseAddr("127.0.0.1")
	relay, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	if err != nil {
		t.Fatal(err)
	}
	p := &mediaPath{relay: true, emergency: emergency, ports: relay}
	t.Cleanup(func() { p.close(zap.NewNop()); relay.Close() })
	return p
}

func withBody(kind, body string) sip.Message {
	r := sip.NewRequest(sip.INVITE, sip.Uri{Host: "pbx.example"})
	r.AppendHeader(sip.NewHeader("Content-Type", kind))
	r.SetBody([]byte(body))
	return r
}

// The addresses of one side never reach the other (RFC 4566, RFC 3264, RFC 3605, RFC 5761, RFC 8839).
func TestRewrite(t *testing.T) {
	const in = "v=0\r\no=desk 7 8 IN IP4 192.0.2.9\r\ns=-\r\nc=IN IP4 192.0.2.9\r\nt=0 0\r\na=ice-lite\r\n" +
		"m=audio 4000 RTP/AVP 0 101\r\nc=IN IP4 192.0.2.10\r\na=rtcp:4009 IN IP4 192.0.2.11\r\na=rtcp-mux\r\na=candidate:1 1 UDP 1 192.0.2.12 4000 typ host\r\na=ptime:20\r\na=sendrecv\r\n" +
		"m=video 4002 RTP/AVP 99\r\na=rtpmap:99 H264/90000\r\n" +
		"m=audio 0 RTP/AVP 8" // no last line end, as some devices send it
	p := pathOf(t, false)
	out, err := p.translate(withBody("application/sdp", in), media.AdapterSide)
	if err != nil {
		t.Fatal(err)
	}
	text := string(out)
	lacks(t, text, "192.0.2.")
	for _, gone := range []string{"ice-lite", "candidate", "a=rtcp", "desk"} {
		lacks(t, text, gone)
	}
	for _, kept := range []string{" 7 8 IN IP4 127.0.0.1", "c=IN IP4 127.0.0.1", "a=ptime:20", "a=sendrecv", "m=video 0 ", "m=audio 0 RTP/AVP 8"} {
		contains(t, text, kept)
	}
	contains(t, text, "m=audio "+num(int(p.sessions[0].Local(media.ServiceSide).Port()))+" RTP/AVP 0 101")
	again, err := p.translate(withBody("application/sdp", in), media.AdapterSide)
	if err != nil || string(again) != text {
		t.Fatalf("the second time %v\n%s", err, again)
	}
}

// What cannot be relayed is refused; in an emergency call it passes as it is.
func TestNotAcceptable(t *testing.T) {
	fax := strings.Replace(offer("192.0.2.9", 4000, "sendrecv"), "m=audio 4000 RTP/AVP 0 101", "m=image 4000 udptl t38", 1)
	for _, c := range []struct {
		kind, body string
		want       error
	}{
		{"application/sdp", "nonsense", errSession},
		{"application/sdp", "v=0\r\no=- 1 1 IN IP4 192.0.2.9\r\ns=-\r\nt=0 0\r\nm=audio 4000 RTP/AVP 0\r\n", errSession}, // no c=
		{"application/sdp", offer("pbx.example", 4000, "sendrecv"), errSession},
		{"application/sdp", offer("192.0.2.9", 70000, "sendrecv"), errSession},
		{"application/sdp", fax, errSession},
		{"multipart/mixed;boundary=x", "--x", errBodyType},
	} {
		if _, err := pathOf(t, false).translate(withBody(c.kind, c.body), media.ServiceSide); !errors.Is(err, c.want) {
			t.Errorf("%q: %v, want %v", c.body, err, c.want)
		}
		out, err := pathOf(t, true).translate(withBody(c.kind, c.body), media.ServiceSide)
		if err != nil || string(out) != c.body {
			t.Errorf("emergency, %q: %v, %q", c.body, err, out)
		}
	}
	if code, _, _ := refusal(errBodyType); code != 415 {
		t.Errorf("refusal of a body type: %d", code)
	}
}

// FuzzRewrite: no bytes crash it, and what passes parses again.
func FuzzRewrite(f *testing.F) {
	f.Add(offer("192.0.2.9", 4000, "sendrecv"))
	p := pathOf(f, false)
	f.Fuzz(func(t *testing.T, body string) {
		if strings.Count(body, "m=") > 8 {
			t.Skip("a call with very many streams takes very many ports")
		}
		out, err := p.translate(withBody("application/sdp", body), media.AdapterSide)
		if err != nil {
			return
		}
		if _, err := p.translate(withBody("application/sdp", string(out)), media.AdapterSide); err != nil {
			t.Fatalf("%v:\n%s", err, out)
		}
	})
}

// Who called and what was called, seen from the other side (RFC 3323, RFC 3325, RFC 3261 section 19.1.6).
func TestIdentity(t *testing.T) {
	own := sip.Uri{Scheme: "sip", Host: "192.0.2.1", Port: 5070}
	aor := sip.Uri{Scheme: "sip", User: serviceUser, Host: "pbx.example"}
	from := func(s string) *sip.FromHeader {
		var h sip.FromHeader
		name, err := sip.ParseAddressValue(s, &h.Address, &h.Params)
		if err != nil {
			t.Fatal(err)
		}
		h.DisplayName = name
		return &h
	}
	for in, want := range map[string]string{
		`"Bo" <sip:5550150@pbx.internal:5080;user=phone>;tag=x`: `"Bo" <sip:5550150@192.0.2.1:5070>;tag=t`,
		`<tel:+15550150;phone-context=x>;tag=x`:                 `<sip:+15550150@192.0.2.1:5070>;tag=t`,
		`"Anonymous" <sip:anonymous@anonymous.invalid>;tag=x`:   `"Anonymous" <sip:anonymous@anonymous.invalid>;tag=t`,
	} {
		if got := callerTowardsAdapter(from(in), own, "t").Value(); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
	if got := callerTowardsService(from(`"Anonymous" <sip:anonymous@192.0.2.1>;tag=x`), aor, "t").Value(); got != `"Anonymous" <sip:anonymous@anonymous.invalid>;tag=t` {
		t.Errorf("anonymous: %s", got)
	}
	for in, want := range map[string]string{
		"sip:5550150@192.0.2.1:5070": "sip:5550150@pbx.example", "tel:+15550150": "sip:+15550150@pbx.example;user=phone",
		"urn:service:sos.fire": "urn:service:sos.fire", "sip:555@192.0.2.1;user=phone": "sip:555@pbx.example;user=phone",
	} {
		var u sip.Uri
		if err := sip.ParseUri(in, &u); err != nil {
			t.Fatal(err)
		}
		called := calledTowardsService(u, sip.Uri{Scheme: "sip", Host: "pbx.example"})
		if got := called.String(); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
	private := withBody("application/sdp", "")
	private.AppendHeader(sip.NewHeader("Privacy", "user;id"))
	private.AppendHeader(sip.NewHeader("P-Asserted-Identity", "<sip:5550150@pbx.example>"))
	seen := sip.NewRequest(sip.INVITE, own)
	callHeadersTo(media.AdapterSide, private, seen)
	lacks(t, seen.String(), "5550150")
	contains(t, seen.String(), "Privacy: user;id")
}
