package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
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
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, direction))
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		contains(t, inv.Body, "a="+direction)
		lacks(t, inv.Body, " "+num(nearSDP)+" ")
		ports[i] = port(inv.Body)
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, answer))
		h.service.Expect("ACK")
		ok := h.adapter.ExpectOf("200", "INVITE")
		contains(t, ok.Body, "a="+answer)
		lacks(t, ok.Body, " "+num(farSDP)+" ")
		c.near.Ack("")
	}
	if ports[0] != ports[1] {
		t.Fatalf("the stream moved from port %s to %s", ports[0], ports[1])
	}
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The far end clears a call that the near end holds: the main job.
func TestFarEndClearsHeldCall(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.Request("INVITE", strings.Replace(uatest.Offer("127.0.0.1", nearSDP, "inactive"), "c=IN IP4 127.0.0.1",
		"c=IN IP4 0.0.0.0", 1))
	h.adapter.Expect("100")
	inv := h.service.Expect("INVITE")
	contains(t, inv.Body, "c=IN IP4 0.0.0.0")
	h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "inactive"))
	h.service.Expect("ACK")
	h.adapter.ExpectOf("200", "INVITE")
	c.near.Ack("")
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.machine.saw("1 far end cleared: bye")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

// The far end clears while the near end's hold is in progress. The re-INVITE gets 487, and nothing waits for ever.
func TestFarEndClearsWhileHoldIsUnderWay(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.service.Respond(inv, 487, "", "")
		h.service.Expect("ACK")
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
			c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.Expect("100")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 183, "", "")
			h.adapter.Expect("183")
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			h.atRest()
			cancel := h.service.Expect("CANCEL")
			if answers {
				h.service.Respond(cancel, 481, "", "")
				h.service.Respond(inv, 481, "", "")
				h.service.Expect("ACK")
			}
			<-time.After(time.Minute) // more than 64*T1 and Timer D (RFC 3261 sections 9.1 and 17.1.1.2)
			synctest.Wait()
			if n := h.line.service.ep.Counts().Clients; n != 0 {
				t.Fatalf("%d client transactions are kept, answers: %v", n, answers)
			}
			h.adapter.ExpectNothing(h.toAdapter)
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
		c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP+10, "sendrecv"), "Contact: <sip:moved@"+moved.At.String()+">")
		h.service.Expect("100")
		inv := h.adapter.Expect("INVITE")
		contains(t, inv.Body, num(farSDP+10))
		h.adapter.Respond(inv, 200, "", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		h.service.ExpectOf("200", "INVITE")
		c.far.Ack("")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := moved.Expect("BYE")
		contains(t, bye.Start, "sip:moved@")
		moved.Respond(bye, 200, "", "")
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
		c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("100")
		h.adapter.Respond(h.adapter.Expect("INVITE"), 488, "", "")
		h.adapter.Expect("ACK")
		c.far.AckFailure(h.service.ExpectOf("488", "INVITE"))
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
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
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
		c.far.AckFailure(h.service.ExpectOf("491", "INVITE"))
		h.service.Respond(inv, 491, "", "")
		h.service.Expect("ACK")
		c.near.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
		// a second one before the first is answered
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		inv = h.service.Expect("INVITE")
		first := c.near.Invite
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		m := h.adapter.ExpectOf("500", "INVITE")
		if m.Get("Retry-After") == "" {
			t.Fatalf("no Retry-After in %s", m)
		}
		c.near.AckFailure(m)
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		c.near.Invite = first
		c.near.Ack("")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
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
	c.near.Request("INFO", "Signal=5\r\nDuration=160\r\n", "Content-Type: application/dtmf-relay")
	info := h.service.Expect("INFO")
	contains(t, info.Body, "Signal=5")
	contains(t, info.Get("Content-Type"), "dtmf-relay")
	h.service.Respond(info, 200, "", "")
	h.adapter.ExpectOf("200", "INFO")
	// UPDATE with an offer (RFC 3311)
	c.far.Request("UPDATE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
	update := h.adapter.Expect("UPDATE")
	lacks(t, update.Body, " "+num(farSDP)+" ")
	contains(t, update.Body, "a=sendonly")
	h.adapter.Respond(update, 200, "", uatest.Offer("127.0.0.1", nearSDP, "recvonly"))
	ok := h.service.ExpectOf("200", "UPDATE")
	lacks(t, ok.Body, " "+num(nearSDP)+" ")
	contains(t, ok.Get("Contact"), h.toService.String())
	// an adapter without support for UPDATE: the sender gets its 405 and uses re-INVITE (RFC 3261 section 21.4.6)
	c.far.Request("UPDATE", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.adapter.Respond(h.adapter.Expect("UPDATE"), 405, "", "", "Allow: INVITE, ACK, BYE, CANCEL")
	methods := h.service.ExpectOf("405", "UPDATE").Get("Allow")
	contains(t, methods, "INVITE, ")
	lacks(t, methods, "UPDATE")
	// we answer OPTIONS ourselves (RFC 3261 section 11.2)
	c.far.Request("OPTIONS", "")
	contains(t, h.service.ExpectOf("200", "OPTIONS").Get("Allow"), "UPDATE")
	c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Require: timer, nothing-known")
	bad := h.adapter.ExpectOf("420", "INVITE")
	if got := bad.Get("Unsupported"); got != "nothing-known" {
		t.Fatalf("Unsupported: %s", got)
	}
	c.near.AckFailure(bad)
	// an old CSeq number (RFC 3261 section 12.2.2)
	c.near.RequestSeq("INFO", 1, "")
	h.adapter.ExpectOf("500", "INFO")
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// Route sets per leg, loose and strict (RFC 3261 sections 12.1, 12.2.1.1 and 16.12.1).
func TestRoutes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		proxy := "<sip:" + h.service.At.String() + ";lr>"
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Record-Route: "+proxy,
			"Record-Route: <sip:inner.pbx.example;lr>", "Contact: <sip:5550150@192.0.2.7>")
		inv := h.adapter.Expect("INVITE")
		lacks(t, inv.String(), "Record-Route")
		lacks(t, inv.String(), "inner.pbx.example")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		if rr := ok.All("Record-Route"); len(rr) != 2 || rr[0] != proxy {
			t.Fatalf("Record-Route of the 200: %q", rr)
		}
		far.Established(ok)
		far.Routes = nil
		far.Ack("")
		h.adapter.Called(inv, "near").Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		contains(t, bye.Start, "sip:5550150@192.0.2.7")
		if r := bye.All("Route"); len(r) != 2 || r[0] != proxy {
			t.Fatalf("Route of the BYE: %q", r)
		}
		h.service.Respond(bye, 200, "", "")
		h.atRest()

		// we call, and the nearest proxy is a strict router
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Contact: <sip:5550150@192.0.2.7>",
			"Record-Route: <sip:inner.pbx.example;lr>", "Record-Route: <sip:"+h.service.At.String()+"?subject=x>")
		ack := h.service.Expect("ACK")
		// header fields are not allowed in a Request-URI (RFC 3261 section 19.1.1)
		contains(t, ack.Start, "sip:"+h.service.At.String()+" ")
		if r := ack.All("Route"); len(r) != 2 || !strings.Contains(r[0], "inner.pbx.example") ||
			!strings.Contains(r[1], "192.0.2.7") {
			t.Fatalf("Route of the ACK: %q", r)
		}
		near.Established(h.adapter.Expect("200")).Ack("")
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
	})
}

// What one side may learn about the other (RFC 7092, RFC 3325).
func TestTopologyHiding(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "P-Asserted-Identity: <sip:5550150@pbx.example>",
			"Supported: 100rel, timer", "Session-Expires: 1800", "User-Agent: PBX of the Millrace", "X-Internal: yes")
		inv := h.adapter.Expect("INVITE")
		contains(t, inv.Get("From"), `"Bo Tree" <sip:5550150@`)
		contains(t, inv.Get("P-Asserted-Identity"), "5550150")
		for _, word := range []string{"Session-Expires", "Min-SE", "PBX of the", "X-Internal", "pbx.example>;",
			h.service.At.String(), far.CallID} {
			lacks(t, strings.Replace(inv.String(), inv.Body, "", 1), word)
		}
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(inv, 180, "near", "")
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")

		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
			"P-Asserted-Identity: <sip:boss@millrace.example>", "Privacy: id", "User-Agent: Adapter")
		inv = h.service.Expect("INVITE")
		contains(t, inv.Get("From"), `"Box Office" <sip:`+serviceUser+`@`)
		contains(t, inv.Get("Privacy"), "id")
		for _, word := range []string{"boss@", "User-Agent", h.adapter.At.String(), near.CallID, adapterUser} {
			lacks(t, strings.Replace(inv.String(), inv.Body, "", 1), word)
		}
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.atRest()
	})
}
