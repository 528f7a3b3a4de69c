package sipua

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// After a CANCEL we wait 64*T1 for the final response of the INVITE (RFC 3261 section 9.1). The wait ends with that
// response. So it affects neither later re-INVITEs nor the BYE after a 200 that crossed the CANCEL.
func TestWaitAfterCancelEndsWithTheFinalResponse(t *testing.T) {
	t.Parallel()
	t.Run("a later change", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, shorter)
			c := h.incoming()
			c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.expect("100")
			inv := h.service.expect("INVITE")
			h.service.respond(inv, 100, "", "")
			c.near.cancel()
			h.adapter.expectOf("200", "CANCEL")
			h.service.respond(h.service.expect("CANCEL"), 200, "", "")
			h.service.respond(inv, 487, "", "")
			h.service.expect("ACK")
			c.near.nack(h.adapter.expectOf("487", "INVITE"))
			<-time.After(200 * time.Millisecond)
			c.near.request("INVITE", "")
			h.adapter.expect("100")
			h.service.respond(h.service.expect("INVITE"), 200, "", far())
			h.adapter.expectOf("200", "INVITE")
			h.service.silent(300 * time.Millisecond) // past 64*T1 of the CANCEL; the ACK with the answer is outstanding
			c.near.request("BYE", "")
			h.adapter.expectOf("200", "BYE")
			h.service.expect("ACK") // before the BYE
			h.service.respond(h.service.expect("BYE"), 200, "", "")
			h.machine.saw("1 near end cleared")
			h.done()
		})
	})
	t.Run("a BYE answered late", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, shorter)
			caller := h.arrive(far())
			inv := h.adapter.expect("INVITE")
			h.adapter.respond(inv, 180, "near", "")
			h.service.expect("180")
			elsewhere := `SIP;cause=200;text="Call completed elsewhere"`
			caller.invite[slices.Index(caller.invite, "Max-Forwards: 70")] += "\r\nReason: " + elsewhere
			caller.cancel()
			h.service.expectOf("200", "CANCEL")
			caller.nack(h.service.expectOf("487", "INVITE"))
			h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
			h.adapter.respond(inv, 200, "near", near()) // it crossed the CANCEL
			h.adapter.expect("ACK")
			bye := h.adapter.expect("BYE")
			is(t, bye, "Reason", elsewhere) // RFC 3326 section 2: in any request within a dialog
			h.adapter.silent(500 * time.Millisecond)
			h.adapter.respond(bye, 200, "", "")
			h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 answered",
				"1 adapter leg cleared: confirmed")
			h.atRest()
		})
	})
}

// After a cancelled re-INVITE without a response was abandoned, the next one passes.
func TestChangeAfterACancelledOne(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		h.service.respond(h.service.expect("INVITE"), 100, "", "")
		c.near.cancel()
		h.adapter.expectOf("200", "CANCEL")
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		c.near.nack(h.adapter.expectOf("487", "INVITE"))
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		h.service.respond(h.service.expect("INVITE"), 200, "", offer("127.0.0.1", farSDP, "recvonly"))
		h.service.expect("ACK")
		h.adapter.expectOf("200", "INVITE")
		c.near.ack("")
		h.hangUp(c.near)
	})
}

// A cancelled re-INVITE is in progress until its transaction has ended. A late provisional response lets the CANCEL
// begin only then, and it has 64*T1 from there (RFC 3261 section 9.1).
func TestCancelledChangeWithALateProvisional(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(_ *Options, t *times) { t.firstLivenessCheck = time.Hour })
		c := h.outgoing()
		c.near.request("INVITE", near())
		h.adapter.expect("100")
		began := time.Now()
		inv := h.service.expect("INVITE")
		<-time.After(short(time.Second))
		c.near.cancel()
		h.adapter.expectOf("200", "CANCEL")
		<-time.After(short(30 * time.Second))
		h.service.respond(inv, 180, "", "")
		h.service.past("INVITE", "CANCEL")
		<-time.After(short(20 * time.Second))
		c.far.request("INVITE", far())
		c.far.nack(h.service.past("CANCEL", "491"))
		m := h.adapter.past("180", "487")
		if after := time.Since(began); after != short(63*time.Second) {
			t.Fatalf("ended after %v", after)
		}
		c.near.nack(m)
		h.hangUp(c.near)
	})
}
