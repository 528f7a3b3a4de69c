package sipua

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// The outcome of each attempt at an emergency call is reported: no answer if the caller gave up, and the answer itself
// if it was a second one or crossed the CANCEL.
func TestAttemptOutcomesArePosted(t *testing.T) {
	t.Parallel()
	help := func(t *testing.T) (*testBed, *uatest.Dialog, uatest.Message) {
		h := newVirtualTestBed(t)
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		h.adapter.Expect("180")
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
		near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		told(t, h, "1 attempt ended: 0 ringing")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "psap", "")
		h.service.Respond(inv, 200, "psap", far()) // it crossed the CANCEL
		h.service.Expect("ACK")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		told(t, h, "1 attempt ended: 200 ringing")
		h.machine.saw("1 requested (emergency)", "1 near end cleared")
		h.atRest()
	})
	synctest.Test(t, func(t *testing.T) {
		h, near, inv := help(t)
		h.service.Respond(inv, 200, "psap", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		told(t, h)
		h.service.Respond(inv, 200, "psap", far(), "Subject: repeated") // a retransmission is no second answer
		h.service.Expect("ACK")
		told(t, h)
		h.service.Respond(inv, 200, "another", far())
		h.service.Expect("ACK")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		told(t, h, "1 attempt ended: 200 ringing")
		h.hangUp(near, "1 requested (emergency)", "1 answered")
	})
}

// The outcome of an attempt that was abandoned for the other service is reported too, when it comes.
func TestLateOutcomeOfAnAbandonedAttemptIsPosted(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, func(_ *Options, t *times) { t.recoveryProbe = time.Hour })
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		first := h.service.Expect("INVITE")
		second := reserve.Expect("INVITE")
		reserve.Respond(second, 200, "psap", far())
		reserve.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.service.Respond(first, 486, "late", "")
		h.service.Expect("ACK")
		synctest.Wait()
		if got, want := h.machine.attemptEvents(), []string{"1 attempt ended: 486 none"}; !slices.Equal(got, want) {
			t.Fatalf("told %q, want %q", got, want)
		}
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		reserve.Respond(reserve.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested (emergency)", "1 answered", "1 near end cleared")
		h.atRest()
	})
}
