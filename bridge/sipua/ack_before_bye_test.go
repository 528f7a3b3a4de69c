package sipua

import (
	"testing"

	"clearback/bridge/sipua/uatest"
)

// The far end clears while the adapter waits for the ACK of its 200 to a re-INVITE. That ACK would have carried the far
// end's answer. The adapter gets an ACK and then the BYE (RFC 3261 section 15).
func TestAckBeforeBye(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	c := h.incoming()
	c.far.Request("INVITE", "")
	h.service.Expect("100")
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.service.ExpectOf("200", "INVITE")
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	ack := h.adapter.Expect("ACK")
	if n, _ := ack.CSeq(); ack.Get("CSeq") != num(n)+" ACK" || inv.Get("CSeq") != num(n)+" INVITE" {
		t.Fatalf("another ACK: %s", ack)
	}
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}
