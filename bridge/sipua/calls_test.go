package sipua

import (
	"testing"
	"testing/synctest"

	"clearback/bridge/sipua/uatest"
)

// RFC 3665 section 3.8: the caller cancels while the near end rings (RFC 3261 section 9).
func TestCallerCancels(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		cancel := h.adapter.Expect("CANCEL")
		h.adapter.Respond(cancel, 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// The adapter's 200 crosses our CANCEL. The near end has answered, so it gets ACK and BYE (RFC 3261 sections 9.1 and
// 15).
func TestAdaptersAnswerCrossesOurCancel(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		cancel := h.adapter.Expect("CANCEL")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Respond(cancel, 200, "near", "")
		h.adapter.Expect("ACK")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 answered",
			"1 adapter leg cleared: confirmed")
		h.atRest()
		h.service.ExpectNothing(h.toService)
	})
}

// The caller's CANCEL comes after our 200 and has no effect (RFC 3261 section 9.2). The caller then sends BYE.
func TestCancelAfterAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.ExpectOf("200", "INVITE")
		far.Cancel()
		if m := h.service.Next(); !m.Is("200") && !m.Is("481") {
			t.Fatalf("CANCEL after the 200 got %s", m)
		}
		far.Established(ok).Ack("")
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A caller cancels before the call was offered.
func TestCancelBeforeOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.machine.saw("1 far end cleared: bye")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// The daemon ends while a call waits to be offered.
func TestShutdownBeforeOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		h.agent.ClearOrdinary()
		far.AckFailure(h.service.ExpectOf("503", "INVITE"))
		h.machine.saw("1 far end cleared: shutdown")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// The machine refuses a waiting call (invariant 5).
func TestMachineRefusesWaitingCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		h.line.Refuse(1, 486)
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// RFC 3665 section 3.9: busy. Failure codes pass through from either side.
func TestRejections(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := 0
		for _, code := range []int{400, 486, 480, 404, 488, 600, 603} {
			n++
			far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, code, "near", "")
			h.adapter.Expect("ACK")
			far.AckFailure(h.service.ExpectOf(num(code), "INVITE"))
			h.machine.saw(num(n)+" arrived", num(n)+" near end cleared")
		}
		for _, code := range []int{400, 486, 404, 484, 503, 603} {
			n++
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, code, "far", "", "Retry-After: 7")
			h.service.Expect("ACK")
			m := h.adapter.ExpectOf(num(code), "INVITE")
			contains(t, m.String(), "Retry-After: 7")
			near.AckFailure(m)
			h.machine.saw(num(n)+" requested", num(n)+" far end cleared: bye", num(n)+" adapter leg cleared: confirmed")
		}
		h.atRest()
	})
}

// The adapter cancels while the far end rings. Its CANCEL crosses the far end's 200.
func TestNearEndCancels(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, crosses := range []bool{false, true} {
			h := newVirtualTestBed(t)
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 180, "far", "")
			h.adapter.Expect("180")
			near.Cancel()
			h.adapter.ExpectOf("200", "CANCEL")
			near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			cancel := h.service.Expect("CANCEL")
			h.service.Respond(cancel, 200, "far", "")
			if crosses {
				h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
				h.service.Expect("ACK")
				h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			} else {
				h.service.Respond(inv, 487, "far", "")
				h.service.Expect("ACK")
			}
			h.machine.saw("1 requested", "1 near end cleared")
			h.atRest()
			h.adapter.ExpectNothing(h.toAdapter)
		}
	})
}

// Early media: 183 with a session description, then 180, then 200 (RFC 3960).
func TestEarlyMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	lacks(t, inv.Body, " "+num(nearSDP)+" ")
	h.service.Respond(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	early := h.adapter.Expect("183")
	lacks(t, early.Body, " "+num(farSDP)+" ")
	contains(t, early.Body, "m=audio ")
	h.service.Respond(inv, 180, "far", "")
	h.adapter.Expect("180")
	h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	ok := h.adapter.Expect("200")
	if port(ok.Body) != port(early.Body) {
		t.Fatalf("the answer moved from port %s to %s", port(early.Body), port(ok.Body))
	}
	d := near.Established(ok)
	d.Ack("")
	d.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 near end cleared")
	h.atRest()
}

// A forked call: the second 200 is acknowledged and cleared (RFC 3261 section 13.2.2.4).
func TestLateFork(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "fork-a", "")
		h.adapter.Expect("180")
		h.service.Respond(inv, 183, "fork-b", "")
		h.adapter.Expect("183")
		h.service.Respond(inv, 200, "fork-b", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		ack := h.service.Expect("ACK")
		contains(t, ack.Get("To"), "fork-b")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.service.Respond(inv, 200, "fork-a", uatest.Offer("127.0.0.1", farSDP+2, "sendrecv"),
			"Contact: <sip:fork-a@"+h.service.At.String()+">")
		ack = h.service.Expect("ACK")
		contains(t, ack.Get("To"), "fork-a")
		contains(t, ack.Start, "sip:fork-a@")
		bye := h.service.Expect("BYE")
		contains(t, bye.Get("To"), "fork-a")
		contains(t, bye.Start, "sip:fork-a@")
		h.service.Respond(bye, 200, "", "")
		// the chosen call continues
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye = h.service.Expect("BYE")
		contains(t, bye.Get("To"), "fork-b")
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// An INVITE without an offer: the 200 carries the offer, the ACK the answer (RFC 3261 section 13.2.1).
func TestDelayedOffer(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	far := h.arrive("")
	inv := h.adapter.Expect("INVITE")
	if inv.Body != "" {
		t.Fatalf("an unexpected body: %s", inv)
	}
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	ok := h.service.Expect("200")
	contains(t, ok.Body, "m=audio ")
	lacks(t, ok.Body, " "+num(nearSDP)+" ")
	far.Established(ok).Ack(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	ack := h.adapter.Expect("ACK")
	contains(t, ack.Body, "m=audio ")
	lacks(t, ack.Body, " "+num(farSDP)+" ")
	far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// A retransmitted 200 of the adapter is acknowledged again (RFC 3261 section 13.2.2.4).
func TestRepeated200IsAcknowledgedAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		first := h.adapter.Expect("ACK")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		uatest.ExpectRepeat(t, h.adapter, first)
		far.Established(h.service.Expect("200")).Ack("")
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}
