package sipua

import (
	"context"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// A daemon that shuts down refuses new ordinary calls and clears the ordinary calls on both sides. Emergency calls
// continue.
func TestShutdown(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		h.agent.Drain()
		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
			uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		far.AckFailure(h.service.ExpectOf("503", "INVITE"))
		h.agent.ClearOrdinary()
		h.machine.saw("2 refused: shutdown", "1 far end cleared: shutdown")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
		_ = c
	})
}

// A held call and a ringing call are cleared at shutdown. The held call is cleared after the other call has left the
// line, since only then does its clearing open the loop (invariant 1).
func TestShutdownWithTwoCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, ringing := range []bool{true, false} {
			h := newVirtualTestBed(t)
			h.incoming()
			far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
				uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			h.service.Expect("100")
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, 180, "second", "")
			h.service.Expect("180")
			h.machine.saw("2 arrived", "2 ringing")
			if !ringing {
				h.adapter.Respond(inv, 200, "second", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
				h.adapter.Expect("ACK")
				far.Established(h.service.Expect("200")).Ack("")
				h.machine.saw("2 answered")
			}
			h.agent.Drain()
			done := make(chan struct{}) // closed when ClearOrdinary has returned
			go func() { defer close(done); h.agent.ClearOrdinary() }()
			if ringing {
				h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "", "")
				h.adapter.Respond(inv, 487, "second", "")
				h.adapter.Expect("ACK")
				h.machine.saw("2 far end cleared: shutdown", "2 adapter leg cleared: confirmed",
					"1 far end cleared: shutdown")
			} else {
				h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
				h.machine.saw("1 far end cleared: shutdown", "1 adapter leg cleared: confirmed",
					"2 far end cleared: shutdown")
			}
			<-done
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		}
	})
}

// A held call beside an emergency call is cleared after the emergency call has ended. Before that its clearing would
// open nothing (invariant 1).
func TestShutdownWithAHeldAndAnEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.outgoing()
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("2 requested (emergency)", "2 answered")
		h.agent.ClearOrdinary()
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.agent.AwaitEnd(t.Context(), h.agent.EmergencyCalls())
		h.agent.ClearOrdinary()
		h.machine.saw("2 near end cleared", "1 far end cleared: shutdown")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// An emergency call on one line does not delay the clearing of a held call on another line, beside an emergency call
// that has ended.
func TestShutdownWithEmergencyCallsOnTwoLines(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := &memoryNetwork{}
		h := newTestBedIn(t, m, secondLine)
		other := uatest.NewOn(t, "stage-door", m.network.Listen(netip.MustParseAddrPort("127.0.0.2:5060")))
		h.outgoing()
		h.ask(other, "sip:999@"+h.toAdapter.String())
		other.ExpectOf("100", "INVITE")
		h.service.Respond(h.service.Expect("INVITE"), 180, "psap", "") // it does not end during the test
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		inv := h.service.Expect("INVITE")
		h.machine.saw("3 requested (emergency)")
		calls := h.agent.EmergencyCalls()
		h.agent.ClearOrdinary()
		h.service.Respond(inv, 486, "psap", "")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.service.Expect("ACK")
		h.machine.saw("3 far end cleared: bye", "3 adapter leg cleared: confirmed")
		short, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		h.agent.AwaitEnd(short, calls)
		if short.Err() != nil {
			t.Fatal("the clearing waits for the other line's call")
		}
		if all := h.agent.EmergencyCalls(); len(all) != 1 || all[0] != 2 {
			t.Fatalf("emergency calls: %v", all)
		}
		h.agent.ClearOrdinary()
		h.machine.saw("1 far end cleared: shutdown")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.agent.AwaitEnd(t.Context(), nil)
		for _, c := range h.agent.up() {
			c.post(c.abandon)
		}
	})
}

// An adapter that does not answer delays the other clearings of its line only for a limited time.
func TestShutdownWithTwoCallsAndADeadAdapter(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(_ *Options, t *times) { t.clearPerLine = 100 * time.Millisecond })
		h.incoming()
		h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
			uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.Respond(h.adapter.Expect("INVITE"), 180, "second", "")
		h.machine.saw("2 arrived", "2 ringing")
		began := time.Now()
		h.agent.ClearOrdinary()
		h.machine.saw("2 far end cleared: shutdown", "1 far end cleared: shutdown")
		if took := time.Since(began); took < 100*time.Millisecond || took > 1500*time.Millisecond {
			t.Fatalf("ClearOrdinary took %v", took)
		}
	})
}

func TestDrainRefusesRequestedCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.agent.Drain()
		near := h.dial("5550150")
		m := h.adapter.ExpectOf("503", "INVITE")
		near.AckFailure(m)
		h.machine.saw("1 requested", "1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
		h.atRest()
		h.service.ExpectNothing(h.toService)
	})
}

// dial sends an authenticated INVITE. The caller of dial handles the response.
func (h *testBed) dial(number string) *uatest.Dialog {
	h.t.Helper()
	target := "sip:" + number + "@" + h.toAdapter.String()
	d := h.adapter.Call(target, "<sip:"+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
		uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	m := h.adapter.Expect("401")
	d.AckFailure(m)
	d.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
		authorization(h.t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", target, adapterUser, adapterSecret))
	return d
}

// An emergency call passes every limit that refuses others, and survives ClearOrdinary.
func TestEmergencyCall(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	h.agent.Drain()
	near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	contains(t, inv.Start, "sip:999@")
	h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	near.Established(h.adapter.Expect("200")).Ack("")
	h.machine.saw("1 requested (emergency)", "1 answered")
	h.agent.ClearOrdinary()

	// no evidence except the far end's own BYE ends it
	near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
	h.service.Respond(h.service.Expect("INFO"), 481, "", "")
	h.adapter.ExpectOf("491", "INFO")

	calls := h.agent.EmergencyCalls()
	waited := make(chan struct{}) // closed when AwaitEnd has returned
	go func() { defer close(waited); h.agent.AwaitEnd(context.Background(), calls) }()
	short, cancel := context.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	h.agent.AwaitEnd(short, calls)
	if short.Err() == nil {
		t.Fatal("AwaitEnd returned during an emergency call")
	}
	h.service.Called(inv, "psap").Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	<-waited
}

// A closing agent cannot carry an emergency call any more. The call gets 503 at once, so that the adapter uses its
// second server.
func TestEmergencyCallWhileClosing(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.incoming()
		closed := make(chan struct{}) // closed when Close has returned
		go func() { defer close(closed); _ = h.agent.Close() }()
		h.adapter.Expect("BYE") // and does not answer it, so that Close waits
		if h.agent.EmergencyUp() {
			t.Fatal("EmergencyUp reports an emergency call, but there is none")
		}
		near := h.adapter.Call("sip:999@"+h.toAdapter.String(), "<sip:"+adapterUser+"@"+h.toAdapter.String()+">",
			h.toAdapter, uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		m := h.adapter.ExpectOf("503", "INVITE")
		contains(t, m.String(), "Retry-After")
		near.AckFailure(m)
		h.machine.saw("2 requested (emergency)", "2 far end cleared: shutdown")
		<-closed
	})
}

// A call-back from the emergency centre is marked (RFC 7090) and passes during shutdown.
func TestEmergencyCallback(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.CallbackUntil = time.Now().Add(time.Minute) })
		h.agent.Drain()
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), psapMark)
		inv := h.adapter.Expect("INVITE")
		contains(t, inv.Get("Priority"), "psap-callback")
		h.adapter.Respond(inv, 486, "near", "")
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("1 arrived (emergency)", "1 near end cleared")
	})
}

// An emergency call with an unsupported Require still passes, without the extension.
func TestEmergencyCallWithUnknownRequire(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Require: nothing-known")
		inv := h.service.Expect("INVITE")
		is(t, inv, "Require", "")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		d.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("1 requested (emergency)", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	})
}

// A URN passes unchanged (RFC 5031).
func TestEmergencyURN(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		target := "urn:service:sos"
		d := h.adapter.Call(target, "<sip:"+adapterUser+"@"+h.toAdapter.String()+">", h.toAdapter,
			uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		m := h.adapter.Next()
		if m.Is("401") {
			d.AckFailure(m)
			d.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
				authorization(t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", target, adapterUser,
					adapterSecret))
			m = h.adapter.Next()
		}
		if !m.Is("100") {
			t.Fatalf("want 100, got %s", m)
		}
		inv := h.service.Expect("INVITE")
		contains(t, inv.Start, "INVITE urn:service:sos SIP/2.0")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		d.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("1 requested (emergency)", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	})
}

// The account has no proxy and its registrar no port. Then a URN goes to the registrar's host: as the target of the
// INVITE, of a redirection, and of a call whose 200 has no Contact.
func TestEmergencyURNWithoutProxy(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := &memoryNetwork{}
		h := newTestBedIn(t, m, func(o *Options, _ *times) {
			o.Lines[0].Registrar = sip.Uri{Scheme: "sip",
				Host: "127.0.0.9"}
		})
		pbx := uatest.NewOn(t, "pbx", m.network.Listen(netip.MustParseAddrPort("127.0.0.9:5060")))
		near := h.ask(h.adapter, "urn:service:sos")
		inv := pbx.Expect("INVITE")
		contains(t, inv.Start, "INVITE urn:service:sos SIP/2.0")
		pbx.Respond(inv, 302, "pbx", "", "Contact: <urn:service:sos.fire>")
		pbx.Expect("ACK")
		inv = pbx.Expect("INVITE")
		contains(t, inv.Start, "INVITE urn:service:sos.fire SIP/2.0")
		pbx.Respond(inv, 200, "pbx", far(), "Contact: *") // which is no usable Contact
		pbx.Expect("ACK")
		h.adapter.ExpectOf("100", "INVITE")
		near.Established(h.adapter.Expect("200")).Ack("")
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		pbx.Respond(pbx.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested (emergency)", "1 answered", "1 near end cleared")
		h.atRest()
	})
}

// No media port is left. An ordinary call gets 503, and the media of an emergency call goes directly.
func TestNoMediaPorts(t *testing.T) {
	t.Parallel()
	var taken []*media.Session
	h := newTestBed(t, relaying, tightLimits(t, &taken))
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	m := h.adapter.ExpectOf("503", "INVITE")
	contains(t, m.String(), "Retry-After")
	near.AckFailure(m)
	h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	near = h.request("112", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	contains(t, inv.Body, num(nearSDP))
	for _, s := range taken { // too late: the offer went directly, so the answer must too
		s.Close()
	}
	h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	ok := h.adapter.Expect("200")
	contains(t, ok.Body, num(farSDP))
	near.Established(ok).Ack("")
	near.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("2 requested (emergency)", "2 answered", "2 near end cleared")
	h.atRest()
}

// The service challenges both the INVITE and the BYE (RFC 3261 section 22).
func TestServiceChallenges(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct{ code, challenge, answer string }{
			{"401", "WWW-Authenticate", "Authorization"}, {"407", "Proxy-Authenticate", "Proxy-Authorization"},
		} {
			h := newVirtualTestBed(t)
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, atoi(c.code), "ask", "",
				c.challenge+`: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
			h.service.Expect("ACK")
			again := h.service.Expect("INVITE")
			credentials(t, again, c.answer, "INVITE")
			first, _ := inv.CSeq()
			if n, _ := again.CSeq(); n != first+1 || again.Get("Call-ID") != inv.Get("Call-ID") {
				t.Fatalf("second INVITE: %s", again)
			}
			h.service.Respond(again, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			ack := h.service.Expect("ACK")
			if n, _ := ack.CSeq(); n != first+1 {
				t.Fatalf("ACK with CSeq %d", n)
			}
			near.Established(h.adapter.Expect("200")).Ack("")
			near.Request("BYE", "")
			h.adapter.ExpectOf("200", "BYE")
			bye := h.service.Expect("BYE")
			h.service.Respond(bye, atoi(c.code), "", "",
				c.challenge+`: Digest realm="pbx.example", nonce="n2", qop="auth", algorithm=MD5`)
			bye = h.service.Expect("BYE")
			credentials(t, bye, c.answer, "BYE")
			h.service.Respond(bye, 200, "", "")
			h.machine.saw("1 requested", "1 answered", "1 near end cleared")
			h.atRest()
		}
	})
}

// If the service rejects our password, the adapter gets 403 and no challenge.
func TestServiceRefusesPassword(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		for range 2 {
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 401, "ask", "",
				`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
			h.service.Expect("ACK")
		}
		near.AckFailure(h.adapter.ExpectOf("403", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A challenge, or a 422, crosses our CANCEL. No new INVITE is sent, since the caller no longer waits.
func TestChallengeCrossesCancelledInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for code, field := range map[int]string{401: `WWW-Authenticate: Digest realm="pbx.example", nonce="n1", algorithm=MD5, qop="auth"`,
			422: "Min-SE: 600"} {
			h := newVirtualTestBed(t, shorter, timed(90, time.Second))
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 100, "", "")
			near.Cancel()
			h.adapter.ExpectOf("200", "CANCEL")
			near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			h.service.Respond(h.service.Expect("CANCEL"), 200, "far", "")
			h.service.Respond(inv, code, "far", "", field)
			h.service.Expect("ACK")
			h.machine.saw("1 requested", "1 near end cleared")
			h.done()
		}
	})
}

// An emergency call comes while the daemon unregisters, which takes a second with a silent service. The call passes,
// and nothing is shut until it has ended.
func TestEmergencyCallWhileUnregistering(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) {
			o.Lines[0].Register, o.Lines[0].Expires = true,
				time.Hour
		})
		reg := h.service.Expect("REGISTER")
		h.service.Respond(reg, 200, "reg", "", "Contact: "+reg.Get("Contact")+";expires=3600")
		eventually(t, "the registration", func() bool { return h.line.Status().Service.Registered })
		unregistered := make(chan struct{}) // closed when Unregister has returned
		go func() { defer close(unregistered); h.agent.Unregister() }()
		contains(t, h.service.Expect("REGISTER").Get("Expires"), "0") // and no answer
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		<-unregistered
		if h.agent.Shut() {
			t.Fatal("the gate is shut, though an emergency call is up")
		}
		h.service.Respond(inv, 200, "psap", far())
		h.service.Expect("ACK")
		h.adapter.ExpectOf("100", "INVITE")
		h.adapter.Expect("180")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
		if !h.agent.Shut() {
			t.Fatal("the gate is open, though no call is up")
		}
		again := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		again.AckFailure(h.adapter.Expect("503"))
	})
}
