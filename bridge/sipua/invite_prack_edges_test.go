package sipua

import (
	"testing"
	"testing/synctest"
)

// In an emergency call we send the PRACK to the centre at once (RFC 3262 section 4). A caller that insists on reliable
// responses gets its own answered here, and the centre gets no second PRACK.
func TestPrackInEmergencyIsAnsweredHere(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("999", near(), "Require: 100rel")
		inv := h.service.Expect("INVITE")
		h.service.RespondReliably(inv, 183, "far", far(), 1)
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		m := h.adapter.Expect("183")
		d := near.Early(m)
		d.Request("PRACK", "", rack(m))
		h.adapter.ExpectOf("200", "PRACK")
		h.service.ExpectNone()
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		d.Invite = near.Invite
		d.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		h.hangUp(d, "1 requested (emergency)", "1 answered")
	})
}

// A REFER that comes while the 200 still waits for the PRACK of the answer (RFC 3262 section 3) is refused: for its
// sender the call is not answered.
func TestTransferBeforeTheAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", near(), "Supported: 100rel")
		inv := h.service.Expect("INVITE")
		h.service.RespondReliably(inv, 183, "far", far(), 1)
		m := h.adapter.Expect("183")
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		d := near.Early(m)
		d.Request("REFER", "", "Refer-To: <sip:5550151@millrace.example>")
		h.adapter.ExpectOf("491", "REFER")
		h.service.ExpectNone()
		d.Request("PRACK", "", rack(m))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		ok := h.adapter.ExpectOf("200", "INVITE")
		h.adapter.ExpectOf("200", "PRACK")
		d.Invite = near.Invite
		d.Established(ok).Ack("")
		h.hangUp(d, "1 requested", "1 answered")
	})
}
