package sipua

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// emergency sets up an answered emergency call of the adapter.
func (h *testBed) emergency() callPair {
	h.t.Helper()
	near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
	h.adapter.ExpectOf("100", "INVITE")
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	near.Established(h.adapter.Expect("200")).Ack("")
	h.machine.saw("1 requested (emergency)", "1 answered")
	return callPair{far: h.service.Called(inv, "psap"), near: near}
}

// learnt answers the OPTIONS that goes to the adapter soon after an emergency call was answered.
func (h *testBed) learnt(code int) {
	h.t.Helper()
	if synctest.Wait(); len(h.adapter.In) == 0 {
		<-time.After(h.agent.times.firstLivenessCheck)
	}
	if m := h.adapter.Expect("OPTIONS"); code > 0 {
		h.adapter.Respond(m, code, "x", "")
	}
}

// silentFor lets time pass. Both ends leave all checks unanswered, and nothing else comes.
func (h *testBed) silentFor(d time.Duration) {
	h.t.Helper()
	<-time.After(d)
	synctest.Wait()
	for _, p := range []*uatest.Peer{h.adapter, h.service} {
		for len(p.In) > 0 {
			if m := p.Next(); !m.Is("OPTIONS") {
				h.t.Fatalf("%s got %s", p.Name, m)
			}
		}
	}
	if len(h.machine.seen) > 0 {
		h.t.Fatalf("event %s", <-h.machine.seen)
	}
}

// asked answers the OPTIONS of a check at both ends; code 0 means no answer.
func (h *testBed) asked(adapter, service int) {
	h.t.Helper()
	for p, code := range map[*uatest.Peer]int{h.adapter: adapter, h.service: service} {
		select {
		case m := <-p.In:
			if !m.Is("OPTIONS") {
				h.t.Fatalf("%s got %s", p.Name, m)
			}
			if code > 0 {
				p.Respond(m, code, "x", "")
			}
		case <-time.After(5*time.Minute + time.Second):
			h.t.Fatalf("%s was not asked", p.Name)
		}
	}
	<-time.After(10 * time.Second)
	synctest.Wait()
}

// gone handles the end of a call whose two ends have vanished.
func (h *testBed) gone() {
	h.t.Helper()
	h.machine.saw("1 adapter lost")
	h.adapter.Expect("BYE")
	h.service.Expect("BYE")
	h.atRest()
}

// An emergency call ends when neither end has answered two checks, 5 min apart, and not earlier. A daemon that is
// shutting down waits for that.
func TestEmergencyCallVanishes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.emergency()
		calls := h.agent.EmergencyCalls()
		ended := make(chan struct{}) // closed when AwaitEnd has returned
		go func() { defer close(ended); h.agent.AwaitEnd(context.Background(), calls) }()
		h.silentFor(10*time.Minute - time.Second)
		select {
		case <-ended:
			t.Fatal("the call ended before the second check")
		default:
		}
		h.asked(0, 0)
		h.gone()
		<-ended
	})
}

// In contrast, the call continues as long as one end sends anything at all, within the call or in answer to a check.
// Neither an answer of the service nor a refusal by the adapter that does not deny the call ends it.
func TestEmergencyCallGoesOn(t *testing.T) {
	t.Parallel()
	for name, answers := range map[string][2]int{
		"adapter answers": {200, 0}, "service answers": {0, 200}, "service knows no call": {0, 481},
		"both refuse": {501, 403},
		"service knows no call and adapter answers": {486, 481}, "service times out": {200, 408},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t)
				c := h.emergency()
				h.learnt(200)
				for range 6 { // half an hour
					h.asked(answers[0], answers[1])
				}
				for range 3 { // one unanswered check between two answered ones
					h.asked(0, 0)
					h.asked(answers[0], answers[1])
				}
				h.hangUp(c.near)
			})
		})
	}
	t.Run("a digit between", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			c := h.emergency()
			h.learnt(200)
			for range 4 {
				h.asked(0, 0)
				c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
				h.service.Expect("INFO")
				h.adapter.ExpectOf("491", "INFO")
			}
			h.hangUp(c.near)
		})
	})
}

// The ends of an answered call are checked inside its dialogs, those of an unanswered call outside. Only inside the
// dialog does a 481 deny the call.
func TestLooksInsideAndOutside(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.emergency()
		h.learnt(200)
		<-time.After(5*time.Minute + time.Second)
		for p, d := range map[*uatest.Peer]*uatest.Dialog{h.adapter: c.near, h.service: c.far} {
			m := p.Expect("OPTIONS")
			is(t, m, "Call-ID", d.CallID)
			is(t, m, "To", d.Local)
			is(t, m, "From", d.Remote)
			p.Respond(m, 200, "", "")
		}
		h.hangUp(c.near)

		h = newVirtualTestBed(t)
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.ExpectOf("100", "INVITE")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		h.adapter.Expect("180")
		<-time.After(5*time.Minute + time.Second)
		for p, id := range map[*uatest.Peer]string{h.adapter: near.CallID, h.service: inv.Get("Call-ID")} {
			m := p.Expect("OPTIONS")
			lacks(t, m.Get("To"), ";tag=")
			contains(t, m.Get("CSeq"), "1 OPTIONS")
			if m.Get("Call-ID") == id {
				t.Fatalf("a check inside the call: %s", m)
			}
			p.Respond(m, 200, "x", "")
		}
		h.service.Respond(inv, 486, "psap", "")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.service.Expect("ACK")
		h.machine.saw("1 requested (emergency)", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// The adapter does not know the call (RFC 3261 section 12.2.1.2) but has known it before. The call ends at once. A 408
// comes from a proxy whose far end sends nothing (section 8.1.3.1).
func TestEmergencyCallUnknownToTheAdapter(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, service := range []int{200, 0} {
			h := newVirtualTestBed(t)
			h.emergency()
			h.learnt(299) // RFC 3261 section 7.2: any 2xx is a success
			h.asked(481, service)
			h.gone()
		}
		h := newVirtualTestBed(t)
		h.emergency()
		h.learnt(0)
		h.asked(0, 408)
		h.asked(0, 408)
		h.gone()
	})
}

// The adapter is not asked about an emergency call that ends or has ended before the first check.
func TestEmergencyCallEndsBeforeTheFirstCheck(t *testing.T) {
	t.Parallel()
	for _, over := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			c := h.emergency()
			if !over {
				<-time.After(h.agent.times.firstLivenessCheck - time.Second)
			}
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			bye := h.adapter.Expect("BYE")
			if over {
				h.adapter.Respond(bye, 200, "", "")
			}
			<-time.After(h.agent.times.firstLivenessCheck + 1)
			h.adapter.ExpectNone()
			if !over {
				h.adapter.Respond(bye, 200, "", "")
			}
		})
	}
}

// An emergency call that rings at the centre is not ended for ringing long, but it ends if both ends vanish. They are
// checked outside the call.
func TestUnansweredEmergencyCallVanishes(t *testing.T) {
	t.Parallel()
	for _, vanishes := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			h.adapter.ExpectOf("100", "INVITE")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 180, "psap", "")
			h.adapter.Expect("180")
			h.machine.saw("1 requested (emergency)")
			if vanishes {
				h.asked(0, 0)
				h.asked(0, 0)
				h.adapter.ExpectOf("480", "INVITE")
				h.machine.saw("1 adapter lost")
				h.service.Expect("CANCEL")
				h.atRest()
				return
			}
			for range 6 {
				h.asked(481, 0) // the adapter is up, and was asked outside the call
			}
			h.service.Respond(inv, 486, "psap", "")
			near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
			h.service.Expect("ACK")
			h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			h.atRest()
		})
	}
}

// In contrast, an adapter that answers every OPTIONS in a call with 481 (common practice) keeps its emergency call,
// even when it asks for another one, and when it registers again.
func TestEmergencyCallOfAnAdapterThatKnowsNoOptions(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		c := h.emergency()
		h.learnt(481)
		for range 6 {
			<-time.After(time.Minute)
			h.line.emergencyCalls.checkEnds()
			h.asked(481, 200)
		}
		h.register(h.adapter)
		h.learnt(481)
		h.hangUp(c.near)
	})
}

// After a 481 to another method, the adapter is asked by OPTIONS.
func TestEmergencyCallThatMayBeUnknown(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, says := range []int{200, 481} {
			h := newVirtualTestBed(t)
			c := h.emergency()
			h.learnt(200)
			c.far.Request("INFO", "", "")
			h.adapter.Respond(h.adapter.Expect("INFO"), 481, "x", "")
			h.learnt(says)
			h.service.ExpectOf("491", "INFO")
			if says == 481 {
				h.gone()
			} else {
				h.hangUp(c.near)
			}
		}
	})
}

// Three emergency calls without answers from either end do not block a new one, even from an unverified address. They
// do block it if the service answers, since a sender with a forged adapter address need not answer.
func TestVanishedCallsMakeRoom(t *testing.T) {
	t.Parallel()
	for _, vanished := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			m := &memoryNetwork{}
			h := newTestBedIn(t, m)
			other := m.newTestPeer(t, "other port", "127.0.0.1")
			for i := range 3 {
				near := h.ask(other, "sip:999@"+h.toAdapter.String())
				other.ExpectOf("100", "INVITE")
				inv := h.service.Expect("INVITE")
				h.service.Respond(inv, 200, "psap"+num(i), uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
				h.service.Expect("ACK")
				near.Established(other.Expect("200")).Ack("")
				h.machine.saw(num(i+1)+" requested (emergency)", num(i+1)+" answered")
			}
			<-time.After(time.Minute)
			refused := h.ask(other, "sip:999@"+h.toAdapter.String())
			for range 3 { // each starts a check of the others
				if m := h.service.Expect("OPTIONS"); !vanished {
					h.service.Respond(m, 200, "x", "")
				}
			}
			refused.AckFailure(other.ExpectAfter("OPTIONS", "503"))
			<-time.After(time.Minute)
			h.ask(other, "sip:999@"+h.toAdapter.String())
			want := "503"
			if vanished {
				want = "100"
			}
			other.ExpectAfter("OPTIONS", want)
			for _, c := range h.agent.up() {
				c.post(c.abandon)
			}
		})
	}
}

// New emergency calls start an early check of the line's other ones. That does not end those calls earlier.
func TestEarlyLivenessChecksEndNoCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.emergency()
		for range 3 {
			<-time.After(time.Minute)
			h.line.emergencyCalls.checkEnds()
		}
		h.silentFor(5*time.Minute - time.Second) // since the last check
		h.asked(0, 0)
		h.gone()
	})
}

// Repeated forged emergency calls do not cause repeated checks.
func TestEmergencyLivenessPace(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.emergency()
		for range 5 {
			h.line.emergencyCalls.checkEnds()
			synctest.Wait()
		}
		h.service.ExpectNothing(h.toService)
		<-time.After(askAgain)
		for range 5 {
			h.line.emergencyCalls.checkEnds()
			synctest.Wait()
		}
		h.service.Respond(h.service.Expect("OPTIONS"), 200, "x", "")
		h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "x", "")
		synctest.Wait()
		h.line.emergencyCalls.checkEnds()
		h.service.ExpectNothing(h.toService)
		for _, c := range h.agent.up() {
			c.post(c.abandon)
		}
	})
}
