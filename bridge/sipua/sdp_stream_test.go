package sipua

import (
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/pion/rtp"
	"github.com/pion/sdp/v3"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// pass translates a description in a request or response; code 0 means a request.
func (p *mediaPath) pass(t *testing.T, method sip.RequestMethod, code int, from media.Side, body string) string {
	t.Helper()
	r := sip.NewRequest(method, sip.Uri{Host: "pbx.example"})
	var m sip.Message = r
	if code != 0 {
		m = sip.NewResponseFromRequest(r, code, "", nil)
	}
	m.SetBody([]byte(body))
	out, err := p.translate(m, from)
	if err != nil {
		t.Fatalf("%v in\n%s", err, body)
	}
	return string(out)
}

// parsed parses the text with another parser (pion/sdp, which accepts only the lines and order of RFC 8866).
func parsed(t *testing.T, text string) *sdp.SessionDescription {
	t.Helper()
	var d sdp.SessionDescription
	if err := d.UnmarshalString(text); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return &d
}

// Devices leave out lines, change their order, end them with LF and add their own (RFC 8866 section 5 requires s= and
// t=).
func TestUnusualSDPPasses(t *testing.T) {
	t.Parallel()
	out := pathOf(t, false).pass(t, sip.INVITE, 0, media.AdapterSide,
		"v=0\nb=AS:84\nc=IN IP4 192.0.2.9\no=- 1 1 IN IP4 192.0.2.9\nu=http://192.0.2.9/\n"+
			"X-line: 192.0.2.9\n\ny=192.0.2.9\nk=prompt\nm=audio 4000 RTP/AVP 0\na=ptime:30\ni=speech\nb=TIAS:64000\nc=IN IP4 192.0.2.9/127\n")
	lacks(t, out, "192.0.2.9")
	d := parsed(t, out)
	m := d.MediaDescriptions[0]
	if len(d.Bandwidth) != 1 || d.EncryptionKey == nil || len(m.Bandwidth) != 1 || m.MediaTitle == nil ||
		len(m.Attributes) != 1 {
		t.Errorf("missing after the translation:\n%s", out)
	}
}

// originOf returns the id and the version of a description's origin.
func originOf(t *testing.T, text string) [2]uint64 {
	o := parsed(t, text).Origin
	return [2]uint64{o.SessionID, o.SessionVersion}
}

// RFC 3264 section 8: towards each side the origin stays the same during a call, and its version grows by one if and
// only if the rest changes. A refused description has no effect (RFC 3261 section 14.1), but its version is used up.
func TestOrigin(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	near := func(direction string) string { return uatest.Offer("192.0.2.9", 4000, direction) }
	p.pass(t, sip.INVITE, 0, media.AdapterSide, near("sendrecv"))
	far := uatest.Offer("192.0.2.19", 5000, "sendrecv")
	early := p.pass(t, sip.INVITE, 183, media.ServiceSide, far)
	answer := p.pass(t, sip.INVITE, 200, media.ServiceSide, strings.Replace(far, "o=- 1 1 IN IP4 192.0.2.19",
		"o=fork 9 7 IN IP4 192.0.2.20", 1))
	if early != answer {
		t.Errorf("another origin, but the same description:\n%s\n%s", early, answer)
	}
	first := originOf(t, answer)
	fork := pathOf(t, false) // the first of two forks answers; its description keeps its version
	fork.pass(t, sip.INVITE, 0, media.AdapterSide, near("sendrecv"))
	early = fork.pass(t, sip.INVITE, 183, media.ServiceSide, far)
	other := fork.pass(t, sip.INVITE, 183, media.ServiceSide, strings.Replace(far, "a=sendrecv", "a=recvonly", 1))
	if answer := fork.pass(t, sip.INVITE, 200, media.ServiceSide, far); answer != early ||
		originOf(t, other)[1] != originOf(t, early)[1]+1 {
		t.Errorf("forks:\n%s%s%s", early, other, answer)
	}
	if v := originOf(t, fork.pass(t, sip.INVITE, 0, media.ServiceSide,
		strings.Replace(far, "a=sendrecv", "a=recvonly", 1)))[1]; v != originOf(t, other)[1]+1 {
		t.Errorf("another fork's description, later in the call: version %d", v)
	}
	if body, kind := p.lastSent(media.AdapterSide); string(body) != answer || kind != "application/sdp" {
		t.Errorf("last sent %s:\n%s", kind, body)
	}
	held := originOf(t, p.pass(t, sip.INVITE, 0, media.ServiceSide, uatest.Offer("192.0.2.19", 5000, "sendonly")))
	p.rejectOffer(media.ServiceSide)
	if body, _ := p.lastSent(media.AdapterSide); string(body) != answer {
		t.Errorf("after a refusal the last description sent is\n%s", body)
	}
	again := originOf(t, p.pass(t, sip.UPDATE, 0, media.ServiceSide, far))
	if held != [2]uint64{first[0], first[1] + 1} || again != [2]uint64{first[0], first[1] + 2} {
		t.Errorf("origins %d, %d, %d", first, held, again)
	}
	direct := &mediaPath{}
	direct.pass(t, sip.INVITE, 0, media.AdapterSide, near("sendrecv"))
	if body, _ := direct.lastSent(media.ServiceSide); string(body) != near("sendrecv") {
		t.Errorf("directly, last sent\n%s", body)
	}
}

// After an answer only its streams keep their ports: RFC 3264 section 10.1 from memory, with our names. One fork
// refuses a stream that another accepts.
func TestAnswerFreesPorts(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	head := "v=0\r\no=- 1 1 IN IP4 192.0.2.9\r\ns=-\r\nc=IN IP4 192.0.2.9\r\nt=0 0\r\n"
	p.pass(t, sip.INVITE, 0, media.AdapterSide,
		head+"m=audio 49170 RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\nm=video 51372 RTP/AVP 31\r\nm=video 53000 RTP/AVP 32\r\n")
	video := p.streams[2].session
	for _, c := range []struct {
		code       int
		open       uint64
		two, three string // ports of the video streams
	}{{183, 3, "0", "0"}, {200, 2, "0", "53000"}} {
		out := p.pass(t, sip.INVITE, c.code, media.ServiceSide,
			head+"m=audio 49920 RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\nm=video "+c.two+" RTP/AVP 31\r\nm=video "+c.three+" RTP/AVP 32\r\n")
		contains(t, out, "m=video 0 RTP/AVP 31\r\nm=video ")
		if n := p.ports.Counts().Open; n != c.open {
			t.Errorf("after %d: %d sessions open, want %d", c.code, n, c.open)
		}
	}
	if p.streams[2].session != video {
		t.Error("the accepted stream has moved")
	}
	// A delayed offer is not an answer: both streams stay until the ACK.
	p = pathOf(t, false)
	p.pass(t, sip.INVITE, 200, media.ServiceSide, head+"m=audio 4000 RTP/AVP 0\r\nm=video 4002 RTP/AVP 31\r\n")
	p.pass(t, sip.ACK, 0, media.AdapterSide, head+"m=audio 5000 RTP/AVP 0\r\nm=video 0 RTP/AVP 31\r\n")
	if c := p.ports.Counts(); c.Sessions != 2 || c.Open != 1 {
		t.Errorf("after a delayed offer %d of %d sessions are open", c.Open, c.Sessions)
	}
}

// mediaSocket is a media socket of one end.
type mediaSocket struct {
	t *testing.T
	*net.UDPConn
}

func newMediaSocket(t *testing.T) mediaSocket {
	t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:0")))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return mediaSocket{t, c}
}

func (e mediaSocket) port() int { return e.LocalAddr().(*net.UDPAddr).Port }

func (e mediaSocket) send(to netip.AddrPort, p []byte) {
	e.t.Helper()
	if _, err := e.WriteToUDPAddrPort(p, to); err != nil {
		e.t.Fatal(err)
	}
}

func (e mediaSocket) hears(want []byte) {
	e.t.Helper()
	b := make([]byte, 2048)
	_ = e.SetReadDeadline(time.Now().Add(3 * time.Second))
	for {
		n, err := e.Read(b)
		if strings.HasPrefix(string(b[:n]), "SIP/2.0 ") {
			continue // for another test that had this port before
		}
		if err != nil || string(b[:n]) != string(want) {
			e.t.Fatalf("heard %x, %v; want %x", b[:n], err, want)
		}
		return
	}
}

// The media changes from speech to fax and back by re-INVITE, on the same ports (ITU-T T.38 annex D, from memory). One
// change is refused.
func TestFax(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	a, f := newMediaSocket(t), newMediaSocket(t)
	speech := func(e mediaSocket) string { return uatest.Offer("127.0.0.1", e.port(), "sendrecv") }
	fax := func(e mediaSocket) string {
		return strings.Replace(speech(e), "audio "+num(e.port())+" RTP/AVP 0 101", "image "+num(e.port())+" udptl t38",
			1)
	}
	p.pass(t, sip.INVITE, 0, media.ServiceSide, speech(f))
	p.pass(t, sip.INVITE, 200, media.AdapterSide, speech(a))
	s := p.streams[0].session
	spoken, ifp := []byte{0x80, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0xff}, []byte{0, 1, 3, 0xc0, 1, 0x80, 0, 0}
	a.send(s.Local(media.AdapterSide), ifp)
	a.send(s.Local(media.AdapterSide), spoken)
	f.hears(spoken) // and no UDPTL before it
	contains(t, p.pass(t, sip.INVITE, 0, media.AdapterSide, fax(a)),
		"m=image "+num(int(s.Local(media.ServiceSide).Port()))+" udptl t38")
	a.send(s.Local(media.AdapterSide), ifp)
	f.hears(ifp)
	p.rejectOffer(media.AdapterSide)
	a.send(s.Local(media.AdapterSide), ifp)
	a.send(s.Local(media.AdapterSide), spoken)
	f.hears(spoken)
	p.pass(t, sip.INVITE, 0, media.ServiceSide, fax(f))
	p.pass(t, sip.INVITE, 200, media.AdapterSide, fax(a))
	f.send(s.Local(media.ServiceSide), ifp)
	a.hears(ifp)
	p.pass(t, sip.INVITE, 0, media.AdapterSide, speech(a))
	p.pass(t, sip.INVITE, 200, media.ServiceSide, speech(f))
	f.send(s.Local(media.ServiceSide), ifp)
	f.send(s.Local(media.ServiceSide), spoken)
	a.hears(spoken)
	if p.streams[0].session != s || p.ports.Counts().Sessions != 1 {
		t.Error("the stream has moved")
	}
	if m := p.counts.record(); m.Adapter.Fax != 1 || m.FarEnd.Fax != 1 || m.FarEnd.Packets != 1 {
		t.Errorf("%+v", m)
	}
}

// RTCP uses the RTP port if both ends agree (RFC 5761 section 5.1.1), and the next port if the answer does not. DTLS
// passes only with a fingerprint (RFC 5763).
func TestAgreedPorts(t *testing.T) {
	t.Parallel()
	report := []byte{0x80, 201, 0, 1, 0, 0, 0, 1}
	hello := append([]byte{22, 254, 253, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2}, 1, 2)
	for _, agreed := range []bool{true, false} {
		p := pathOf(t, false)
		a, ar, f := newMediaSocket(t), newMediaSocket(t), newMediaSocket(t)
		muxed := "a=rtcp-mux\r\na=rtcp:" + num(ar.port()) + "\r\na=fingerprint:sha-256 AA\r\n"
		secure := func(e mediaSocket) string {
			return strings.Replace(uatest.Offer("127.0.0.1", e.port(), "sendrecv"), "RTP/AVP", "UDP/TLS/RTP/SAVP", 1)
		}
		answer := secure(f)
		if agreed {
			answer += "a=rtcp-mux\r\n"
		}
		p.pass(t, sip.INVITE, 0, media.AdapterSide, secure(a)+muxed)
		p.pass(t, sip.INVITE, 200, media.ServiceSide, answer)
		s := p.streams[0].session
		f.send(netip.AddrPortFrom(s.Local(media.ServiceSide).Addr(), s.Local(media.ServiceSide).Port()+1), report)
		if agreed {
			a.hears(report)
		} else {
			ar.hears(report)
		}
		f.send(s.Local(media.ServiceSide), hello)
		a.hears(hello)
	}
}

// A hook flash is found among the adapter's telephone events by the payload type that the service asked for, but never
// in an encrypted stream.
func TestFlashInMedia(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		proto, service string
		want           int
	}{{"RTP/AVP", "97", 1}, {"RTP/AVP", "98", 0}, {"RTP/SAVP", "97", 0}} {
		p := pathOf(t, false)
		flashes := make(chan struct{}, 8) // more than the test sends
		p.flash = func() { flashes <- struct{}{} }
		a, f := newMediaSocket(t), newMediaSocket(t)
		asked := func(e mediaSocket, number string) string {
			// Replace the number with its context, since the port may contain the same digits.
			r := strings.NewReplacer("RTP/AVP", c.proto, " 101\r", " "+number+"\r", ":101 ", ":"+number+" ")
			return r.Replace(uatest.Offer("127.0.0.1", e.port(), "sendrecv"))
		}
		p.pass(t, sip.INVITE, 0, media.AdapterSide, asked(a, "96"))
		p.pass(t, sip.INVITE, 200, media.ServiceSide, asked(f, c.service))
		for i := range uint16(3) {
			b, err := (&rtp.Packet{Header: rtp.Header{Version: 2, PayloadType: 97, SequenceNumber: i, Timestamp: 8},
				Payload: []byte{16, 10, 0, 160}}).Marshal()
			if err != nil {
				t.Fatal(err)
			}
			a.send(p.streams[0].session.Local(media.AdapterSide), b)
			f.hears(b)
		}
		if len(flashes) != c.want {
			t.Errorf("%s, telephone-event as %s: %d flashes, want %d", c.proto, c.service, len(flashes), c.want)
		}
	}
}
