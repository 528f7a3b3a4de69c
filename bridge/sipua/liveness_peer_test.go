package sipua

import (
	"context"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pion/rtp"

	"clearback/supervision"
)

// The service answers our request inside the dialog with 481, and a second one of another method too. The far end is
// gone (RFC 3261 section 12.2.1.2).
func TestService481(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.service.respond(h.service.expect("INFO"), 481, "", "")
		h.adapter.expectOf("481", "INFO")
		h.vanished(481)
		h.cleared("service-lost")
	})
}

// A 481 to a NOTIFY means that no subscription exists. A 481 to a REFER may concern the call to be replaced (RFC 5057
// section 5.1, from memory). In both directions the call continues if it is still known.
func Test481ToNotifyOrReferIsNoClearing(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	state := []string{"Event: telephone-event", "Subscription-State: active"}
	c.near.request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
	for _, code := range []int{481, 408} {
		h.service.respond(h.service.expect("NOTIFY"), code, "", "")
		h.adapter.expectOf(num(code), "NOTIFY")
		c.far.request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
		h.adapter.respond(h.adapter.expect("NOTIFY"), code, "", "")
		h.service.expectOf(num(code), "NOTIFY")
		c.near.request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
	}
	h.service.respond(h.service.expect("NOTIFY"), 200, "", "")
	h.adapter.expectOf("200", "NOTIFY")
	c.near.request("REFER", "", "Refer-To: <sip:5550151@millrace.example>")
	h.service.respond(h.service.expect("REFER"), 481, "", "")
	h.adapter.expectOf("481", "REFER")
	h.service.respond(h.service.expect("OPTIONS"), 200, "", "")
	h.hangUp(c.near)
}

// With relayed media a 408 counts only if the far end's media has stopped since, and if a second request gets no better
// answer.
func TestService408WithoutMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	h.service.respond(h.service.expect("INFO"), 408, "", "")
	h.adapter.expectOf("408", "INFO")
	h.vanished(408)
	h.cleared("service-lost")
}

func TestService408WhileMediaFlows(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	far := newTestPeer(t, "voice")
	d := h.arrive(offer("127.0.0.1", int(far.at.Port()), "sendrecv"))
	inv := h.adapter.expect("INVITE")
	h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.expect("ACK")
	ok := h.service.expect("200")
	d.established(ok).ack("")
	h.machine.saw("1 arrived", "1 answered")
	near := h.adapter.called(inv, "near")
	near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	info := h.service.expect("INFO")
	voice(t, far, netip.MustParseAddrPort("127.0.0.1:"+port(ok.body)), 5)
	c := h.agent.call(1)
	eventually(t, "the far end's media", func() bool {
		heard := false
		c.runInMailbox(func() { heard = !c.path.lastHeard(1).IsZero() })
		return heard
	})
	h.service.respond(info, 408, "", "")
	h.adapter.expectOf("408", "INFO")
	// the call continues
	near.request("BYE", "")
	h.adapter.expectOf("200", "BYE")
	h.service.respond(h.service.expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
	h.atRest()
}

// voice sends RTP packets of G.711 silence.
func voice(t *testing.T, p *testPeer, to netip.AddrPort, n int) {
	t.Helper()
	for i := range n {
		packet := rtp.Packet{Header: rtp.Header{Version: 2, SequenceNumber: uint16(i), Timestamp: uint32(160 * i),
			SSRC: 0x5eed}, Payload: make([]byte, 160)}
		b, err := packet.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.conn.WriteToUDPAddrPort(b, to); err != nil {
			t.Fatal(err)
		}
	}
}

// eventually polls until ok reports true.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.After(testTimeout)
	poll := time.NewTicker(2 * time.Millisecond)
	defer poll.Stop()
	for !ok() {
		select {
		case <-poll.C:
		case <-deadline:
			t.Fatalf("%s: did not happen in time", what)
		}
	}
}

// With direct media a second request decides.
func TestService408WithDirectMedia(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, alive := range []bool{true, false} {
			h := newVirtualTestBed(t)
			c := h.incoming()
			c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
			h.service.respond(h.service.expect("INFO"), 408, "", "")
			h.adapter.expectOf("408", "INFO")
			again := h.service.expect("OPTIONS")
			is(t, again, "Accept", "application/sdp") // RFC 3261 section 11.1
			contains(t, again.get("Contact"), h.toService.String())
			contains(t, again.get("Allow"), "UPDATE")
			if alive {
				h.service.respond(again, 200, "", "")
				c.near.request("BYE", "")
				h.adapter.expectOf("200", "BYE")
				h.service.respond(h.service.expect("BYE"), 200, "", "")
				h.machine.saw("1 near end cleared")
			} else {
				h.service.respond(again, 408, "", "")
				h.vanished(408)
				h.cleared("service-lost")
			}
			h.atRest()
		}
	})
}

// No answer at all counts as 408.
func TestServiceAnswersNoRequest(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	h.service.expect("INFO")
	h.adapter.expectOf("408", "INFO")
	h.vanished(0)
	h.cleared("service-lost")
}

// The adapter no longer knows the call, because it restarted. The far end is cleared.
func TestAdapter481(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.adapter.respond(h.adapter.expect("INFO"), 481, "", "")
		h.service.expectOf("481", "INFO")
		h.machine.saw("1 adapter lost")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.adapter.respond(h.adapter.expect("BYE"), 481, "", "")
		h.atRest()
	})
}

// When an adapter registers again during a call, it is asked at its new address whether it still knows the call.
func TestAdapterRegistersAnewInCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, knows := range []bool{true, false} {
			h := newVirtualTestBed(t, registering)
			h.register(h.adapter)
			c := h.incoming()
			moved := h.join("moved", "127.0.0.1")
			h.register(moved)
			ask := moved.expect("OPTIONS")
			if !knows {
				moved.respond(ask, 481, "", "")
				h.machine.saw("1 adapter lost")
				moved.respond(moved.expect("BYE"), 481, "", "")
				h.service.respond(h.service.expect("BYE"), 200, "", "")
				h.atRest()
				continue
			}
			moved.respond(ask, 200, "", "")
			c.far.request("BYE", "")
			h.service.expectOf("200", "BYE")
			h.machine.saw("1 far end cleared: bye")
			moved.respond(moved.expect("BYE"), 200, "", "")
			h.machine.saw("1 adapter leg cleared: confirmed")
			h.atRest()
		}
	})
}

func registering(o *Options, _ *times) { o.Lines[0].AdapterFixed = nil }

// register registers a peer as the line's adapter.
func (h *testBed) register(p *testPeer) {
	h.t.Helper()
	h.registerFor(p, 600)
}

// registerAs is register with further header fields.
func (h *testBed) registerAs(p *testPeer, extra ...string) {
	h.t.Helper()
	h.registerFor(p, 600, extra...)
}

// registerFor registers for the given seconds; 0 ends the registration.
func (h *testBed) registerFor(p *testPeer, seconds int, extra ...string) {
	h.t.Helper()
	target := "sip:" + h.toAdapter.String()
	id := p.id()
	for n, auth := 1, ""; ; n++ {
		lines := []string{"REGISTER " + target + " SIP/2.0", p.via(), "From: <sip:" + adapterUser + "@" +
			h.toAdapter.String() + ">;tag=" + id,
			"To: <sip:" + adapterUser + "@" + h.toAdapter.String() + ">", "Call-ID: " + id, "CSeq: " + num(n) +
				" REGISTER", "Max-Forwards: 70",
			p.contact(), "Expires: " + num(seconds)}
		if auth != "" {
			lines = append(lines, auth)
		}
		lines = append(lines, extra...)
		p.send(h.toAdapter, append(lines, "")...)
		m := p.next()
		if m.is("200") {
			return
		}
		if !m.is("401") || n > 1 {
			h.t.Fatalf("REGISTER got %s", m)
		}
		auth = authorization(h.t, "Authorization", m.get("WWW-Authenticate"), "REGISTER", target, adapterUser,
			adapterSecret)
	}
}

// Both ends send BYE at once. Both BYEs are answered, and the near end's is posted too (invariant 6).
func TestByeCrossesBye(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		bye := h.adapter.expect("BYE")
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.adapter.respond(bye, 481, "", "")
		h.machine.saw("1 far end cleared: bye", "1 near end cleared", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A BYE for a call that is over is always answered (RFC 3261 section 15.1.2). If the adapter sent it before it received
// ours, it still shows that the near end hung up.
func TestByeAfterTheEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		c.far.request("BYE", "")
		h.service.expectOf("481", "BYE")
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.machine.saw("1 near end cleared")
		c.near.request("BYE", "")
		h.adapter.expectOf("481", "BYE")
		c.near.request("INFO", "")
		h.adapter.expectOf("481", "INFO")
	})
}

// A caller must not get a BYE before it has sent its ACK (RFC 3261 section 15).
func TestNoByeBeforeAck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		ok := h.adapter.expect("200")
		far := h.service.called(inv, "far")
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye")
		h.adapter.nothing(h.toAdapter)
		repeated(t, h.adapter, ok)
		near.established(ok).ack("")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// shorter shortens the user agent's own timers. TestMain shortens those of the transactions.
func shorter(_ *Options, t *times) {
	t.t1, t.t2, t.final = 20*time.Millisecond, 80*time.Millisecond, 400*time.Millisecond
	t.silence, t.ringing, t.probe = 200*time.Millisecond, 300*time.Millisecond, 200*time.Millisecond
}

// A 200 is retransmitted until its ACK. After 64*T1 both legs are cleared (RFC 3261 section 13.3.1.4).
func TestNoAck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		h.service.expect("200")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: service-lost")
		// at 20, 60, 140, 220, 300 and 380 ms: doubling to 80 ms, for 400 ms
		if n := h.service.repeats.Load(); n != 6 {
			t.Fatalf("%d retransmissions of the 200", n)
		}
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// Timer C: the adapter never stops ringing (RFC 3261 section 16.6).
func TestTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		far.nack(h.service.expectOf("408", "INVITE"))
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 near end cleared")
		h.atRest()
	})
}

// The service sends no response to an INVITE. The adapter gets 503, so that its second server can serve.
func TestServiceAnswersNoInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		m := h.adapter.expectOf("503", "INVITE")
		if m.get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		near.nack(m)
		h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
		// the service answers late, when nobody is there
		h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// The adapter never answers our BYE.
func TestAdapterNeverAnswersBye(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.expect("BYE")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: no answer")
		h.atRest()
	})
}

// Probe sends OPTIONS to the adapter (RFC 3261 section 11.2).
func TestProbe(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		for _, c := range []struct {
			code int
			want string
		}{{200, "probe: on hook"}, {486, "probe: off hook"}, {404, "probe: unknown"}, {0, "probe: unknown"}} {
			h.line.Probe()
			m := h.adapter.expect("OPTIONS")
			if c.code > 0 {
				h.adapter.respond(m, c.code, "x", "")
			}
			h.machine.saw(c.want)
		}
		asked := make(chan string, 1) // buffered for the only answer
		go func() {
			code, agent, err := h.line.Ask(context.Background())
			asked <- num(code) + " " + agent + " " + text(supervision.Event{}) + " " + errText(err)
		}()
		h.adapter.respond(h.adapter.expect("OPTIONS"), 200, "x", "", "User-Agent: Adapter 1.2")
		if got := <-asked; got != "200 Adapter 1.2 something else none" {
			t.Fatalf("asked: %s", got)
		}
	})
}

func errText(err error) string {
	if err == nil {
		return "none"
	}
	return err.Error()
}
