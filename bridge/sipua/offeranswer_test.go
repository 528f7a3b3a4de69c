package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// The 200 to an INVITE without an offer has the offer. Until the ACK answers it, neither side may make another offer
// (RFC 3311 section 5.2). An offer that the 200 answers is complete.
func TestPendingOfferIn200(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive("")
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", near())
		d.established(h.service.expect("200"))
		c := callPair{far: d, near: h.adapter.called(inv, "near")}
		c.near.request("UPDATE", near())
		least, most := 10, 0
		for range 500 { // the wait is 0 to 10 s; the chance to miss one value is 10^-20
			wait := atoi(h.adapter.expectOf("500", "UPDATE").get("Retry-After"))
			least, most = min(least, wait), max(most, wait)
			c.near.request("UPDATE", near())
		}
		require.Equal(t, [2]int{0, 10}, [2]int{least, most})
		h.adapter.expectOf("500", "UPDATE")
		c.far.request("UPDATE", far())
		is(t, h.service.expectOf("491", "UPDATE"), "Retry-After", "")
		c.far.requestSeq("ACK", 1, far())
		require.Equal(t, far(), h.adapter.expect("ACK").body)
		h.updates(c.near, h.service)
		h.updates(c.far, h.adapter)
		h.hangUp(c.near, "1 arrived", "1 answered")

		h = newVirtualTestBed(t)
		d = h.request("5550150", near())
		inv = h.service.expect("INVITE")
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		d.established(h.adapter.expect("200"))
		c = callPair{near: d, far: h.service.called(inv, "far")}
		h.updates(c.far, h.adapter)
		d.ack("")
		h.updates(c.near, h.service)
		h.hangUp(c.near, "1 requested", "1 answered")
	})
}

// updates changes a call by an answered UPDATE with an offer.
func (h *testBed) updates(from *peerDialog, there *testPeer) {
	h.t.Helper()
	from.request("UPDATE", near())
	there.respond(there.expect("UPDATE"), 200, "", far())
	from.p.expectOf("200", "UPDATE")
}

// The 200 to a re-INVITE is never acknowledged. The answering side still gets an ACK, without an answer to its offer.
// The silent side is asked whether it is there. If it is, the call continues and can be changed again.
func TestReinviteIsNotAcknowledged(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c := h.incoming()
		c.near.request("INVITE", "")
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 200, "", far())
		h.adapter.expectOf("200", "INVITE")
		c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay") // no offer, so it need not wait
		h.service.respond(h.service.expect("INFO"), 200, "", "")
		h.adapter.expectOf("200", "INFO")
		began := time.Now()
		ack := h.service.expect("ACK")
		require.Empty(t, ack.body)
		require.InDelta(t, 440, time.Since(began).Milliseconds(), 60, "64*T1 are 400 ms here")
		h.adapter.respond(h.adapter.expect("OPTIONS"), 200, "", "")
		h.updates(c.near, h.service)
		h.updates(c.far, h.adapter)
		h.hangUp(c.near)
	})
}
