package sipua

import (
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// TestCallMedia: while a call is up, its line knows what was received. When it has ended, that is reported once, with
// everything that arrived before the ports were closed.
func TestCallMedia(t *testing.T) {
	t.Parallel()
	reported := make(chan callrecord.Media, 2) // more than are expected
	h := newTestBed(t, relaying, func(o *Options, _ *times) {
		o.CallMedia = func(line string, call supervision.CallID, m callrecord.Media) {
			if line == "box-office" && call == 1 {
				reported <- m
			}
		}
	})
	require.Nil(t, h.line.Media(1), "there is no call")
	c := h.incoming()
	require.Equal(t, &callrecord.Media{}, h.line.Media(1), "nothing was heard")
	at := func(side media.Side) (at netip.AddrPort) {
		one := h.agent.call(1)
		one.runInMailbox(func() { at = one.path.streams[0].session.Local(side) })
		return at
	}
	far, near := mediaSocketAt(t, "127.0.0.1"), mediaSocketAt(t, "127.0.0.1")
	far.talks(at(media.ServiceSide), 0, 7, 1, 10)
	near.talks(at(media.AdapterSide), 101, 8, 1, 1)
	eventually(t, "the packets are counted", func() bool {
		m := h.line.Media(1)
		return m.FarEnd.Packets == 10 && m.Adapter.Packets == 1
	})
	now := h.line.Media(1)
	require.NotNil(t, now.FarEnd.Level)
	require.Less(t, now.FarEnd.Silent, 60_000.0)
	far.talks(at(media.ServiceSide), 0, 7, 13, 1)
	eventually(t, "the last packet is counted", func() bool { return h.line.Media(1).FarEnd.Packets == 11 })

	c.far.Request("BYE", "")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.service.Expect("200")
	h.atRest()
	require.Len(t, reported, 1)
	m := <-reported
	require.EqualValues(t, 11, m.FarEnd.Packets)
	require.EqualValues(t, 2, m.FarEnd.Lost)
	require.EqualValues(t, -90, *m.FarEnd.Level, "mu-law 0xff is digital silence")
	require.Zero(t, m.FarEnd.Silent)
	require.False(t, m.FarEnd.Last.IsZero())
	require.EqualValues(t, 1, m.Adapter.Packets)
	require.Nil(t, m.Adapter.Level)
}

// TestDirectMedia: media that does not pass is not reported.
func TestDirectMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, func(o *Options, _ *times) {
		o.CallMedia = func(string, supervision.CallID, callrecord.Media) { t.Error("reported") }
	})
	c := h.incoming()
	require.Nil(t, h.line.Media(1))
	c.far.Request("BYE", "")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.service.Expect("200")
	h.atRest()
}

// TestMediaOfUnansweredCall: a call that nobody answers and that carries no sound is not reported.
func TestMediaOfUnansweredCall(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying, func(o *Options, _ *times) {
		o.CallMedia = func(string, supervision.CallID, callrecord.Media) { t.Error("reported") }
	})
	h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.adapter.Respond(h.adapter.Expect("INVITE"), 486, "near", "")
	h.adapter.Expect("ACK")
	h.service.Expect("486")
	h.atRest()
}

// TestMediaOfOtherLine: a line knows nothing of another line's call.
func TestMediaOfOtherLine(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	h.incoming()
	require.NotNil(t, h.line.Media(1))
	require.Nil(t, (&Line{a: h.agent}).Media(1))
}

// TestCountsOfClosedStream: what a stream has counted stays when a later offer ends it.
func TestCountsOfClosedStream(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	both := uatest.Offer("127.0.0.1", 4000, "sendrecv") + "m=audio 4002 RTP/AVP 0\r\n"
	p.pass(t, sip.INVITE, 0, media.ServiceSide, both)
	p.pass(t, sip.INVITE, 200, media.AdapterSide, both)
	e := mediaSocketAt(t, "127.0.0.1")
	for i, s := range p.streams {
		e.talks(s.session.Local(media.ServiceSide), 0, uint32(i), 1, 3)
	}
	eventually(t, "both are counted", func() bool { return p.counts.record().FarEnd.Packets == 6 })
	one := strings.Replace(both, "m=audio 4002", "m=audio 0", 1)
	p.pass(t, sip.INVITE, 0, media.ServiceSide, one)
	p.pass(t, sip.INVITE, 200, media.AdapterSide, one)
	require.Nil(t, p.streams[1].session)
	require.Len(t, p.counts.open, 1)
	require.EqualValues(t, 6, p.counts.record().FarEnd.Packets)
}

// TestEmergencyMediaTurnsDirect: if an answer in an emergency call cannot be relayed, media goes directly, and nothing
// is said of it.
func TestEmergencyMediaTurnsDirect(t *testing.T) {
	t.Parallel()
	p := pathOf(t, true)
	p.pass(t, sip.INVITE, 0, media.AdapterSide, uatest.Offer("127.0.0.1", 4000, "sendrecv"))
	require.NotNil(t, p.counts.record())
	p.pass(t, sip.INVITE, 200, media.ServiceSide, uatest.Offer("pbx.example", 4002, "sendrecv"))
	require.False(t, p.relay)
	require.Nil(t, p.counts.record())
}

// TestPayload: the clock rates are those of the receiver's formats (RFC 3264 section 5.1), or else of the sender's. The
// payload is read only if neither side has offered a key.
func TestPayload(t *testing.T) {
	t.Parallel()
	side := func(lines string) *streamSide {
		p := pathOf(t, false)
		p.pass(t, sip.INVITE, 0, media.AdapterSide, "v=0\r\no=- 1 1 IN IP4 192.0.2.9\r\ns=-\r\nc=IN IP4 192.0.2.9\r\n"+
			"t=0 0\r\n"+lines)
		return &p.streams[0].sides[media.AdapterSide]
	}
	adapter := side("m=audio 4000 RTP/AVP 0 96 97 101\r\na=rtpmap:96 opus/48000/2\r\na=rtpmap:97 L16/16000\r\n" +
		"a=rtpmap:101 telephone-event/8000\r\na=rtpmap:nonsense\r\na=rtpmap:98 x\r\na=rtpmap:99 x/fast\r\n")
	service := side("m=audio 4000 RTP/AVP 0 96\r\na=rtpmap:96 AMR-WB/16000\r\n")
	flash := func() {}
	to := payload(adapter, service, flash)
	require.Equal(t, media.ClockRates{96: 16000, 97: 16000, 101: 8000}, to.Clocks)
	require.True(t, to.Clear)
	require.NotNil(t, to.Flash)
	require.Equal(t, media.PayloadTypes{}, to.Events, "the service wants none")
	from := payload(service, adapter, nil)
	require.Equal(t, media.ClockRates{96: 48000, 97: 16000, 101: 8000}, from.Clocks)
	require.True(t, from.Events.Has(101))
	require.Nil(t, from.Flash)

	const key = "a=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:bWlsbHJhY2U\r\n"
	for name, lines := range map[string]string{
		"a profile with keys":      "m=audio 4000 RTP/SAVP 0\r\n" + key,
		"keys on offer":            "m=audio 4000 RTP/AVP 0\r\n" + key,
		"a fingerprint":            "m=audio 4000 RTP/AVP 0\r\na=fingerprint:sha-256 AA:BB\r\n",
		"the session's":            "a=fingerprint:sha-256 AA:BB\r\nm=audio 4000 RTP/AVP 0\r\n",
		"a key in the old form":    "m=audio 4000 RTP/AVP 0\r\nk=base64:bWlsbHJhY2U\r\n",
		"the session's old form":   "k=base64:bWlsbHJhY2U\r\nm=audio 4000 RTP/AVP 0\r\n",
		"keys by MIKEY":            "m=audio 4000 RTP/AVP 0\r\na=key-mgmt:mikey bWlsbHJhY2U\r\n",
		"MIKEY for the session":    "a=key-mgmt:mikey bWlsbHJhY2U\r\nm=audio 4000 RTP/AVP 0\r\n",
		"nothing: no RTP":          "m=image 4000 udptl t38\r\n",
		"DTLS, demanded by the m=": "m=audio 4000 UDP/TLS/RTP/SAVP 0\r\na=fingerprint:sha-256 AA:BB\r\n",
	} {
		require.False(t, payload(side(lines), service, nil).Clear, name)
		require.False(t, payload(service, side(lines), nil).Clear, name)
	}
}

// TestOfferOfKeysKeepsFlashes: a flash is evidence also if the answer declines the keys. ICE passwords are no keys of
// the payload.
func TestOfferOfKeysKeepsFlashes(t *testing.T) {
	t.Parallel()
	for line, clear := range map[string]bool{"a=ice-pwd:bWlsbHJhY2U": true, "a=key-mgmt:mikey bWlsbHJhY2U": false} {
		p := pathOf(t, false)
		p.pass(t, sip.INVITE, 0, media.ServiceSide, uatest.Offer("127.0.0.1", 4000, "sendrecv")+line+"\r\n")
		p.pass(t, sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", 4002, "sendrecv"))
		sides := &p.streams[0].sides
		got := payload(&sides[media.AdapterSide], &sides[media.ServiceSide], nil)
		require.Equal(t, clear, got.Clear, line)
		require.True(t, got.Events.Has(101), line)
	}
}

// TestReception: the record has every count of a side.
func TestReception(t *testing.T) {
	t.Parallel()
	last := time.Date(2026, 3, 14, 19, 30, 0, 1500, time.UTC)
	r := reception(&media.Stats{Packets: 1, Datagrams: 5, Fax: 2, UnknownSource: 3, Probation: 4, Invalid: 5, Lost: 6,
		Late: 7, Jitter: 8 * time.Millisecond, SSRCChanges: 9, ComfortNoise: 10, Digits: 11, SenderReports: 12,
		ReceiverReports: 13, Goodbyes: 14, LastMedia: last})
	require.Equal(t, callrecord.Reception{Packets: 1, Fax: 2, Dropped: 12, Lost: 6, Late: 7, Jitter: 8, SSRCChanges: 9,
		ComfortNoise: 10, Digits: 11, SenderReports: 12, ReceiverReports: 13, Goodbyes: 14,
		Last: last.Truncate(time.Microsecond)}, r)
}

// TestPayloadIsDescribed: both directions of a stream are described to the relay. So the keys of a telephone are
// counted on both sides, and on the adapter's side a hook flash is reported.
func TestPayloadIsDescribed(t *testing.T) {
	t.Parallel()
	p := pathOf(t, false)
	flashes := make(chan struct{}, 4) // more than are expected
	p.flash = func() { flashes <- struct{}{} }
	p.pass(t, sip.INVITE, 0, media.ServiceSide, uatest.Offer("127.0.0.1", 4000, "sendrecv"))
	p.pass(t, sip.INVITE, 200, media.AdapterSide, uatest.Offer("127.0.0.1", 4002, "sendrecv"))
	s := p.streams[0].session
	event := func(to netip.AddrPort, code byte) {
		e := mediaSocketAt(t, "127.0.0.1")
		e.send(to, []byte{0x80, 101, 0, code, 0, 0, 0, code, 0, 0, 0, 9, code, 10, 0, 160})
	}
	event(s.Local(media.ServiceSide), 5)
	eventually(t, "the far end's key", func() bool { return p.counts.record().FarEnd.Digits == 1 })
	event(s.Local(media.AdapterSide), 16)
	eventually(t, "the flash", func() bool { return len(flashes) == 1 })
	require.Zero(t, p.counts.record().Adapter.Digits)
}
