package sipua

import (
	"testing"
	"testing/synctest"
)

// RFC 3665 section 3.1 with a B2BUA between: the far end hangs up an incoming call.
func TestFarEndClearsArrivedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		bye := h.adapter.expect("BYE")
		h.machine.saw("1 far end cleared: bye")
		h.adapter.respond(bye, 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
		h.service.nothing(h.toService)
	})
}

func TestNearEndClearsArrivedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}

func TestFarEndClearsRequestedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 481, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: unknown")
		h.atRest()
	})
}

func TestNearEndClearsRequestedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}
