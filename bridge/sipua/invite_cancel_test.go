package sipua

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// After a CANCEL we wait 64*T1 for the final response of the INVITE (RFC 3261 section 9.1). The wait ends with that
// response. So it affects neither later re-INVITEs nor the BYE after a 200 that crossed the CANCEL.
func TestWaitAfterCancelEndsWithTheFinalResponse(t *testing.T) {
	t.Parallel()
	t.Run("a later change", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, shorter)
			c := h.incoming()
			c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.Expect("100")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 100, "", "")
			c.near.Cancel()
			h.adapter.ExpectOf("200", "CANCEL")
			h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
			h.service.Respond(inv, 487, "", "")
			h.service.Expect("ACK")
			c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
			<-time.After(200 * time.Millisecond)
			c.near.Request("INVITE", "")
			h.adapter.Expect("100")
			h.service.Respond(h.service.Expect("INVITE"), 200, "", far())
			h.adapter.ExpectOf("200", "INVITE")
			h.service.ExpectSilence(300 * time.Millisecond) // past 64*T1 of the CANCEL; the ACK with the answer is outstanding
			c.near.Request("BYE", "")
			h.adapter.ExpectOf("200", "BYE")
			h.service.Expect("ACK") // before the BYE
			h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			h.machine.saw("1 near end cleared")
			h.done()
		})
	})
	t.Run("a BYE answered late", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, shorter)
			caller := h.arrive(far())
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, 180, "near", "")
			h.service.Expect("180")
			elsewhere := `SIP;cause=200;text="Call completed elsewhere"`
			caller.Invite[slices.Index(caller.Invite, "Max-Forwards: 70")] += "\r\nReason: " + elsewhere
			caller.Cancel()
			h.service.ExpectOf("200", "CANCEL")
			caller.AckFailure(h.service.ExpectOf("487", "INVITE"))
			h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
			h.adapter.Respond(inv, 200, "near", near()) // it crossed the CANCEL
			h.adapter.Expect("ACK")
			bye := h.adapter.Expect("BYE")
			is(t, bye, "Reason", elsewhere) // RFC 3326 section 2: in any request within a dialog
			h.adapter.ExpectSilence(500 * time.Millisecond)
			h.adapter.Respond(bye, 200, "", "")
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
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		h.service.Respond(h.service.Expect("INVITE"), 100, "", "")
		c.near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		h.service.Respond(h.service.Expect("INVITE"), 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		c.near.Ack("")
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
		c.near.Request("INVITE", near())
		h.adapter.Expect("100")
		began := time.Now()
		inv := h.service.Expect("INVITE")
		<-time.After(short(time.Second))
		c.near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		<-time.After(short(30 * time.Second))
		h.service.Respond(inv, 180, "", "")
		h.service.ExpectAfter("INVITE", "CANCEL")
		<-time.After(short(20 * time.Second))
		c.far.Request("INVITE", far())
		c.far.AckFailure(h.service.ExpectAfter("CANCEL", "491"))
		m := h.adapter.ExpectAfter("180", "487")
		if after := time.Since(began); after != short(63*time.Second) {
			t.Fatalf("ended after %v", after)
		}
		c.near.AckFailure(m)
		h.hangUp(c.near)
	})
}
