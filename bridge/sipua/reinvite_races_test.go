package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/loopbacktest"
)

// A re-INVITE that comes before the other leg's ACK waits for it (RFC 3261 section 14.1) and is not refused.
func TestReinviteWaitsForAck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		ok := h.service.expect("200")
		near := h.adapter.called(inv, "near")
		near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.nothing(h.toAdapter)
		h.service.nothing(h.toService)
		far.established(ok).ack("")
		h.adapter.expect("100")
		h.service.respond(h.service.expect("INVITE"), 200, "", offer("127.0.0.1", farSDP, "recvonly"))
		h.service.expect("ACK")
		h.adapter.expectOf("200", "INVITE")
		near.ack("")
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A re-INVITE waits for an ACK that never comes. It is refused, and nothing of it remains.
func TestReinviteWhoseAckNeverComes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		h.service.expect("200")
		near := h.adapter.called(inv, "near")
		near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: service-lost")
		h.adapter.expect("100") // after 200 ms
		near.nack(h.adapter.expectOf("491", "INVITE"))
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
			c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.expect("100")
			inv := h.service.expect("INVITE")
			h.service.respond(inv, 100, "", "")
			c.near.cancel()
			h.adapter.expectOf("200", "CANCEL")
			cancel := h.service.expect("CANCEL")
			h.service.respond(cancel, 200, "", "")
			if crosses {
				h.service.respond(inv, 200, "", offer("127.0.0.1", farSDP, "recvonly"))
				h.service.expect("ACK")
				h.adapter.expectOf("200", "INVITE")
				c.near.ack("")
			} else {
				h.service.respond(inv, 487, "", "")
				h.service.expect("ACK")
				c.near.nack(h.adapter.expectOf("487", "INVITE"))
			}
			c.far.request("BYE", "")
			h.service.expectOf("200", "BYE")
			h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
	c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
	h.adapter.expect("100")
	h.service.expect("INVITE")
	c.near.nack(h.adapter.expectOf("408", "INVITE"))
	h.vanished(0)
	h.cleared("service-lost")
}

// The caller sends BYE while the call rings (RFC 3261 section 15). This has the effect of a CANCEL.
func TestByeInEarlyDialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		first := append([]string{}, far.invite...)
		far.established(h.service.expect("180"))
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		far.invite = first
		far.nack(h.service.expectOf("487", "INVITE"))
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// If the session description of an answer cannot be relayed, the attempt ends on both sides.
func TestAnswerThatCannotBeRelayed(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.expect("INVITE")
	h.service.respond(inv, 200, "far", "this is no session description\r\n")
	h.service.expect("ACK")
	near.nack(h.adapter.expectOf("502", "INVITE"))
	h.service.respond(h.service.expect("BYE"), 200, "", "")
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
	near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
	near.nack(h.adapter.expectOf("503", "INVITE"))
	h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
	near = h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
	near.nack(h.adapter.expectOf("503", "INVITE"))
	h.machine.saw("2 requested", "2 far end cleared: service-lost", "2 adapter leg cleared: confirmed")
	// an emergency call is tried even so
	near = h.request("999", offer("127.0.0.1", nearSDP, "sendrecv"))
	near.nack(h.adapter.expectOf("503", "INVITE"))
	h.machine.saw("3 requested (emergency)", "3 far end cleared: service-lost", "3 adapter leg cleared: confirmed")
	h.atRest()
}

// The adapter is gone when the call is offered, and nothing answers.
func TestAdapterNeverAnswersInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.expect("INVITE")
		far.nack(h.service.expectOf("408", "INVITE"))
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
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", near())
		h.adapter.expect("ACK")
		caller.established(h.service.expect("200"))
		own := h.adapter.called(inv, "near")
		own.request("INVITE", near())
		synctest.Wait()
		caller.request("BYE", "")
		h.service.expectOf("200", "BYE")
		own.nack(h.adapter.expectOf("487", "INVITE"))
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// The adapter cancels its re-INVITE, which waits for the caller's ACK of the call. The ACK comes right after the
// CANCEL, while the call's mailbox is busy. The order of the wire counts, so the re-INVITE is not sent to the service.
func TestCancelOfReinviteBeforeAck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		ok := h.service.expect("200")
		near := h.adapter.called(inv, "near")
		near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		synctest.Wait()
		hold := make(chan struct{})
		h.agent.call(1).post(func() { <-hold })
		synctest.Wait()
		near.cancel()
		synctest.Wait()
		far.established(ok).ack("")
		synctest.Wait()
		close(hold)
		h.adapter.expectOf("200", "CANCEL")
		near.nack(h.adapter.expectOf("487", "INVITE"))
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}
