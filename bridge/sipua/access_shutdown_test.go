package sipua

import (
	"cmp"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// A call that comes while everything is being shut is either passed on and awaited, or refused.
func TestCallCrossesShutdown(t *testing.T) {
	t.Parallel()
	for range 200 {
		g := newAdmission()
		var up atomic.Bool
		entered := make(chan bool, 1) // buffered for the only answer
		go func() {
			open := g.enter()
			if open {
				up.Store(true)
				g.leave()
			}
			entered <- open
		}()
		shut := g.shut(up.Load)
		if open := <-entered; open == shut {
			t.Fatalf("entered: %t, shut: %t", open, shut)
		}
	}
}

// A call is stuck because an answer to it cannot be written. Emergency calls are still admitted, even while a shutdown
// waits.
func TestAdmissionDoesNotWaitForStuckCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := newAdmission()
		if !g.enter() {
			t.Fatal("the gate is shut at the beginning")
		}
		shut := make(chan bool, 1) // buffered for the only answer
		go func() { shut <- g.shut(func() bool { return false }) }()
		synctest.Wait()
		if !g.enter() || g.isShut() {
			t.Error("the gate was shut while a call was being admitted")
		}
		g.leave()
		synctest.Wait()
		if len(shut) > 0 {
			t.Error("the gate was shut while the first call was still being admitted")
		}
		g.leave()
		if !<-shut || g.enter() {
			t.Error("the gate is open, though no call is being admitted")
		}
	})
}

// The unanswered calls of a line are cleared first, then the answered ones, each in the order in which they began.
// During an emergency call no answered call is cleared.
func TestOrderOfClearing(t *testing.T) {
	t.Parallel()
	for _, emergency := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			h.incoming()
			for range 3 {
				h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
					uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
				h.adapter.Expect("INVITE")
			}
			synctest.Wait()
			calls := h.agent.up()
			slices.SortFunc(calls, func(x, y *call) int { return cmp.Compare(y.id, x.id) })
			clearInTurn(calls, emergency, time.Now())
			want := []string{"2 arrived", "3 arrived", "4 arrived",
				"2 far end cleared: shutdown", "3 far end cleared: shutdown", "4 far end cleared: shutdown"}
			if !emergency {
				want = append(want, "1 far end cleared: shutdown")
			}
			h.machine.saw(want...)
			for _, c := range h.agent.up() {
				c.post(c.abandon)
			}
		})
	}
}
