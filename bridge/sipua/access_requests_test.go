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
	"clearback/supervision"
)

// Each kind of request outside a call gets its answer.
func TestRequestsOutsideADialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		id := 0
		ask := func(p *testPeer, to netip.AddrPort, method, target, want string, extra ...string) message {
			t.Helper()
			id++
			lines := []string{method + " " + target + " SIP/2.0", p.via(), "From: <sip:x@" + p.at.String() + ">;tag=" +
				num(id), "To: <" + target + ">",
				"Call-ID: " + p.id(), "CSeq: 1 " + method, "Max-Forwards: 70", "Contact: <sip:x@" + p.at.String() + ">"}
			p.send(to, append(append(lines, extra...), "")...)
			return p.expectOf(want, method)
		}
		service, adapter := "sip:"+serviceUser+"@"+h.toService.String(), "sip:"+h.toAdapter.String()
		m := ask(h.service, h.toService, "OPTIONS", service, "200")
		contains(t, m.get("Allow"), "INVITE")
		contains(t, m.get("Accept"), "application/sdp")
		contains(t, m.get("Supported"), "timer")
		ask(h.adapter, h.toAdapter, "OPTIONS", adapter, "200")
		ask(h.service, h.toService, "OPTIONS", service, "420", "Require: nothing-known")
		ask(h.service, h.toService, "BYE", service, "481")
		ask(h.service, h.toService, "NOTIFY", service, "489") // RFC 6665 section 8.3.2
		ask(h.service, h.toService, "INFO", service, "481")
		ask(h.service, h.toService, "SUBSCRIBE", service, "405", "Event: dialog")
		ask(h.service, h.toService, "REGISTER", service, "405")
		ask(h.service, h.toService, "INVITE", "sip:nobody@"+h.toService.String(), "404")
		m = ask(h.service, h.toService, "INVITE", service, "420", "Require: 100rel, nothing-known")
		if got := m.get("Unsupported"); got != "nothing-known" {
			t.Fatalf("Unsupported: %s", got)
		}
	})
}

// A line whose adapter is not registered cannot be called.
func TestAdapterNotBound(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		far := h.service.call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "")
		far.nack(h.service.expectOf("480", "INVITE"))
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
		d := stranger.call("sip:5550150@"+h.toAdapter.String(), "<sip:"+adapterUser+"@"+h.toAdapter.String()+">",
			h.toAdapter, offer("127.0.0.1", nearSDP, "sendrecv"))
		m := stranger.expect("401")
		d.nack(m)
		d.request("INVITE", offer("127.0.0.1", nearSDP, "sendrecv"),
			authorization(t, "Authorization", m.get("WWW-Authenticate"), "INVITE", d.target, adapterUser, "guessed"))
		d.nack(stranger.expect("401"))
		h.service.nothing(h.toService)
	})
}

// A line that registers accepts only calls for its own Contact. While it is not registered the adapter gets 503 at
// once.
func TestRegisteredLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].Register, o.Lines[0].Expires = true, 600e9 })
		reg := h.service.expect("REGISTER")
		near := h.dial("5550150")
		m := h.adapter.expectOf("503", "INVITE")
		if m.get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		near.nack(m)
		h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
		contact := uri(reg.get("Contact"))
		h.service.respond(reg, 200, "reg", "", "Contact: <"+contact+">;expires=600")
		eventually(t, "the registration", func() bool { return h.line.Status().Service.Registered })

		far := h.service.call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "")
		far.nack(h.service.expectOf("404", "INVITE"))
		far = h.service.call(contact, "<sip:5550150@pbx.example>", h.toService, offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("100")
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 486, "near", "")
		h.adapter.expect("ACK")
		far.nack(h.service.expectOf("486", "INVITE"))

		near = h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.expect("INVITE")
		contains(t, inv.get("Contact"), strings.TrimPrefix(contact, "sip:"))
		h.service.respond(inv, 486, "far", "")
		h.service.expect("ACK")
		near.nack(h.adapter.expectOf("486", "INVITE"))
		done := make(chan struct{}) // closed when the un-REGISTER was answered
		go func() {
			defer close(done)
			for m := range h.service.in {
				if m.is("REGISTER") {
					h.service.respond(m, 200, "reg", "")
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
		near := h.request("5550101", offer("127.0.0.1", nearSDP, "sendrecv"))
		out := h.service.expect("INVITE")
		h.service.respond(out, 100, "", "")
		// the proxy sends it back with its own Via on top and another Request-URI; the rest is unchanged
		target := "sip:" + serviceUser + "@" + h.toService.String()
		via := h.service.via()
		forward := []string{"INVITE " + target + " SIP/2.0", via}
		for _, v := range out.headers {
			if !strings.HasPrefix(v, "Content-Length") {
				forward = append(forward, v)
			}
		}
		h.service.send(h.toService, append(forward, out.body)...)
		h.service.expect("100")
		in := h.adapter.expect("INVITE")
		h.adapter.respond(in, 200, "called", offer("127.0.0.1", nearSDP+4, "sendrecv"))
		h.adapter.expect("ACK")
		ok := h.service.expect("200") // for the proxy, which forwards it
		pass := []string{"SIP/2.0 200 OK", "Via: " + out.get("Via")}
		for _, v := range ok.headers {
			if !strings.HasPrefix(v, "Via") && !strings.HasPrefix(v, "Content-Length") {
				pass = append(pass, v)
			}
		}
		h.service.send(h.toService, append(pass, ok.body)...)
		// from here on the two legs communicate directly: ACK and BYE go from the socket to itself
		near.established(h.adapter.expectOf("200", "INVITE")).ack("")
		called := h.adapter.called(in, "called")
		h.machine.saw("1 requested", "2 arrived", "2 answered", "1 answered")
		near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.adapter.expect("BYE")
		contains(t, bye.get("Call-ID"), called.id)
		h.adapter.respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared", "2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		h.atRest()
		h.service.nothing(h.toService)
	})
}

// A request that came by two paths is one call (RFC 3261 section 8.2.2.2).
func TestMergedRequest(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		again := append([]string{}, far.invite...)
		again[1] = h.service.via()
		h.service.send(h.toService, again...)
		h.service.expect("100")
		h.service.expectOf("482", "INVITE")
		h.adapter.respond(inv, 486, "near", "")
		h.adapter.expect("ACK")
		far.nack(h.service.expectOf("486", "INVITE"))
		h.machine.saw("1 arrived", "1 near end cleared")
	})
}

// An emergency call that came by two paths is one call too, and no other call is reported as failed.
func TestMergedEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		inv := h.service.expect("INVITE")
		h.adapter.expect("100")
		again := append([]string{}, near.invite...)
		again[1] = h.adapter.via()
		h.adapter.send(h.toAdapter, again...)
		h.adapter.expect("100")
		h.adapter.expectOf("482", "INVITE")
		h.service.respond(inv, 200, "psap", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		near.established(h.adapter.expectOf("200", "INVITE")).ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		h.hangUp(near)
	})
}

// A call that runs in a loop ends (RFC 3261 section 8.1.1.6).
func TestCircularRouting(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.service.call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "",
			"Max-Forwards: 0")
		if m := h.service.next(); !m.is("483") && !m.is("400") {
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
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
			l.AdapterFixed = &sip.Uri{Scheme: "sip", User: "stage-door", Host: "127.0.0.1", Port: int(second.at.Port())}
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
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		fork := append([]string{}, far.invite...)
		fork[0], fork[1] = "INVITE sip:5550101@"+h.toService.String()+" SIP/2.0", h.service.via()
		h.service.send(h.toService, fork...)
		h.service.expect("100")
		for _, p := range []*testPeer{h.adapter, second} {
			inv := p.expect("INVITE")
			if inv.body != offer("127.0.0.1", farSDP, "sendrecv") {
				t.Fatalf("the session description was changed: %s", inv.body)
			}
			p.respond(inv, 486, p.name, "")
			p.expect("ACK")
			h.service.expectOf("486", "INVITE")
		}
		h.machine.saw("1 arrived", "1 near end cleared")
		other.saw("2 arrived", "2 near end cleared")
		h.atRest()
	})
}
