package sipua

import (
	"sync/atomic"
	"testing"
	"testing/synctest"
)

// A call that comes while everything is being shut is either passed on and awaited, or refused.
func TestCallCrossesShutdown(t *testing.T) {
	t.Parallel()
	for range 200 {
		g := newGate()
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
func TestEnterBesideOneThatIsStuck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := newGate()
		if !g.enter() {
			t.Fatal("it is shut at the beginning")
		}
		shut := make(chan bool, 1) // buffered for the only answer
		go func() { shut <- g.shut(func() bool { return false }) }()
		synctest.Wait()
		if !g.enter() || g.isShut() {
			t.Error("it is shut while one comes in")
		}
		g.leave()
		synctest.Wait()
		if len(shut) > 0 {
			t.Error("it is shut while the first one still comes in")
		}
		g.leave()
		if !<-shut || g.enter() {
			t.Error("it is not shut, though nobody comes in")
		}
	})
}
