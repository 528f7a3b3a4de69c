package sipua

import (
	"net/netip"
	"slices"
	"strings"
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/pion/sdp/v3"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// strict reports whether a parser other than ours accepts the text.
func strict(text string) bool {
	var d sdp.SessionDescription
	return d.UnmarshalString(text) == nil
}

// FuzzSDP checks every description that passes. It can be parsed again, also by pion/sdp if pion/sdp accepted the
// input. It has the m= lines of the input in their order, with port 0 or one of our ports. It has no address of the
// input. Codecs and their parameters are unchanged. Passed again, it stays the same.
func FuzzSDP(f *testing.F) {
	f.Add(uatest.Offer("192.0.2.9", 4000, "sendrecv"))
	f.Add("v=0\r\no=- 1 1 IN IP4 192.0.2.9\r\ns=x\r\nt=0 0\r\na=group:BUNDLE a b\r\nm=audio 4000 UDP/TLS/RTP/SAVPF 111 101\r\nc=IN IP4 192.0.2.8\r\na=mid:a\r\na=rtcp-mux\r\n" +
		"a=rtcp:4001 IN IP4 192.0.2.7\r\na=candidate:1 1 UDP 1 192.0.2.7 4000 typ host\r\na=fingerprint:sha-256 AA\r\na=fmtp:111 minptime=10\r\nm=image 0 udptl t38\r\nc=IN IP4 192.0.2.6\r\nm=message 9 TCP/MSRP *\r\na=path:msrp://192.0.2.9/x\r\nc=IN IP4 192.0.2.9\r\n")
	f.Add("v=0\no=- 1 1 IN IP4 0.0.0.0\nc=IN IP4 0.0.0.0\nm=audio 4000 RTP/AVP 0\ni=192.0.2.9\na=sendonly")
	relay := pathOf(f, false).ports
	f.Fuzz(func(t *testing.T, body string) {
		p := &mediaPath{relay: true, ports: relay}
		defer p.close(zap.NewNop())
		out, err := p.translate(withBody("application/sdp", body), media.AdapterSide)
		if err != nil {
			if n := relay.Counts().Open; n != 0 {
				t.Fatalf("refused, with %d sessions open", n)
			}
			return
		}
		if len(body) == 0 {
			return
		}
		checkRewritten(t, body, string(out), p)
		again, err := p.translate(withBody("application/sdp", body), media.AdapterSide)
		if err != nil || string(again) != string(out) {
			t.Fatalf("again, %v:\n%s\n%s", err, out, again)
		}
	})
}

func checkRewritten(t *testing.T, body, out string, p *mediaPath) {
	in, err := parseSDP([]byte(body))
	if err != nil {
		t.Fatal(err)
	}
	got, err := parseSDP([]byte(out))
	if err != nil || len(got.media) != len(in.media) || strict(body) && !strict(out) {
		t.Fatalf("%v, %d m= lines of %d:\n%s\n%s", err, len(got.media), len(in.media), body, out)
	}
	own := netip.MustParseAddr("127.0.0.1")
	for i, m := range got.media {
		was := in.media[i]
		if m.media != was.media || m.proto != was.proto || m.formats != was.formats {
			t.Fatalf("m= line %d:\n%s\n%s", i, body, out)
		}
		if m.port == 0 {
			continue
		}
		addr, err := got.connectionOf(m)
		if s := p.streams[i].session; s == nil || m.port != int(s.Local(media.ServiceSide).Port()) || err != nil ||
			addr != own && !addr.IsUnspecified() {
			t.Fatalf("stream %d at %v, %v:\n%s", i, addr, err, out)
		}
		if !slices.Equal(codecs(m), codecs(was)) {
			t.Fatalf("codecs of stream %d: %q, want %q", i, codecs(m), codecs(was))
		}
		m.lines = slices.DeleteFunc(m.lines, codec)
	}
	foreign := slices.DeleteFunc(in.addresses(), func(a string) bool {
		return a == own.String() ||
			!strings.ContainsAny(a, ".:")
	}) // "-" is not an address
	for _, l := range append(slices.Clone(got.session), lines(got.media)...) {
		if !codec(l) && l.kind != 'o' && l.kind != 'c' && l.kind != 'v' && l.kind != 't' && mentions(l.value, foreign) {
			t.Fatalf("%c=%s has a foreign address", l.kind, l.value)
		}
	}
}

func lines(all []*sdpMedia) (l []sdpLine) {
	for _, m := range all {
		l = append(l, m.lines...)
	}
	return l
}

func codec(l sdpLine) bool {
	return l.kind == 'a' && (strings.HasPrefix(l.value, "rtpmap:") || strings.HasPrefix(l.value, "fmtp:"))
}

func codecs(m *sdpMedia) (all []string) {
	for _, l := range m.lines {
		if codec(l) {
			all = append(all, l.value)
		}
	}
	return all
}

// Offers and answers of RFC 4317 (sections 2.1, 2.2, 3.1 and 4.1) and RFC 3264 section 10.1, from memory and with our
// names. A string lists the m= lines by type and formats, with "-" for port 0. pion/sdp checks what passes.
func TestOfferAnswerExamples(t *testing.T) {
	t.Parallel()
	type side struct {
		from media.Side
		code int
		m    []string
	}
	const a, s = media.AdapterSide, media.ServiceSide
	for name, flow := range map[string][]side{
		"RFC 4317 2.1, audio and video": {{a, 0, []string{"audio 0 8 97", "video 31 32"}},
			{s, 200, []string{"audio 0 8", "video 32"}}},
		"RFC 4317 2.2, second video taken": {{a, 0, []string{"audio 0 8", "video 31", "video 32"}},
			{s, 200, []string{"audio 0", "video - 31", "video 32"}}},
		"RFC 4317 3.1, hold": {{a, 0, []string{"audio 0"}}, {s, 200, []string{"audio 0"}},
			{s, 0, []string{"audio 0 a=sendonly"}}, {a, 200, []string{"audio 0 a=recvonly"}}},
		"RFC 4317 4.1, video added": {{s, 0, []string{"audio 0"}}, {a, 200, []string{"audio 0"}},
			{a, 0, []string{"audio 0", "video 31"}}, {s, 200, []string{"audio 0", "video 31"}}},
		"RFC 3264 10.1": {{a, 0, []string{"audio 0", "video 31", "video 32"}},
			{s, 200, []string{"audio 0", "video - 31", "video 32"}},
			{s, 0, []string{"audio 0", "video - 31", "video 32", "audio 110"}},
			{a, 200, []string{"audio 0", "video - 31", "video 32", "audio 110"}}},
	} {
		p := pathOf(t, false)
		for i, step := range flow {
			body := "v=0\r\no=- 2890844526 2890844526 IN IP4 192.0.2.9\r\ns=\r\nc=IN IP4 192.0.2.9\r\nt=0 0\r\n"
			for k, m := range step.m {
				kind, formats, _ := strings.Cut(m, " ")
				formats, attribute, _ := strings.Cut(formats, " a=")
				port := num(49170 + 2*k)
				if rest, refused := strings.CutPrefix(formats, "- "); refused {
					port, formats = "0", rest
				}
				body += "m=" + kind + " " + port + " RTP/AVP " + formats + "\r\n"
				if attribute != "" {
					body += "a=" + attribute + "\r\n"
				}
			}
			method := sip.INVITE
			d := parsed(t, p.pass(t, method, step.code, step.from, body))
			if len(d.MediaDescriptions) != len(step.m) {
				t.Fatalf("%s, step %d: %d streams", name, i, len(d.MediaDescriptions))
			}
			for k, m := range d.MediaDescriptions {
				kind, formats, _ := strings.Cut(step.m[k], " ")
				formats, attribute, _ := strings.Cut(formats, " a=")
				rest, refused := strings.CutPrefix(formats, "- ")
				want := 0
				if !refused {
					want = int(p.streams[k].session.Local(other(step.from)).Port())
				}
				if m.MediaName.Media != kind || strings.Join(m.MediaName.Formats, " ") != rest ||
					m.MediaName.Port.Value != want {
					t.Errorf("%s, step %d: m=%v, want %s at %d", name, i, m.MediaName, step.m[k], want)
				}
				if _, has := m.Attribute(attribute); attribute != "" && !has {
					t.Errorf("%s, step %d: no %s", name, i, attribute)
				}
			}
		}
	}
}
