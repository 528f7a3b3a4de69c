package sipua

import (
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/pion/rtp"
	"go.uber.org/zap"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// said applies a message with a session description from a given host.
func (p *mediaPath) said(t *testing.T, from string, method sip.RequestMethod, code int, side media.Side, body string) {
	t.Helper()
	r := sip.NewRequest(method, sip.Uri{Host: "pbx.example"})
	var m sip.Message = r
	if code != 0 {
		m = sip.NewResponseFromRequest(r, code, "", nil)
	}
	m.SetSource(from + ":5060")
	m.SetBody([]byte(body))
	if _, err := p.translate(m, side); err != nil {
		t.Fatalf("%v in\n%s", err, body)
	}
}

func mediaSocketAt(t *testing.T, host string) mediaSocket {
	t.Helper()
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.ParseIP(host)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return mediaSocket{t, c}
}

// talks sends n packets of 20 ms each in a row and returns the last one.
func (e mediaSocket) talks(to netip.AddrPort, pt uint8, ssrc uint32, seq, n int) (last []byte) {
	e.t.Helper()
	for i := range n {
		p := rtp.Packet{Header: rtp.Header{Version: 2, PayloadType: pt, SequenceNumber: uint16(seq + i),
			Timestamp: uint32(160 * (seq + i)), SSRC: ssrc}, Payload: []byte{0xff}}
		b, err := p.Marshal()
		if err != nil {
			e.t.Fatal(err)
		}
		e.send(to, b)
		last = b
	}
	return last
}

// ignored waits until n packets of a side have been dropped.
func ignored(t *testing.T, s *media.Session, side media.Side, n uint64) {
	t.Helper()
	eventually(t, "packets that are dropped",
		func() bool { st := s.Stats(side); return st.UnknownSource+st.Probation == n })
}

// Sound is accepted from the host that the description came from, at any port. A new c= address, and the start and end
// of hold in either form (RFC 3264 section 8.4), let no other host in.
func TestSoundFollowsSignalling(t *testing.T) {
	t.Parallel()
	const proxy = "127.0.0.5"
	p := pathOf(t, false)
	a, f, moved, thief := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, proxy), mediaSocketAt(t, "127.0.0.6"),
		mediaSocketAt(t, "127.0.0.9")
	far := func(host string, e mediaSocket, direction string) string {
		return uatest.Offer(host, e.port(), direction)
	}
	p.said(t, "127.0.0.1", sip.INVITE, 0, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	p.said(t, proxy, sip.INVITE, 200, media.ServiceSide, uatest.Offer("127.0.0.66", 4000, "sendrecv"))
	s := p.streams[0].session
	to, dropped := s.Local(media.ServiceSide), uint64(0)
	spray := func() {
		t.Helper()
		thief.talks(to, 0, 666, 1, 20)
		dropped += 20
		ignored(t, s, media.ServiceSide, dropped)
	}
	reaches := func(e mediaSocket, seq int) {
		t.Helper()
		a.hears(e.talks(to, 0, 7, seq, 1))
		e.hears(a.talks(s.Local(media.AdapterSide), 0, 1, seq, 1))
	}
	spray()
	reaches(f, 1)
	p.said(t, proxy, sip.INVITE, 0, media.ServiceSide, far("127.0.0.6", moved, "sendrecv"))
	p.said(t, "127.0.0.1", sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	spray()
	moved.hears(a.talks(s.Local(media.AdapterSide), 0, 1, 2, 1))
	reaches(moved, 500)
	for i, hold := range []string{far("0.0.0.0", moved, "sendrecv"), far("127.0.0.6", moved, "inactive"),
		far("127.0.0.6", moved, "sendonly")} {
		p.said(t, proxy, sip.INVITE, 0, media.ServiceSide, hold)
		p.said(t, "127.0.0.1", sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "recvonly"))
		spray()
		if said := p.streams[0].sides[media.ServiceSide]; said.sendsNothing != (i < 2) ||
			!p.streams[0].sides[media.AdapterSide].sendsNothing {
			t.Errorf("%s: silent %v", hold, said.sendsNothing)
		}
		p.said(t, proxy, sip.INVITE, 0, media.ServiceSide, far("127.0.0.6", moved, "sendrecv"))
		p.said(t, "127.0.0.1", sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
		spray()
		reaches(moved, 600+100*i)
	}
	if st := s.Stats(media.ServiceSide); st.Contests != 0 {
		t.Errorf("%+v", st)
	}
}

// A far end whose description has a private address (RFC 1918) is latched to the source of its sound, if the payload
// type was negotiated. An adapter is latched to the host that its INVITE came from.
func TestPrivateAddressInSDP(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	a, f := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.7")
	p.said(t, "127.0.0.1", sip.INVITE, 0, media.AdapterSide, strings.Replace(uatest.Offer("192.168.7.21", 4000, "sendrecv"),
		"AVP 0", "AVP 8", 1))
	p.said(t, "127.0.0.5", sip.INVITE, 200, media.ServiceSide, uatest.Offer("192.168.7.20", 4000, "sendrecv"))
	s := p.streams[0].session
	a.talks(s.Local(media.AdapterSide), 0, 1, 0, 1)
	eventually(t, "the adapter's sound", func() bool { return s.Stats(media.AdapterSide).Packets == 1 })
	f.talks(s.Local(media.ServiceSide), 18, 7, 1, 20)
	ignored(t, s, media.ServiceSide, 20)
	a.hears(f.talks(s.Local(media.ServiceSide), 0, 7, 21, 10))
	f.hears(a.talks(s.Local(media.AdapterSide), 0, 1, 1, 1))
}

// If two unknown hosts compete as the far end's source, this is posted once, and no sound passes.
func TestSoundContested(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	d := h.arrive(uatest.Offer("192.168.7.20", 4000, "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	ok := h.service.Expect("200")
	d.Established(ok).Ack("")
	h.machine.saw("1 arrived", "1 answered")
	to := netip.MustParseAddrPort("127.0.0.1:" + port(ok.Body))
	known := make(chan [2]netip.Addr, 1) // buffered for the only answer
	c := h.agent.call(1)
	c.post(func() { known <- c.path.from })
	if local := netip.MustParseAddr("127.0.0.1"); <-known != [2]netip.Addr{local, local} {
		t.Error("the source of the signalling is not known")
	}
	one, two := mediaSocketAt(t, "127.0.0.7"), mediaSocketAt(t, "127.0.0.8")
	one.talks(to, 0, 1, 1, 10)
	two.talks(to, 0, 2, 1, 10)
	h.machine.saw("1 sound contested")
	h.adapter.Called(inv, "near").Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
	h.atRest()
}

// sos sets up an answered emergency call. It returns both ends and the addresses to which they send sound.
func (h *testBed) sos(a mediaSocket, farHost string, farPort int) (near, far *uatest.Dialog, toService,
	toAdapter netip.AddrPort) {
	h.t.Helper()
	target := "sip:112@" + h.toAdapter.String()
	near = h.adapter.Call(target, "<sip:"+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
		uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	h.adapter.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 200, "far", uatest.Offer(farHost, farPort, "sendrecv"))
	h.service.Expect("ACK")
	ok := h.adapter.ExpectOf("200", "INVITE")
	near.Established(ok).Ack("")
	h.machine.saw("1 requested (emergency)", "1 answered")
	at := func(body string) netip.AddrPort { return netip.MustParseAddrPort("127.0.0.1:" + port(body)) }
	return near, h.service.Called(inv, "far"), at(inv.Body), at(ok.Body)
}

// Silence on both sides of an emergency call is posted as well.
func TestEmergencyCallFallsSilent(t *testing.T) {
	t.Parallel()
	const within = 60 * time.Millisecond
	h := newTestBed(t, relaying, func(_ *Options, t *times) { t.sound = within })
	a, f := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.1")
	near, _, toService, toAdapter := h.sos(a, "127.0.0.1", f.port())
	packet := time.NewTicker(within / 10)
	defer packet.Stop()
	for seq := range 15 { // longer than the first check
		a.hears(f.talks(toService, 0, 7, seq, 1))
		f.hears(a.talks(toAdapter, 0, 1, seq, 1))
		<-packet.C
	}
	h.machine.saw("1 sound missing")
	h.hangUp(near)
}

// An emergency call that has ended reports no silence.
func TestEndedEmergencyCallReportsNoSilence(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying, func(_ *Options, t *times) { t.sound = time.Hour })
	_, far, _, _ := h.sos(mediaSocketAt(t, "127.0.0.1"), "127.0.0.1", 4000)
	far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	bye := h.adapter.Expect("BYE")
	h.machine.saw("1 far end cleared: bye")
	looked, c := make(chan struct{}), h.agent.call(1)
	c.post(c.listenAgain)
	c.post(func() { close(looked) })
	<-looked
	h.adapter.Respond(bye, 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

// The far end of an emergency call gives a wrong address for its media. Its sound is soon accepted, and SoundMissing is
// posted.
func TestEmergencyCallWithoutSound(t *testing.T) {
	t.Parallel()
	const soon = 30 * time.Millisecond
	h := newTestBed(t, relaying, func(_ *Options, t *times) { t.sound = soon })
	a, f, thief := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.7"), mediaSocketAt(t, "127.0.0.9")
	near, _, toService, toAdapter := h.sos(a, "127.0.0.66", 4000)
	h.machine.saw("1 sound missing")
	thief.talks(toService, 0, 666, 1, 2)
	last := f.talks(toService, 0, 7, 1, 3)
	a.hears(last)
	f.hears(a.talks(toAdapter, 0, 1, 1, 1))
	h.hangUp(near)
}

// A stream added to an answered emergency call is latched like the others.
func TestStreamAddedInAnEmergencyCall(t *testing.T) {
	t.Parallel()
	p := pathOf(t, true)
	a, f := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.7")
	p.setAnsweredEmergency(1)
	p.said(t, "127.0.0.1", sip.INVITE, 0, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	p.said(t, "127.0.0.5", sip.INVITE, 200, media.ServiceSide, uatest.Offer("127.0.0.66", 4000, "sendrecv"))
	a.hears(f.talks(p.streams[0].session.Local(media.ServiceSide), 0, 7, 1, 3))
}

// Sound is missing if a side that should send has never sent any, or if both sides are silent. A side that announces
// that it sends nothing does not count.
func TestSoundless(t *testing.T) {
	t.Parallel()
	p := pathOf(t, true)
	a, f := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.1")
	p.said(t, "127.0.0.1", sip.INVITE, 0, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	p.said(t, "127.0.0.1", sip.INVITE, 200, media.ServiceSide, uatest.Offer("127.0.0.1", f.port(), "sendrecv"))
	s := p.streams[0].session
	want := func(within time.Duration, want bool, what string) {
		t.Helper()
		if p.soundless(time.Now(), within) != want {
			t.Errorf("%s: %v", what, !want)
		}
	}
	want(time.Hour, true, "neither side sent sound")
	f.hears(a.talks(s.Local(media.AdapterSide), 0, 1, 1, 1))
	want(time.Hour, true, "the far end never sent sound")
	a.hears(f.talks(s.Local(media.ServiceSide), 0, 1, 1, 1))
	want(time.Hour, false, "both sides sent sound")
	want(0, true, "both are silent")
	since := s.LastSound(media.ServiceSide)
	if p.soundless(since, since.Sub(s.LastSound(media.AdapterSide))) {
		t.Error("one side sends sound")
	}
	p.said(t, "127.0.0.1", sip.INVITE, 0, media.ServiceSide, uatest.Offer("127.0.0.1", f.port(), "inactive"))
	p.said(t, "127.0.0.1", sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", a.port(), "inactive"))
	want(0, false, "hold")
	p.close(zap.NewNop())
	want(0, false, "no media")
}

// The answer came early and the 200 has none. The call still counts as answered, so an unknown host is no longer
// accepted.
func TestAnswerInAnEarlyResponse(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	a, stray := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.9")
	near := h.ask(h.adapter, "sip:112@"+h.toAdapter.String())
	h.adapter.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 183, "far", uatest.Offer("127.0.0.1", a.port(), "sendrecv"))
	h.adapter.ExpectOf("183", "INVITE")
	h.service.Respond(inv, 200, "far", "")
	h.service.Expect("ACK")
	near.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
	h.machine.saw("1 requested (emergency)", "1 answered")
	stray.talks(netip.MustParseAddrPort("127.0.0.1:"+port(inv.Body)), 0, 666, 1, 20)
	eventually(t, "packets that are dropped",
		func() bool { m := h.agent.Counts().Media; return m.UnknownSource+m.Probation+m.Packets == 20 })
	if n := h.agent.Counts().Media.Packets; n != 0 {
		t.Errorf("%d passed", n)
	}
	h.hangUp(near)
}
