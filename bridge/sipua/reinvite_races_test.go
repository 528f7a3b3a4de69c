package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/sipua/uatest"
)

// A re-INVITE that comes before the other leg's ACK waits for it (RFC 3261 section 14.1) and is not refused.
func TestReinviteWaitsForAck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		near := h.adapter.Called(inv, "near")
		near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.ExpectNothing(h.toAdapter)
		h.service.ExpectNothing(h.toService)
		far.Established(ok).Ack("")
		h.adapter.Expect("100")
		h.service.Respond(h.service.Expect("INVITE"), 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		near.Ack("")
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A re-INVITE waits for an ACK that never comes. It is refused, and nothing of it remains.
func TestReinviteWhoseAckNeverComes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		h.service.Expect("200")
		near := h.adapter.Called(inv, "near")
		near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: service-lost")
		h.adapter.Expect("100") // after 200 ms
		near.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
		h.agent.mu.Lock()
		defer h.agent.mu.Unlock()
		if n := len(h.agent.invites); n != 0 {
			t.Fatalf("%d INVITEs remain", n)
		}
	})
}

// A re-INVITE is cancelled. The other side's final response decides, since its 200 may cross the CANCEL (RFC 3261
// section 9.1).
func TestCancelledReinvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, crosses := range []bool{false, true} {
			h := newVirtualTestBed(t)
			c := h.incoming()
			c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.Expect("100")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 100, "", "")
			c.near.Cancel()
			h.adapter.ExpectOf("200", "CANCEL")
			cancel := h.service.Expect("CANCEL")
			h.service.Respond(cancel, 200, "", "")
			if crosses {
				h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
				h.service.Expect("ACK")
				h.adapter.ExpectOf("200", "INVITE")
				c.near.Ack("")
			} else {
				h.service.Respond(inv, 487, "", "")
				h.service.Expect("ACK")
				c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			}
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			h.atRest()
		}
	})
}

// The service answers neither a re-INVITE nor the checks of the call, and no media comes. The far end is gone.
func TestUnansweredReinvite(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.incoming()
	c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
	h.adapter.Expect("100")
	h.service.Expect("INVITE")
	c.near.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
	h.vanished(0)
	h.cleared("service-lost")
}

// The caller sends BYE while the call rings (RFC 3261 section 15). This has the effect of a CANCEL.
func TestByeInEarlyDialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		first := append([]string{}, far.Invite...)
		far.Established(h.service.Expect("180"))
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		far.Invite = first
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// If the session description of an answer cannot be relayed, the attempt ends on both sides.
func TestAnswerThatCannotBeRelayed(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 200, "far", "this is no session description\r\n")
	h.service.Expect("ACK")
	near.AckFailure(h.adapter.ExpectOf("502", "INVITE"))
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The service refuses the connection. Each call gets 503 at once.
func TestServiceRefusesConnection(t *testing.T) {
	t.Parallel()
	nobody := loopbacktest.Refusing(t)
	h := newTestBed(t, func(o *Options, _ *times) {
		o.Lines[0].ServiceSocket = Socket{Listen: netip.MustParseAddrPort("127.0.0.1:0"), TCP: true}
		o.Lines[0].Registrar = sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: int(nobody.Port())}
	})
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	near.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
	h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
	near = h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	near.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
	h.machine.saw("2 requested", "2 far end cleared: service-lost", "2 adapter leg cleared: confirmed")
	// an emergency call is tried even so
	near = h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	near.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
	h.machine.saw("3 requested (emergency)", "3 far end cleared: service-lost", "3 adapter leg cleared: confirmed")
	h.atRest()
}

// The adapter is gone when the call is offered, and nothing answers.
func TestAdapterNeverAnswersInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.Expect("INVITE")
		far.AckFailure(h.service.ExpectOf("408", "INVITE"))
		h.machine.saw("1 arrived", "1 adapter lost")
		h.atRest()
	})
}

// A re-INVITE of the adapter waits for the caller's ACK, and the caller hangs up instead. The re-INVITE is refused when
// the adapter's leg is cleared, and nothing of it remains.
func TestReinviteWaitsForCallerThatHangsUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		caller := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		caller.Established(h.service.Expect("200"))
		own := h.adapter.Called(inv, "near")
		own.Request("INVITE", near())
		synctest.Wait()
		caller.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		own.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// The adapter cancels its re-INVITE, which waits for the caller's ACK of the call. The ACK comes right after the
// CANCEL, while the call's mailbox is busy. The order of the wire counts, so the re-INVITE is not sent to the service.
func TestCancelOfReinviteBeforeAck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		near := h.adapter.Called(inv, "near")
		near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		synctest.Wait()
		hold := make(chan struct{})
		h.agent.call(1).post(func() { <-hold })
		synctest.Wait()
		near.Cancel()
		synctest.Wait()
		far.Established(ok).Ack("")
		synctest.Wait()
		close(hold)
		h.adapter.ExpectOf("200", "CANCEL")
		near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}
