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
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		bye := h.adapter.Expect("BYE")
		h.machine.saw("1 far end cleared: bye")
		h.adapter.Respond(bye, 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
		h.service.ExpectNothing(h.toService)
	})
}

func TestNearEndClearsArrivedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}

func TestFarEndClearsRequestedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 481, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: unknown")
		h.atRest()
	})
}

func TestNearEndClearsRequestedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
	})
}
