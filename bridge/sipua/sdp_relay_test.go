package sipua

import (
	"errors"
	"net/netip"
	"strings"
	"testing"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
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

// The addresses of one side never reach the other (RFC 8866, RFC 3264, RFC 3605, RFC 8839). Everything else passes
// unchanged, even RTCP on the RTP port (RFC 5761), keys and fingerprints (RFC 4568, RFC 5763).
func TestRewrite(t *testing.T) {
	t.Parallel()
	const in = "v=0\r\no=desk 7 8 IN IP4 192.0.2.9\r\ns=-\r\nc=IN IP4 192.0.2.9\r\nt=0 0\r\na=ice-lite\r\na=group:BUNDLE 1 2\r\na=group:LS 1 2\r\n" +
		"m=audio 4000 RTP/AVP 0 13 101\r\nc=IN IP4 192.0.2.10\r\nb=AS:80\r\na=mid:1\r\na=rtcp:4009 IN IP4 192.0.2.11\r\na=rtcp-mux\r\na=candidate:1 1 UDP 1 192.0.2.12 4000 typ host\r\n" +
		"a=x-at:192.0.2.10:4000\r\na=fmtp:101  0-15,16\r\na=ptime:20\r\na=sendrecv\r\n" +
		"m=video 4002 RTP/SAVP 99\r\na=mid:2\r\na=rtpmap:99 H264/90000\r\na=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:bWlsbHJhY2U\r\n" +
		"m=image 4004 udptl t38\r\na=T38FaxVersion:0\r\n" +
		"m=message 4006 TCP/MSRP *\r\na=path:msrp://192.0.2.9:4006/x;tcp\r\n" +
		"m=audio 4008 UDP/TLS/RTP/SAVPF 111\r\na=fingerprint:sha-256 AA:BB\r\na=setup:actpass\r\n" +
		"m=audio 0 RTP/AVP 8" // no last line end, as from some devices
	p := pathOf(t, false)
	out, err := p.translate(withBody("application/sdp", in), media.AdapterSide)
	if err != nil {
		t.Fatal(err)
	}
	text := string(out)
	lacks(t, text, "192.0.2.")
	for _, gone := range []string{"ice-lite", "candidate", "a=rtcp:", "desk", "BUNDLE", "a=path"} {
		lacks(t, text, gone)
	}
	for _, kept := range []string{"c=IN IP4 127.0.0.1", "b=AS:80", "a=rtcp-mux", "a=group:LS 1 2", "a=mid:1",
		"a=fmtp:101  0-15,16\r\na=ptime:20\r\na=sendrecv",
		"inline:bWlsbHJhY2U", "a=T38FaxVersion:0", "a=fingerprint:sha-256 AA:BB\r\na=setup:actpass",
		"m=message 0 TCP/MSRP *", "m=audio 0 RTP/AVP 8"} {
		contains(t, text, kept)
	}
	last := 0
	for i, line := range []string{"m=audio PORT RTP/AVP 0 13 101", "m=video PORT RTP/SAVP 99", "m=image PORT udptl t38",
		"m=message", "m=audio PORT UDP/TLS/RTP/SAVPF 111", "m=audio 0"} {
		if s := p.streams[i].session; s != nil {
			line = strings.Replace(line, "PORT", num(int(s.Local(media.ServiceSide).Port())), 1)
		}
		at := strings.Index(text, line)
		if at < last {
			t.Errorf("%q is missing or out of order in\n%s", line, text)
		}
		last = at
	}
	again, err := p.translate(withBody("application/sdp", in), media.AdapterSide)
	if err != nil || string(again) != text {
		t.Fatalf("translated again: %v\n%s", err, again)
	}
}

// A description that cannot be relayed is refused. In an emergency call it passes unchanged.
func TestSDPThatCannotBeRelayed(t *testing.T) {
	t.Parallel()
	plain := uatest.Offer("192.0.2.9", 4000, "sendrecv")
	for _, c := range []struct {
		kind, body string
		want       error
	}{
		{"application/sdp", "nonsense", errSession},
		{"application/sdp", "v=0\r\no=- 1 1 IN IP4 192.0.2.9\r\ns=-\r\nt=0 0\r\nm=audio 4000 RTP/AVP 0\r\n",
			errSession}, // no c=
		{"application/sdp", uatest.Offer("pbx.example", 4000, "sendrecv"), errSession},
		{"application/sdp", uatest.Offer("233.252.0.1/127", 4000, "sendrecv"), errSession}, // multicast
		{"application/sdp", uatest.Offer("255.255.255.255", 4000, "sendrecv"), errSession}, // broadcast
		{"application/sdp", strings.Replace(plain, "c=IN IP4 192.0.2.9", "c=IN IP6 2001:db8::9", 1), errSession},
		{"application/sdp", uatest.Offer("192.0.2.9", 70000, "sendrecv"), errSession},
		{"application/sdp", strings.Replace(plain, "4000", "4000/2", 1), errSession},
		// no other stream in it
		{"application/sdp", strings.Replace(plain, "m=audio 4000 RTP/AVP", "m=message 4000 TCP/MSRP", 1), errSession},
		{"application/sdp", plain + strings.Repeat("m=audio 4002 RTP/AVP 0\r\n", maxStreams), errSession},
		{"application/sdp", plain + strings.Repeat("m=audio 0 RTP/AVP 0\r\n", maxMediaLines), errSession},
		{"application/sdp", plain + strings.Repeat("a=x\r\n", maxDescriptionLines), errSession},
		{"application/sdp", plain + "a=" + strings.Repeat("x", maxDescriptionSize), errSession},
		{"application/sdp", plain + "a=x\x00y\r\n", errSession},
		{"multipart/mixed;boundary=x", "--x", errBodyType},
	} {
		p := pathOf(t, false)
		if _, err := p.translate(withBody(c.kind, c.body), media.ServiceSide); !errors.Is(err, c.want) {
			t.Errorf("%.300q: %v, want %v", c.body, err, c.want)
		}
		if n := p.ports.Counts().Sessions; n != 0 {
			t.Errorf("%.300q opened %d pairs of ports", c.body, n)
		}
		out, err := pathOf(t, true).translate(withBody(c.kind, c.body), media.ServiceSide)
		if err != nil || string(out) != c.body {
			t.Errorf("emergency, %q: %v, %q", c.body, err, out)
		}
	}
	if code, _, _ := bodyRefusal(errBodyType); code != 415 {
		t.Errorf("refusal of a body type: %d", code)
	}
}

// The caller and the called number, as the other side sees them (RFC 3323, RFC 3325, RFC 3261 section 19.1.6).
func TestIdentity(t *testing.T) {
	t.Parallel()
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
	if got := callerTowardsService(from(`"Anonymous" <sip:anonymous@192.0.2.1>;tag=x`), aor,
		"t").Value(); got != `"Anonymous" <sip:anonymous@anonymous.invalid>;tag=t` {
		t.Errorf("anonymous: %s", got)
	}
	for in, want := range map[string]string{
		"sip:5550150@192.0.2.1:5070":   "sip:5550150@pbx.example",
		"tel:+15550150":                "sip:+15550150@pbx.example;user=phone",
		"urn:service:sos.fire":         "urn:service:sos.fire",
		"sip:555@192.0.2.1;user=phone": "sip:555@pbx.example;user=phone",
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
