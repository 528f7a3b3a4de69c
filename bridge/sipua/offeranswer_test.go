package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// The 200 to an INVITE without an offer has the offer. Until the ACK answers it, neither side may make another offer
// (RFC 3311 section 5.2). An offer that the 200 answers is complete.
func TestPendingOfferIn200(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive("")
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		d.Established(h.service.Expect("200"))
		c := callPair{far: d, near: h.adapter.Called(inv, "near")}
		c.near.Request("UPDATE", near())
		least, most := 10, 0
		for range 500 { // the wait is 0 to 10 s; the chance to miss one value is 10^-20
			wait := atoi(h.adapter.ExpectOf("500", "UPDATE").Get("Retry-After"))
			least, most = min(least, wait), max(most, wait)
			c.near.Request("UPDATE", near())
		}
		require.Equal(t, [2]int{0, 10}, [2]int{least, most})
		h.adapter.ExpectOf("500", "UPDATE")
		c.far.Request("UPDATE", far())
		is(t, h.service.ExpectOf("491", "UPDATE"), "Retry-After", "")
		c.far.RequestSeq("ACK", 1, far())
		require.Equal(t, far(), h.adapter.Expect("ACK").Body)
		h.updates(c.near, h.service)
		h.updates(c.far, h.adapter)
		h.hangUp(c.near, "1 arrived", "1 answered")

		h = newVirtualTestBed(t)
		d = h.request("5550150", near())
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		d.Established(h.adapter.Expect("200"))
		c = callPair{near: d, far: h.service.Called(inv, "far")}
		h.updates(c.far, h.adapter)
		d.Ack("")
		h.updates(c.near, h.service)
		h.hangUp(c.near, "1 requested", "1 answered")
	})
}

// updates changes a call by an answered UPDATE with an offer.
func (h *testBed) updates(from *uatest.Dialog, there *uatest.Peer) {
	h.t.Helper()
	from.Request("UPDATE", near())
	there.Respond(there.Expect("UPDATE"), 200, "", far())
	from.P.ExpectOf("200", "UPDATE")
}

// The 200 to a re-INVITE is never acknowledged. The answering side still gets an ACK, without an answer to its offer.
// The silent side is asked whether it is there. If it is, the call continues and can be changed again.
func TestReinviteIsNotAcknowledged(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c := h.incoming()
		c.near.Request("INVITE", "")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "", far())
		h.adapter.ExpectOf("200", "INVITE")
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay") // no offer, so it need not wait
		h.service.Respond(h.service.Expect("INFO"), 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		began := time.Now()
		ack := h.service.Expect("ACK")
		require.Empty(t, ack.Body)
		require.InDelta(t, 440, time.Since(began).Milliseconds(), 60, "64*T1 are 400 ms here")
		h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "", "")
		h.updates(c.near, h.service)
		h.updates(c.far, h.adapter)
		h.hangUp(c.near)
	})
}

// A reliable response without a session description answers no offer. Until the answer comes, the caller may make no
// other offer (RFC 3311 section 5.1).
func TestReliableResponseWithoutAnAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n, inv, m := h.ringsReliably()
		d := n.Early(m)
		d.Request("PRACK", "", rack(m))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		d.Request("UPDATE", near())
		h.adapter.ExpectOf("500", "UPDATE")
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		d.Invite = n.Invite
		d.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		h.updates(d, h.service)
		h.hangUp(d, "1 requested", "1 answered")
	})
}
