package sipua

import (
	"context"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pion/rtp"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// The service answers our request inside the dialog with 481, and a second one of another method too. The far end is
// gone (RFC 3261 section 12.2.1.2).
func TestService481(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.service.Respond(h.service.Expect("INFO"), 481, "", "")
		h.adapter.ExpectOf("491", "INFO")
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
	c.near.Request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
	for _, code := range []int{481, 408} {
		h.service.Respond(h.service.Expect("NOTIFY"), code, "", "")
		h.adapter.ExpectOf(num(code), "NOTIFY")
		c.far.Request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), code, "", "")
		h.service.ExpectOf(num(code), "NOTIFY")
		c.near.Request("NOTIFY", "digit", append(state, "Content-Type: text/plain")...)
	}
	h.service.Respond(h.service.Expect("NOTIFY"), 200, "", "")
	h.adapter.ExpectOf("200", "NOTIFY")
	c.near.Request("REFER", "", "Refer-To: <sip:5550151@millrace.example>")
	h.service.Respond(h.service.Expect("REFER"), 481, "", "")
	h.adapter.ExpectOf("491", "REFER")
	h.service.Respond(h.service.Expect("OPTIONS"), 200, "", "")
	h.hangUp(c.near)
}

// With relayed media a 408 counts only if the far end's media has stopped since, and if a second request gets no better
// answer.
func TestService408WithoutMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	h.service.Respond(h.service.Expect("INFO"), 408, "", "")
	h.adapter.ExpectOf("491", "INFO")
	h.vanished(408)
	h.cleared("service-lost")
}

func TestService408WhileMediaFlows(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	far := uatest.New(t, "voice")
	d := h.arrive(uatest.Offer("127.0.0.1", int(far.At.Port()), "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	ok := h.service.Expect("200")
	d.Established(ok).Ack("")
	h.machine.saw("1 arrived", "1 answered")
	near := h.adapter.Called(inv, "near")
	near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	info := h.service.Expect("INFO")
	voice(t, far, netip.MustParseAddrPort("127.0.0.1:"+port(ok.Body)), 5)
	c := h.agent.call(1)
	eventually(t, "the far end's media", func() bool {
		heard := false
		c.runInMailbox(func() { heard = !c.path.lastHeard(1).IsZero() })
		return heard
	})
	h.service.Respond(info, 408, "", "")
	h.adapter.ExpectOf("491", "INFO")
	// the call continues
	near.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
	h.atRest()
}

// voice sends RTP packets of G.711 silence.
func voice(t *testing.T, p *uatest.Peer, to netip.AddrPort, n int) {
	t.Helper()
	for i := range n {
		packet := rtp.Packet{Header: rtp.Header{Version: 2, SequenceNumber: uint16(i), Timestamp: uint32(160 * i),
			SSRC: 0x5eed}, Payload: make([]byte, 160)}
		b, err := packet.Marshal()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.Conn.WriteToUDPAddrPort(b, to); err != nil {
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
			c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
			h.service.Respond(h.service.Expect("INFO"), 408, "", "")
			h.adapter.ExpectOf("491", "INFO")
			again := h.service.Expect("OPTIONS")
			is(t, again, "Accept", "application/sdp") // RFC 3261 section 11.1
			contains(t, again.Get("Contact"), h.toService.String())
			contains(t, again.Get("Allow"), "UPDATE")
			if alive {
				h.service.Respond(again, 200, "", "")
				c.near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				h.service.Respond(h.service.Expect("BYE"), 200, "", "")
				h.machine.saw("1 near end cleared")
			} else {
				h.service.Respond(again, 408, "", "")
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
	c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	h.service.Expect("INFO")
	h.adapter.ExpectOf("491", "INFO")
	h.vanished(0)
	h.cleared("service-lost")
}

// The adapter no longer knows the call, because it restarted. The far end is cleared.
func TestAdapter481(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.adapter.Respond(h.adapter.Expect("INFO"), 481, "", "")
		h.service.ExpectOf("491", "INFO")
		h.machine.saw("1 adapter lost")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 481, "", "")
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
			ask := moved.Expect("OPTIONS")
			if !knows {
				moved.Respond(ask, 481, "", "")
				h.machine.saw("1 adapter lost")
				moved.Respond(moved.Expect("BYE"), 481, "", "")
				h.service.Respond(h.service.Expect("BYE"), 200, "", "")
				h.atRest()
				continue
			}
			moved.Respond(ask, 200, "", "")
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			h.machine.saw("1 far end cleared: bye")
			moved.Respond(moved.Expect("BYE"), 200, "", "")
			h.machine.saw("1 adapter leg cleared: confirmed")
			h.atRest()
		}
	})
}

func registering(o *Options, _ *times) { o.Lines[0].AdapterFixed = nil }

// register registers a peer as the line's adapter.
func (h *testBed) register(p *uatest.Peer) {
	h.t.Helper()
	h.registerFor(p, 600)
}

// registerAs is register with further header fields.
func (h *testBed) registerAs(p *uatest.Peer, extra ...string) {
	h.t.Helper()
	h.registerFor(p, 600, extra...)
}

// registerFor registers for the given seconds; 0 ends the registration.
func (h *testBed) registerFor(p *uatest.Peer, seconds int, extra ...string) {
	h.t.Helper()
	target := "sip:" + h.toAdapter.String()
	id := p.NewID()
	for n, auth := 1, ""; ; n++ {
		lines := []string{"REGISTER " + target + " SIP/2.0", p.Via(), "From: <sip:" + adapterUser + "@" +
			h.toAdapter.String() + ">;tag=" + id,
			"To: <sip:" + adapterUser + "@" + h.toAdapter.String() + ">", "Call-ID: " + id, "CSeq: " + num(n) +
				" REGISTER", "Max-Forwards: 70",
			p.Contact(), "Expires: " + num(seconds)}
		if auth != "" {
			lines = append(lines, auth)
		}
		lines = append(lines, extra...)
		p.Send(h.toAdapter, append(lines, "")...)
		m := p.Next()
		if m.Is("200") {
			return
		}
		if !m.Is("401") || n > 1 {
			h.t.Fatalf("REGISTER got %s", m)
		}
		auth = authorization(h.t, "Authorization", m.Get("WWW-Authenticate"), "REGISTER", target, adapterUser,
			adapterSecret)
	}
}

// Both ends send BYE at once. Both BYEs are answered, and the near end's is posted too (invariant 6).
func TestByeCrossesBye(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		bye := h.adapter.Expect("BYE")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.adapter.Respond(bye, 481, "", "")
		h.machine.saw("1 far end cleared: bye", "1 near end cleared", "1 adapter leg cleared: other")
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
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		c.far.Request("BYE", "")
		h.service.ExpectOf("481", "BYE")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.machine.saw("1 near end cleared")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("481", "BYE")
		c.near.Request("INFO", "")
		h.adapter.ExpectOf("481", "INFO")
	})
}

// A caller must not get a BYE before it has sent its ACK (RFC 3261 section 15).
func TestNoByeBeforeAck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		far := h.service.Called(inv, "far")
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye")
		h.adapter.ExpectNothing(h.toAdapter)
		uatest.ExpectRepeat(t, h.adapter, ok)
		near.Established(ok).Ack("")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
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
		h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		h.service.Expect("200")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: service-lost")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
		// at 20, 60, 140, 220, 300 and 380 ms: doubling to 80 ms, for 400 ms
		if n := h.service.Repeats.Load(); n != 6 {
			t.Fatalf("%d retransmissions of the 200", n)
		}
	})
}

// A BYE that waits for the ACK of our 200 (RFC 3261 section 15) is sent when that wait has ended. The missing ACK is no
// further event of a call that ends anyway.
func TestNoAckInACallThatEnds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		h.service.Expect("200")
		h.machine.saw("1 arrived", "1 answered")
		began, c := time.Now(), h.agent.call(1)
		c.post(c.abandon)
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		bye := h.service.Expect("BYE")
		if took := time.Since(began); took < 390*time.Millisecond {
			t.Fatalf("BYE after %v", took)
		}
		h.service.Respond(bye, 200, "", "")
		h.atRest()
		h.machine.none()
	})
}

// Timer C: the adapter never stops ringing (RFC 3261 section 16.6).
func TestTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		far.AckFailure(h.service.ExpectOf("408", "INVITE"))
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 near end cleared")
		h.atRest()
	})
}

// The service sends no response to an INVITE. The adapter gets 503, so that its second server can serve.
func TestServiceAnswersNoInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		m := h.adapter.ExpectOf("503", "INVITE")
		if m.Get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		near.AckFailure(m)
		h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
		// the service answers late, when nobody is there
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// The adapter never answers our BYE.
func TestAdapterNeverAnswersBye(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Expect("BYE")
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
			m := h.adapter.Expect("OPTIONS")
			if c.code > 0 {
				h.adapter.Respond(m, c.code, "x", "")
			}
			h.machine.saw(c.want)
		}
		asked := make(chan string, 1) // buffered for the only answer
		go func() {
			code, agent, err := h.line.Ask(context.Background())
			asked <- num(code) + " " + agent + " " + text(supervision.Event{}) + " " + errText(err)
		}()
		h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "x", "", "User-Agent: Adapter 1.2")
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
