package sipua

import (
	"slices"
	"time"

	"clearback/bridge/sipua/uatest"
)

// emergencyTestCall is an emergency call that has reached the service.
type emergencyTestCall struct {
	near *uatest.Dialog
	inv  uatest.Message
}

func (h *testBed) emergencyCallFrom(p *uatest.Peer) emergencyTestCall {
	h.t.Helper()
	d := h.ask(p, "sip:112@"+h.toAdapter.String())
	p.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 100, "", "") // without a 100 no CANCEL may follow (RFC 3261 section 9.1)
	return emergencyTestCall{d, inv}
}

// preempted plays the service while a new emergency call takes the place of other. It returns the INVITE of the new
// call, which may come before or after the CANCEL of other.
func (h *testBed) preempted(other *emergencyTestCall) uatest.Message {
	h.t.Helper()
	inv, cancel := h.service.Next(), h.service.Next()
	if inv.Is("CANCEL") {
		inv, cancel = cancel, inv
	}
	if !inv.Is("INVITE") || !cancel.Is("CANCEL") || cancel.Get("Call-ID") != other.inv.Get("Call-ID") {
		h.t.Fatalf("want an INVITE, and a CANCEL of %s; got %s and %s", other.inv.Get("Call-ID"), inv, cancel)
	}
	h.service.Respond(inv, 100, "", "")
	h.service.Respond(cancel, 200, "far", "")
	h.service.Respond(other.inv, 487, "far", "")
	h.service.Expect("ACK")
	return inv
}

// awaitEvent takes events in any order.
func (d *machineStandIn) awaitEvent(want ...string) {
	d.t.Helper()
	var got []string
	for range want {
		select {
		case ev := <-d.seen:
			got = append(got, ev)
		case <-time.After(testTimeout):
			d.t.Fatalf("events %q and no more, want %q", got, want)
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		d.t.Fatalf("events %q, want %q", got, want)
	}
}
