package sipua

import (
	"strings"
	"testing"
)

// vanished plays a service that answers whatever is outside of calls, and what is in the call with that code, 0 for
// silence, until it gets the BYE.
func (h *house) vanished(code int) {
	h.t.Helper()
	for {
		m := h.service.next()
		switch {
		case m.is("BYE"):
			h.service.respond(m, 481, "", "")
			return
		case m.is("ACK"):
		case !strings.Contains(m.get("To"), ";tag="):
			h.service.respond(m, 200, "x", "")
		case code > 0:
			h.service.respond(m, code, "", "")
		}
	}
}

// cleared takes the rest of a clearing without a BYE of the far end.
func (h *house) cleared(evidence string) {
	h.t.Helper()
	h.desk.saw("1 far end cleared: " + evidence)
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.desk.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

var _ = testing.Short
