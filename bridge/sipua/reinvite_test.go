package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// The near end holds and resumes by re-INVITE. Both descriptions are rewritten (RFC 3264 section 8.4, RFC 5359 section
// 2.1).
func TestHoldAndResume(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	var ports [2]string
	for i, direction := range []string{"sendonly", "sendrecv"} {
		answer := [...]string{"recvonly", "sendrecv"}[i]
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, direction))
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		contains(t, inv.body, "a="+direction)
		lacks(t, inv.body, " "+num(nearSDP)+" ")
		ports[i] = port(inv.body)
		h.service.respond(inv, 200, "", offer("127.0.0.1", farSDP, answer))
		h.service.expect("ACK")
		ok := h.adapter.expectOf("200", "INVITE")
		contains(t, ok.body, "a="+answer)
		lacks(t, ok.body, " "+num(farSDP)+" ")
		c.near.ack("")
	}
	if ports[0] != ports[1] {
		t.Fatalf("the stream moved from port %s to %s", ports[0], ports[1])
	}
	c.far.request("BYE", "")
	h.service.expectOf("200", "BYE")
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The far end clears a call that the near end holds: the main job.
func TestFarEndClearsHeldCall(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.request("INVITE", strings.Replace(offer("127.0.0.1", nearSDP, "inactive"), "c=IN IP4 127.0.0.1",
		"c=IN IP4 0.0.0.0", 1))
	h.adapter.expect("100")
	inv := h.service.expect("INVITE")
	contains(t, inv.body, "c=IN IP4 0.0.0.0")
	h.service.respond(inv, 200, "", offer("127.0.0.1", farSDP, "inactive"))
	h.service.expect("ACK")
	h.adapter.expectOf("200", "INVITE")
	c.near.ack("")
	c.far.request("BYE", "")
	h.service.expectOf("200", "BYE")
	h.machine.saw("1 far end cleared: bye")
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

// The far end clears while the near end's hold is in progress. The re-INVITE gets 487, and nothing waits for ever.
func TestFarEndClearsWhileHoldIsUnderWay(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		c.near.nack(h.adapter.expectOf("487", "INVITE"))
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.service.respond(inv, 487, "", "")
		h.service.expect("ACK")
		h.atRest()
	})
}

// A change that the far end never answers outlives its call by Timer C: then it is cancelled, and nothing of it is
// kept, whatever the far end says to that.
func TestUnansweredChangeIsCancelledAfterTheCall(t *testing.T) {
	t.Parallel()
	for _, answers := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, func(_ *Options, t *times) { t.ringing = time.Second })
			c := h.incoming()
			c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.expect("100")
			inv := h.service.expect("INVITE")
			h.service.respond(inv, 183, "", "")
			h.adapter.expect("183")
			c.far.request("BYE", "")
			h.service.expectOf("200", "BYE")
			c.near.nack(h.adapter.expectOf("487", "INVITE"))
			h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
			h.atRest()
			cancel := h.service.expect("CANCEL")
			if answers {
				h.service.respond(cancel, 481, "", "")
				h.service.respond(inv, 481, "", "")
				h.service.expect("ACK")
			}
			<-time.After(time.Minute) // more than 64*T1 and Timer D (RFC 3261 sections 9.1 and 17.1.1.2)
			synctest.Wait()
			if n := h.line.service.ep.Counts().Clients; n != 0 {
				t.Fatalf("%d client transactions are kept, answers: %v", n, answers)
			}
			h.adapter.nothing(h.toAdapter)
		})
	}
}

// A re-INVITE of the far end changes its Contact. Later requests go there (RFC 3261 section 12.2.1.2).
func TestTargetRefresh(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		moved := h.join("moved", "127.0.0.1")
		c.far.request("INVITE", offer("127.0.0.1", farSDP+10, "sendrecv"), "Contact: <sip:moved@"+moved.at.String()+">")
		h.service.expect("100")
		inv := h.adapter.expect("INVITE")
		contains(t, inv.body, num(farSDP+10))
		h.adapter.respond(inv, 200, "", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		h.service.expectOf("200", "INVITE")
		c.far.ack("")
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := moved.expect("BYE")
		contains(t, bye.start, "sip:moved@")
		moved.respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}

// A rejected re-INVITE leaves the call as it was (RFC 3261 section 14.1).
func TestRejectedReinvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.far.request("INVITE", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("100")
		h.adapter.respond(h.adapter.expect("INVITE"), 488, "", "")
		h.adapter.expect("ACK")
		c.far.nack(h.service.expectOf("488", "INVITE"))
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}

// Both ends send a re-INVITE at once (RFC 3261 section 14.2).
func TestGlare(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		c.far.request("INVITE", offer("127.0.0.1", farSDP, "sendonly"))
		c.far.nack(h.service.expectOf("491", "INVITE"))
		h.service.respond(inv, 491, "", "")
		h.service.expect("ACK")
		c.near.nack(h.adapter.expectOf("491", "INVITE"))
		// a second one before the first is answered
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		inv = h.service.expect("INVITE")
		first := c.near.invite
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		m := h.adapter.expectOf("500", "INVITE")
		if m.get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		c.near.nack(m)
		h.service.respond(inv, 200, "", offer("127.0.0.1", farSDP, "recvonly"))
		h.service.expect("ACK")
		h.adapter.expectOf("200", "INVITE")
		c.near.invite = first
		c.near.ack("")
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}

// Requests that pass inside a call, and requests that are refused.
func TestInDialogRequests(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	// digits by INFO
	c.near.request("INFO", "Signal=5\r\nDuration=160\r\n", "Content-Type: application/dtmf-relay")
	info := h.service.expect("INFO")
	contains(t, info.body, "Signal=5")
	contains(t, info.get("Content-Type"), "dtmf-relay")
	h.service.respond(info, 200, "", "")
	h.adapter.expectOf("200", "INFO")
	// UPDATE with an offer (RFC 3311)
	c.far.request("UPDATE", offer("127.0.0.1", farSDP, "sendonly"))
	update := h.adapter.expect("UPDATE")
	lacks(t, update.body, " "+num(farSDP)+" ")
	contains(t, update.body, "a=sendonly")
	h.adapter.respond(update, 200, "", offer("127.0.0.1", nearSDP, "recvonly"))
	ok := h.service.expectOf("200", "UPDATE")
	lacks(t, ok.body, " "+num(nearSDP)+" ")
	contains(t, ok.get("Contact"), h.toService.String())
	// an adapter without support for UPDATE: the sender gets its 405 and uses re-INVITE (RFC 3261 section 21.4.6)
	c.far.request("UPDATE", offer("127.0.0.1", farSDP, "sendrecv"))
	h.adapter.respond(h.adapter.expect("UPDATE"), 405, "", "", "Allow: INVITE, ACK, BYE, CANCEL")
	methods := h.service.expectOf("405", "UPDATE").get("Allow")
	contains(t, methods, "INVITE, ")
	lacks(t, methods, "UPDATE")
	// we answer OPTIONS ourselves (RFC 3261 section 11.2)
	c.far.request("OPTIONS", "")
	contains(t, h.service.expectOf("200", "OPTIONS").get("Allow"), "UPDATE")
	c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendrecv"), "Require: timer, nothing-known")
	bad := h.adapter.expectOf("420", "INVITE")
	if got := bad.get("Unsupported"); got != "nothing-known" {
		t.Fatalf("Unsupported: %s", got)
	}
	c.near.nack(bad)
	// an old CSeq number (RFC 3261 section 12.2.2)
	c.near.requestSeq("INFO", 1, "")
	h.adapter.expectOf("500", "INFO")
	c.far.request("BYE", "")
	h.service.expectOf("200", "BYE")
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// Route sets per leg, loose and strict (RFC 3261 sections 12.1, 12.2.1.1 and 16.12.1).
func TestRoutes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		proxy := "<sip:" + h.service.at.String() + ";lr>"
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"), "Record-Route: "+proxy,
			"Record-Route: <sip:inner.pbx.example;lr>", "Contact: <sip:5550150@192.0.2.7>")
		inv := h.adapter.expect("INVITE")
		lacks(t, inv.String(), "Record-Route")
		lacks(t, inv.String(), "inner.pbx.example")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		ok := h.service.expect("200")
		if rr := ok.all("Record-Route"); len(rr) != 2 || rr[0] != proxy {
			t.Fatalf("Record-Route of the 200: %q", rr)
		}
		far.established(ok)
		far.routes = nil
		far.ack("")
		h.adapter.called(inv, "near").request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		contains(t, bye.start, "sip:5550150@192.0.2.7")
		if r := bye.all("Route"); len(r) != 2 || r[0] != proxy {
			t.Fatalf("Route of the BYE: %q", r)
		}
		h.service.respond(bye, 200, "", "")
		h.atRest()

		// we call, and the nearest proxy is a strict router
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.expect("INVITE")
		h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"), "Contact: <sip:5550150@192.0.2.7>",
			"Record-Route: <sip:inner.pbx.example;lr>", "Record-Route: <sip:"+h.service.at.String()+"?subject=x>")
		ack := h.service.expect("ACK")
		// header fields are not allowed in a Request-URI (RFC 3261 section 19.1.1)
		contains(t, ack.start, "sip:"+h.service.at.String()+" ")
		if r := ack.all("Route"); len(r) != 2 || !strings.Contains(r[0], "inner.pbx.example") ||
			!strings.Contains(r[1], "192.0.2.7") {
			t.Fatalf("Route of the ACK: %q", r)
		}
		near.established(h.adapter.expect("200")).ack("")
		near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.atRest()
	})
}

// What one side may learn about the other (RFC 7092, RFC 3325).
func TestTopologyHiding(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"), "P-Asserted-Identity: <sip:5550150@pbx.example>",
			"Supported: 100rel, timer", "Session-Expires: 1800", "User-Agent: PBX of the Millrace", "X-Internal: yes")
		inv := h.adapter.expect("INVITE")
		contains(t, inv.get("From"), `"Bo Tree" <sip:5550150@`)
		contains(t, inv.get("P-Asserted-Identity"), "5550150")
		for _, word := range []string{"Session-Expires", "Min-SE", "PBX of the", "X-Internal", "pbx.example>;",
			h.service.at.String(), far.id} {
			lacks(t, strings.Replace(inv.String(), inv.body, "", 1), word)
		}
		far.cancel()
		h.service.expectOf("200", "CANCEL")
		far.nack(h.service.expectOf("487", "INVITE"))
		h.adapter.respond(inv, 180, "near", "")
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")

		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"),
			"P-Asserted-Identity: <sip:boss@millrace.example>", "Privacy: id", "User-Agent: Adapter")
		inv = h.service.expect("INVITE")
		contains(t, inv.get("From"), `"Box Office" <sip:`+serviceUser+`@`)
		contains(t, inv.get("Privacy"), "id")
		for _, word := range []string{"boss@", "User-Agent", h.adapter.at.String(), near.id, adapterUser} {
			lacks(t, strings.Replace(inv.String(), inv.body, "", 1), word)
		}
		h.service.respond(inv, 486, "far", "")
		h.service.expect("ACK")
		near.nack(h.adapter.expectOf("486", "INVITE"))
		h.atRest()
	})
}
