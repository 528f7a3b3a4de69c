package sipua

import (
	"testing"
	"testing/synctest"
)

// RFC 3665 section 3.8: the caller cancels while the near end rings (RFC 3261 section 9).
func TestCallerCancels(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		far.cancel()
		h.service.expectOf("200", "CANCEL")
		far.nack(h.service.expectOf("487", "INVITE"))
		cancel := h.adapter.expect("CANCEL")
		h.adapter.respond(cancel, 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// The adapter's 200 crosses our CANCEL. The near end has answered, so it gets ACK and BYE (RFC 3261 sections 9.1 and
// 15).
func TestAdaptersAnswerCrossesOurCancel(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		far.cancel()
		h.service.expectOf("200", "CANCEL")
		far.nack(h.service.expectOf("487", "INVITE"))
		cancel := h.adapter.expect("CANCEL")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.respond(cancel, 200, "near", "")
		h.adapter.expect("ACK")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 answered",
			"1 adapter leg cleared: confirmed")
		h.atRest()
		h.service.nothing(h.toService)
	})
}

// The caller's CANCEL comes after our 200 and has no effect (RFC 3261 section 9.2). The caller then sends BYE.
func TestCancelAfterAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		ok := h.service.expectOf("200", "INVITE")
		far.cancel()
		if m := h.service.next(); !m.is("200") && !m.is("481") {
			t.Fatalf("CANCEL after the 200 got %s", m)
		}
		far.established(ok).ack("")
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		far.cancel()
		h.service.expectOf("200", "CANCEL")
		far.nack(h.service.expectOf("487", "INVITE"))
		h.machine.saw("1 far end cleared: bye")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// The daemon ends while a call waits to be offered.
func TestShutdownBeforeOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		h.agent.ClearOrdinary()
		far.nack(h.service.expectOf("503", "INVITE"))
		h.machine.saw("1 far end cleared: shutdown")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// The machine refuses a waiting call (invariant 5).
func TestMachineRefusesWaitingCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		h.machine.saw("1 arrived")
		h.line.Refuse(1, 486)
		far.nack(h.service.expectOf("486", "INVITE"))
		h.atRest()
		h.adapter.nothing(h.toAdapter)
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
			far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
			inv := h.adapter.expect("INVITE")
			h.adapter.respond(inv, code, "near", "")
			h.adapter.expect("ACK")
			far.nack(h.service.expectOf(num(code), "INVITE"))
			h.machine.saw(num(n)+" arrived", num(n)+" near end cleared")
		}
		for _, code := range []int{400, 486, 404, 484, 503, 603} {
			n++
			near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.expect("INVITE")
			h.service.respond(inv, code, "far", "", "Retry-After: 7")
			h.service.expect("ACK")
			m := h.adapter.expectOf(num(code), "INVITE")
			contains(t, m.String(), "Retry-After: 7")
			near.nack(m)
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
			near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.expect("INVITE")
			h.service.respond(inv, 180, "far", "")
			h.adapter.expect("180")
			near.cancel()
			h.adapter.expectOf("200", "CANCEL")
			near.nack(h.adapter.expectOf("487", "INVITE"))
			cancel := h.service.expect("CANCEL")
			h.service.respond(cancel, 200, "far", "")
			if crosses {
				h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"))
				h.service.expect("ACK")
				h.service.respond(h.service.expect("BYE"), 200, "", "")
			} else {
				h.service.respond(inv, 487, "far", "")
				h.service.expect("ACK")
			}
			h.machine.saw("1 requested", "1 near end cleared")
			h.atRest()
			h.adapter.nothing(h.toAdapter)
		}
	})
}

// Early media: 183 with a session description, then 180, then 200 (RFC 3960).
func TestEarlyMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.expect("INVITE")
	lacks(t, inv.body, " "+num(nearSDP)+" ")
	h.service.respond(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"))
	early := h.adapter.expect("183")
	lacks(t, early.body, " "+num(farSDP)+" ")
	contains(t, early.body, "m=audio ")
	h.service.respond(inv, 180, "far", "")
	h.adapter.expect("180")
	h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.expect("ACK")
	ok := h.adapter.expect("200")
	if port(ok.body) != port(early.body) {
		t.Fatalf("the answer moved from port %s to %s", port(early.body), port(ok.body))
	}
	d := near.established(ok)
	d.ack("")
	d.request("BYE", "")
	h.adapter.expectOf("200", "BYE")
	h.service.respond(h.service.expect("BYE"), 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 near end cleared")
	h.atRest()
}

// A forked call: the second 200 is acknowledged and cleared (RFC 3261 section 13.2.2.4).
func TestLateFork(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "fork-a", "")
		h.adapter.expect("180")
		h.service.respond(inv, 183, "fork-b", "")
		h.adapter.expect("183")
		h.service.respond(inv, 200, "fork-b", offer("127.0.0.1", farSDP, "sendrecv"))
		ack := h.service.expect("ACK")
		contains(t, ack.get("To"), "fork-b")
		near.established(h.adapter.expect("200")).ack("")
		h.service.respond(inv, 200, "fork-a", offer("127.0.0.1", farSDP+2, "sendrecv"),
			"Contact: <sip:fork-a@"+h.service.at.String()+">")
		ack = h.service.expect("ACK")
		contains(t, ack.get("To"), "fork-a")
		contains(t, ack.start, "sip:fork-a@")
		bye := h.service.expect("BYE")
		contains(t, bye.get("To"), "fork-a")
		contains(t, bye.start, "sip:fork-a@")
		h.service.respond(bye, 200, "", "")
		// the chosen call continues
		near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye = h.service.expect("BYE")
		contains(t, bye.get("To"), "fork-b")
		h.service.respond(bye, 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// An INVITE without an offer: the 200 carries the offer, the ACK the answer (RFC 3261 section 13.2.1).
func TestDelayedOffer(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	far := h.arrive("")
	inv := h.adapter.expect("INVITE")
	if inv.body != "" {
		t.Fatalf("an unexpected body: %s", inv)
	}
	h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
	ok := h.service.expect("200")
	contains(t, ok.body, "m=audio ")
	lacks(t, ok.body, " "+num(nearSDP)+" ")
	far.established(ok).ack(offer("127.0.0.1", farSDP, "sendrecv"))
	ack := h.adapter.expect("ACK")
	contains(t, ack.body, "m=audio ")
	lacks(t, ack.body, " "+num(farSDP)+" ")
	far.request("BYE", "")
	h.service.expectOf("200", "BYE")
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// A retransmitted 200 of the adapter is acknowledged again (RFC 3261 section 13.2.2.4).
func TestRepeated200IsAcknowledgedAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		first := h.adapter.expect("ACK")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		repeated(t, h.adapter, first)
		far.established(h.service.expect("200")).ack("")
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}
