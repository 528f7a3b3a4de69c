package sipua

import "testing"

// The far end clears while the adapter waits for the ACK of its 200 to a re-INVITE. That ACK would have carried the far
// end's answer. The adapter gets an ACK and then the BYE (RFC 3261 section 15).
func TestAckBeforeBye(t *testing.T) {
	t.Parallel()
	h := newTestBed(t)
	c := h.incoming()
	c.far.request("INVITE", "")
	h.service.expect("100")
	inv := h.adapter.expect("INVITE")
	h.adapter.respond(inv, 200, "", offer("127.0.0.1", nearSDP, "sendrecv"))
	h.service.expectOf("200", "INVITE")
	c.far.request("BYE", "")
	h.service.expectOf("200", "BYE")
	ack := h.adapter.expect("ACK")
	if n, _ := ack.cseq(); ack.get("CSeq") != num(n)+" ACK" || inv.get("CSeq") != num(n)+" INVITE" {
		t.Fatalf("another ACK: %s", ack)
	}
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}
