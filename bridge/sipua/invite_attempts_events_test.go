package sipua

import (
	"slices"
	"testing"
	"testing/synctest"
)

// The outcome of each attempt at an emergency call is reported: no answer if the caller gave up, and the answer itself
// if it was a second one or crossed the CANCEL.
func TestAttemptOutcomesArePosted(t *testing.T) {
	t.Parallel()
	help := func(t *testing.T) (*testBed, *peerDialog, message) {
		h := newVirtualTestBed(t)
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.expectOf("100", "INVITE")
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "psap", "")
		h.adapter.expect("180")
		return h, near, inv
	}
	told := func(t *testing.T, h *testBed, want ...string) {
		t.Helper()
		synctest.Wait()
		if got := h.machine.attemptEvents(); !slices.Equal(got, want) {
			t.Fatalf("told %q, want %q", got, want)
		}
	}
	synctest.Test(t, func(t *testing.T) {
		h, near, inv := help(t)
		near.cancel()
		h.adapter.expectOf("200", "CANCEL")
		near.nack(h.adapter.expectOf("487", "INVITE"))
		told(t, h, "1 attempt ended: 0 ringing")
		h.service.respond(h.service.expect("CANCEL"), 200, "psap", "")
		h.service.respond(inv, 200, "psap", far()) // it crossed the CANCEL
		h.service.expect("ACK")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		told(t, h, "1 attempt ended: 200 ringing")
		h.machine.saw("1 requested (emergency)", "1 near end cleared")
		h.atRest()
	})
	synctest.Test(t, func(t *testing.T) {
		h, near, inv := help(t)
		h.service.respond(inv, 200, "psap", far())
		h.service.expect("ACK")
		near.established(h.adapter.expect("200")).ack("")
		told(t, h)
		h.service.respond(inv, 200, "another", far())
		h.service.expect("ACK")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		told(t, h, "1 attempt ended: 200 ringing")
		h.hangUp(near, "1 requested (emergency)", "1 answered")
	})
}
