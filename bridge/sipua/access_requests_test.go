package sipua

import (
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// Each kind of request outside a call gets its answer.
func TestRequestsOutsideADialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		id := 0
		ask := func(p *uatest.Peer, to netip.AddrPort, method, target, want string, extra ...string) uatest.Message {
			t.Helper()
			id++
			lines := []string{method + " " + target + " SIP/2.0", p.Via(), "From: <sip:x@" + p.At.String() + ">;tag=" +
				num(id), "To: <" + target + ">",
				"Call-ID: " + p.NewID(), "CSeq: 1 " + method, "Max-Forwards: 70", "Contact: <sip:x@" + p.At.String() + ">"}
			p.Send(to, append(append(lines, extra...), "")...)
			return p.ExpectOf(want, method)
		}
		service, adapter := "sip:"+serviceUser+"@"+h.toService.String(), "sip:"+h.toAdapter.String()
		m := ask(h.service, h.toService, "OPTIONS", service, "200")
		contains(t, m.Get("Allow"), "INVITE")
		contains(t, m.Get("Accept"), "application/sdp")
		contains(t, m.Get("Supported"), "timer")
		ask(h.adapter, h.toAdapter, "OPTIONS", adapter, "200")
		ask(h.service, h.toService, "OPTIONS", service, "420", "Require: nothing-known")
		ask(h.service, h.toService, "BYE", service, "481")
		ask(h.service, h.toService, "NOTIFY", service, "489") // RFC 6665 section 8.3.2
		ask(h.service, h.toService, "INFO", service, "481")
		ask(h.service, h.toService, "SUBSCRIBE", service, "405", "Event: dialog")
		ask(h.service, h.toService, "REGISTER", service, "405")
		ask(h.service, h.toService, "INVITE", "sip:nobody@"+h.toService.String(), "404")
		m = ask(h.service, h.toService, "INVITE", service, "420", "Require: 100rel, nothing-known")
		if got := m.Get("Unsupported"); got != "nothing-known" {
			t.Fatalf("Unsupported: %s", got)
		}
	})
}

// A line whose adapter is not registered cannot be called.
func TestAdapterNotBound(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "")
		far.AckFailure(h.service.ExpectOf("480", "INVITE"))
		h.machine.saw("1 refused: not-here")
		h.register(h.adapter)
		h.incomingAs(2)
	})
}

// Strangers are never routed to the service.
func TestUnknownSources(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		stranger := h.join("stranger", "127.0.0.1")
		d := stranger.Call("sip:5550150@"+h.toAdapter.String(), "<sip:"+adapterUser+"@"+h.toAdapter.String()+">",
			h.toAdapter, uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		m := stranger.Expect("401")
		d.AckFailure(m)
		d.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
			authorization(t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", d.Target, adapterUser, "guessed"))
		d.AckFailure(stranger.Expect("401"))
		h.service.ExpectNothing(h.toService)
	})
}

// A line that registers accepts only calls for its own Contact. While it is not registered the adapter gets 503 at
// once.
func TestRegisteredLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].Register, o.Lines[0].Expires = true, 600e9 })
		reg := h.service.Expect("REGISTER")
		near := h.dial("5550150")
		m := h.adapter.ExpectOf("503", "INVITE")
		if m.Get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		near.AckFailure(m)
		h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
		contact := uatest.URI(reg.Get("Contact"))
		h.service.Respond(reg, 200, "reg", "", "Contact: <"+contact+">;expires=600")
		eventually(t, "the registration", func() bool { return h.line.Status().Service.Registered })

		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "")
		far.AckFailure(h.service.ExpectOf("404", "INVITE"))
		far = h.service.Call(contact, "<sip:5550150@pbx.example>", h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("100")
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 486, "near", "")
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))

		near = h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.Expect("INVITE")
		contains(t, inv.Get("Contact"), strings.TrimPrefix(contact, "sip:"))
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		done := make(chan struct{}) // closed when the un-REGISTER was answered
		go func() {
			defer close(done)
			for m := range h.service.In {
				if m.Is("REGISTER") {
					h.service.Respond(m, 200, "reg", "")
					return
				}
			}
		}()
		h.agent.Close()
		<-done
	})
}

// One line calls another through a proxy that keeps the Call-ID. Both ends of one Call-ID are then on one socket. A
// line may also be called back by itself.
func TestLineCallsAnotherThroughAProxyThatKeepsTheCallID(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550101", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		out := h.service.Expect("INVITE")
		h.service.Respond(out, 100, "", "")
		// the proxy sends it back with its own Via on top and another Request-URI; the rest is unchanged
		target := "sip:" + serviceUser + "@" + h.toService.String()
		via := h.service.Via()
		forward := []string{"INVITE " + target + " SIP/2.0", via}
		for _, v := range out.Headers {
			if !strings.HasPrefix(v, "Content-Length") {
				forward = append(forward, v)
			}
		}
		h.service.Send(h.toService, append(forward, out.Body)...)
		h.service.Expect("100")
		in := h.adapter.Expect("INVITE")
		h.adapter.Respond(in, 200, "called", uatest.Offer("127.0.0.1", nearSDP+4, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200") // for the proxy, which forwards it
		pass := []string{"SIP/2.0 200 OK", "Via: " + out.Get("Via")}
		for _, v := range ok.Headers {
			if !strings.HasPrefix(v, "Via") && !strings.HasPrefix(v, "Content-Length") {
				pass = append(pass, v)
			}
		}
		h.service.Send(h.toService, append(pass, ok.Body)...)
		// from here on the two legs communicate directly: ACK and BYE go from the socket to itself
		near.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		called := h.adapter.Called(in, "called")
		h.machine.saw("1 requested", "2 arrived", "2 answered", "1 answered")
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.adapter.Expect("BYE")
		contains(t, bye.Get("Call-ID"), called.CallID)
		h.adapter.Respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared", "2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		h.atRest()
		h.service.ExpectNothing(h.toService)
	})
}

// A request that came by two paths is one call (RFC 3261 section 8.2.2.2).
func TestMergedRequest(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		again := append([]string{}, far.Invite...)
		again[1] = h.service.Via()
		h.service.Send(h.toService, again...)
		h.service.Expect("100")
		h.service.ExpectOf("482", "INVITE")
		h.adapter.Respond(inv, 486, "near", "")
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("1 arrived", "1 near end cleared")
	})
}

// An emergency call that came by two paths is one call too, and no other call is reported as failed.
func TestMergedEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		inv := h.service.Expect("INVITE")
		h.adapter.Expect("100")
		again := append([]string{}, near.Invite...)
		again[1] = h.adapter.Via()
		h.adapter.Send(h.toAdapter, again...)
		h.adapter.Expect("100")
		h.adapter.ExpectOf("482", "INVITE")
		h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		h.hangUp(near)
	})
}

// A call that runs in a loop ends (RFC 3261 section 8.1.1.6).
func TestCircularRouting(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "",
			"Max-Forwards: 0")
		if m := h.service.Next(); !m.Is("483") && !m.Is("400") {
			t.Fatalf("got %s", m)
		}
	})
}

// A panic in the handling of one message or step ends neither the process nor the call.
func TestPanicInACallback(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		core, logged := observer.New(zapcore.ErrorLevel)
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Logger = zap.New(core) })
		c := h.incoming()
		h.agent.call(1).post(func() { panic("a step fails") })
		s := h.line.service
		s.Request(&endpoint.Request{})
		s.Cancelled(&endpoint.Request{Request: &sip.Request{}})
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		if n := logged.Len(); n != 3 {
			t.Fatalf("%d panics in the log: %v", n, logged.All())
		}
	})
}

// Effects for unknown calls do no harm. An adapter's leg that does not exist counts as cleared.
func TestUnknownCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.line.Offer(7)
		h.line.Refuse(7, 486)
		h.line.ClearFarEnd(7)
		h.line.ClearAdapterLeg(7)
		h.machine.saw("7 adapter leg cleared: confirmed")
	})
}

// Close ends the calls that are up.
func TestCloseEndsCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.incoming()
		done := make(chan struct{}) // closed when Close has returned
		go func() { defer close(done); h.agent.Close() }()
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		<-done
		if n := h.line.Status().Calls; n != 0 {
			t.Fatalf("%d calls are still up", n)
		}
	})
}

// Two lines share the same two sockets. A call from the service finds its line by our Contact, a call from an adapter
// by its credentials. With direct media the session description passes unchanged.
func TestLinesShareSockets(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var m memoryNetwork
		second := m.newTestPeer(t, "second", "127.0.0.1")
		other := &machineStandIn{t: t, in: make(chan supervision.Event, 1000), seen: make(chan string, 1000),
			quit: make(chan struct{})}
		h := newTestBedIn(t, &m, func(o *Options, _ *times) {
			l := o.Lines[0]
			l.Name, l.AdapterUser, l.ServiceUser, l.Events = "stage-door", "stage-door", "5550101", other
			l.AdapterFixed = &sip.Uri{Scheme: "sip", User: "stage-door", Host: "127.0.0.1", Port: int(second.At.Port())}
			o.Lines = append(o.Lines, l)
		})
		other.line = h.agent.Line("stage-door")
		done := make(chan struct{}) // closed when the second machine has ended
		go func() { defer close(done); other.run() }()
		t.Cleanup(func() { close(other.quit); <-done })
		if st := other.line.Status(); st.ServiceAddr != h.toService || st.AdapterAddr != h.toAdapter {
			t.Fatalf("sockets %v and %v, want %v and %v", st.AdapterAddr, st.ServiceAddr, h.toAdapter, h.toService)
		}
		// one forked request to both lines is two calls (no 482)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		fork := append([]string{}, far.Invite...)
		fork[0], fork[1] = "INVITE sip:5550101@"+h.toService.String()+" SIP/2.0", h.service.Via()
		h.service.Send(h.toService, fork...)
		h.service.Expect("100")
		for _, p := range []*uatest.Peer{h.adapter, second} {
			inv := p.Expect("INVITE")
			if inv.Body != uatest.Offer("127.0.0.1", farSDP, "sendrecv") {
				t.Fatalf("the session description was changed: %s", inv.Body)
			}
			p.Respond(inv, 486, p.Name, "")
			p.Expect("ACK")
			h.service.ExpectOf("486", "INVITE")
		}
		h.machine.saw("1 arrived", "1 near end cleared")
		other.saw("2 arrived", "2 near end cleared")
		h.atRest()
	})
}
