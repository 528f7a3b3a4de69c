package sipua

import (
	"slices"
	"time"
)

// emergencyTestCall is an emergency call that has reached the service.
type emergencyTestCall struct {
	near *peerDialog
	inv  message
}

func (h *testBed) emergencyCallFrom(p *testPeer) emergencyTestCall {
	h.t.Helper()
	d := h.ask(p, "sip:112@"+h.toAdapter.String())
	p.expectOf("100", "INVITE")
	inv := h.service.expect("INVITE")
	h.service.respond(inv, 100, "", "") // without a 100 no CANCEL may follow (RFC 3261 section 9.1)
	return emergencyTestCall{d, inv}
}

// preempted plays the service while a new emergency call takes the place of other. It returns the INVITE of the new
// call, which may come before or after the CANCEL of other.
func (h *testBed) preempted(other *emergencyTestCall) message {
	h.t.Helper()
	inv, cancel := h.service.next(), h.service.next()
	if inv.is("CANCEL") {
		inv, cancel = cancel, inv
	}
	if !inv.is("INVITE") || !cancel.is("CANCEL") || cancel.get("Call-ID") != other.inv.get("Call-ID") {
		h.t.Fatalf("want an INVITE, and a CANCEL of %s; got %s and %s", other.inv.get("Call-ID"), inv, cancel)
	}
	h.service.respond(inv, 100, "", "")
	h.service.respond(cancel, 200, "far", "")
	h.service.respond(other.inv, 487, "far", "")
	h.service.expect("ACK")
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
