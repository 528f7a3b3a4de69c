package sipua

import (
	"testing"
	"testing/synctest"
	"time"
)

// An adapter restarts. Calls to it are offered until its registration has expired, and refused from then on. As soon as
// it registers again, calls ring. (TestAdapterRegistersAnewInCall has a call that was up.)
func TestAdapterRestarts(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.registerFor(h.adapter, 60)
		began := time.Now()
		<-time.After(59*time.Second - time.Since(began)) // it neither answers nor registers
		d := h.arrive(far())
		h.adapter.Expect("INVITE")
		h.machine.saw("1 arrived")
		d.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		d.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.machine.saw("1 far end cleared: bye")
		<-time.After(61*time.Second - time.Since(began))
		if h.line.Status().Bound {
			t.Fatal("the adapter counts as registered")
		}
		target := "sip:" + serviceUser + "@" + h.toService.String()
		d = h.service.Call(target, "<sip:5550151@pbx.example>", h.toService, far())
		d.AckFailure(h.service.ExpectOf("480", "INVITE"))
		h.machine.saw("1 adapter leg cleared: no answer", "2 refused: not-here")

		h.registerFor(h.adapter, 60)
		h.incomingAs(3)
	})
}
