package sipua

import (
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// Each expectation names its section of RFC 4028, from memory. A second of a session timer is a few milliseconds here.

// timed makes the line ask the service for session timers of the given seconds, each lasting second.
func timed(seconds int, second time.Duration) setting {
	return func(o *Options, t *times) {
		o.Lines[0].SessionExpires = time.Duration(seconds) * time.Second
		t.second = second
	}
}

const knowsUpdate = "Allow: INVITE, ACK, BYE, CANCEL, UPDATE"

// answered sets up an answered call from the adapter. The service's 200 has these header fields. It returns the INVITE
// too.
func (h *testBed) answered(extra ...string) (callPair, uatest.Message) {
	h.t.Helper()
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), extra...)
	h.service.Expect("ACK")
	near.Established(h.adapter.Expect("200")).Ack("")
	h.machine.saw("1 requested", "1 answered")
	return callPair{far: h.service.Called(inv, "far"), near: near}, inv
}

// expired handles a far-end clearing after a missing refresh: BYE on both sides.
func (h *testBed) expired() {
	h.t.Helper()
	h.machine.saw("1 far end cleared: session-expired") // Late is 0: nobody knows when it vanished
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

func is(t testing.TB, m uatest.Message, field, want string) {
	t.Helper()
	if got := strings.Join(m.All(field), ", "); got != want {
		t.Fatalf("%s: %q, want %q in %s", field, got, want, m)
	}
}

// We refresh by UPDATE at half the interval, successfully (sections 7.1, 7.2, 7.4, 10).
func TestSessionRefreshedByUpdate(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 600*time.Microsecond))
		began := time.Now()
		c, inv := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", knowsUpdate)
		contains(t, inv.Get("Supported"), "timer")
		is(t, inv, "Session-Expires", "1800")
		is(t, inv, "Min-SE", "")
		for range 2 {
			update := h.service.Expect("UPDATE")
			if early := time.Since(began); early < 510*time.Millisecond {
				t.Fatalf("refreshed after %v", early)
			}
			is(t, update, "Session-Expires", "1800;refresher=uac")
			is(t, update, "Supported", "timer")
			if update.Body != "" || update.Get("Contact") == "" {
				t.Fatalf("an UPDATE that refreshes has a Contact and no offer: %s", update)
			}
			began = time.Now()
			h.service.Respond(update, 200, "", "", "Session-Expires: 1800;refresher=uac", "Require: timer")
		}
		h.adapter.ExpectNothing(h.toAdapter)
		h.hangUp(c.near)
	})
}

// A peer without support for UPDATE gets a re-INVITE with its present description, unchanged (section 7.4, RFC 3264
// section 8). After a collision it is retried (RFC 3261 section 14.1).
func TestSessionRefreshedByInvite(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying, timed(1800, 4*time.Millisecond))
	c, first := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
	inv := h.service.Expect("INVITE")
	is(t, inv, "Session-Expires", "1800;refresher=uac")
	if inv.Body != first.Body {
		t.Fatalf("the description changed:\n%s\nwas\n%s", inv.Body, first.Body)
	}
	c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly")) // crosses the refresh
	c.far.AckFailure(h.service.ExpectOf("491", "INVITE"))
	h.service.Respond(inv, 491, "", "")
	h.service.Expect("ACK")
	again := h.service.Expect("INVITE")
	h.service.Respond(again, 200, "", uatest.Offer("127.0.0.1", farSDP+8, "sendrecv"), "Session-Expires: 1800;refresher=uac",
		"Require: timer")
	ack := h.service.Expect("ACK")
	if n, _ := again.CSeq(); !strings.HasPrefix(ack.Get("CSeq"), num(n)+" ") || ack.Body != "" {
		t.Fatalf("ACK: %s", ack)
	}
	var moved netip.AddrPort
	call := h.agent.call(1)
	call.runInMailbox(func() { moved = call.path.streams[0].sides[media.ServiceSide].rtp })
	if moved.Port() != farSDP+8 {
		t.Fatalf("media is sent to %v", moved)
	}
	h.adapter.ExpectNothing(h.toAdapter)
	h.hangUp(c.near)
}

// If a refresh gets 481 or no answer, and a second request fares no better, the call ends: the far end is gone (section
// 10). The call also ends if the far end does not send a refresh that it must send.
func TestSessionExpires(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, code := range []int{481, 408} {
			h := newVirtualTestBed(t, timed(90, time.Millisecond))
			h.answered("Session-Expires: 90;refresher=uac", "Require: timer", knowsUpdate)
			h.service.Respond(h.service.Expect("UPDATE"), code, "", "")
			h.vanished(code)
			h.cleared("session-expired")
		}
		h := newVirtualTestBed(t, timed(90, 2*time.Millisecond))
		h.answered("Session-Expires: 90;refresher=uas", "Require: timer", knowsUpdate)
		began := time.Now()
		h.expired()
		// min(32 s, 90 s / 3) before 90 s: 60 s
		if took := time.Since(began); took < 100*time.Millisecond {
			t.Fatalf("ended after %v", took)
		}
	})
}

// The peer refreshes. We answer UPDATE without a body, and a re-INVITE passes (section 9). The negotiated interval
// keeps the call up beyond the first one.
func TestSessionRefreshedByPeer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 8*time.Millisecond))
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Supported: timer", "Session-Expires: 90;refresher=uac")
		inv := h.adapter.Expect("INVITE")
		is(t, inv, "Session-Expires", "") // an adapter is not asked
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		is(t, ok, "Session-Expires", "90;refresher=uac")
		is(t, ok, "Require", "timer")
		far.Established(ok).Ack("")
		h.machine.saw("1 arrived", "1 answered")
		c := callPair{far: far, near: h.adapter.Called(inv, "near")}
		began := time.Now()
		for time.Since(began) < time.Second { // the first interval would end after 480 ms
			<-time.After(200 * time.Millisecond)
			far.Request("UPDATE", "", "Supported: timer", "Session-Expires: 90;refresher=uac")
			ok := h.service.ExpectOf("200", "UPDATE")
			is(t, ok, "Session-Expires", "90;refresher=uac")
			contains(t, ok.Get("Contact"), h.toService.String())
		}
		far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Supported: timer",
			"Session-Expires: 100;refresher=uas")
		h.service.Expect("100")
		inv = h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok = h.service.ExpectOf("200", "INVITE")
		is(t, ok, "Session-Expires", "100;refresher=uas")
		far.Ack("")
		// from here on we refresh; the peer does not support UPDATE
		again := h.service.Expect("INVITE")
		is(t, again, "Session-Expires", "100;refresher=uac")
		h.service.Respond(again, 200, "", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		// the answer has no timer, and the previous one would have expired after 544 ms
		<-time.After(600 * time.Millisecond)
		h.hangUp(c.near)
	})
}

// The peer is there but refuses: it rejects UPDATE, asks for credentials, or asks for a later retry. If the call ends
// meanwhile, its refresh is cancelled.
func TestSessionRefreshRefused(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 500*time.Microsecond))
		c, first := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", knowsUpdate)
		// whatever the code and its Allow
		h.service.Respond(h.service.Expect("UPDATE"), 403, "", "", knowsUpdate)
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 401, "", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", algorithm=MD5, qop="auth"`)
		h.service.Expect("ACK")
		inv = h.service.Expect("INVITE")
		credentials(t, inv, "Authorization", "INVITE")
		h.service.Respond(inv, 500, "", "", "Retry-After: 0")
		h.service.Expect("ACK")
		inv = h.service.Expect("INVITE")
		if inv.Body != first.Body {
			t.Fatalf("the description changed: %s", inv.Body)
		}
		h.service.Respond(inv, 100, "", "")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		h.service.Respond(inv, 487, "", "")
		h.service.Expect("ACK")
		h.machine.saw("1 near end cleared")
		h.done()
	})
}

// While media of the peer comes, the outcome of a refresh has no effect. Only the end of the session counts.
func TestSessionRefreshUnansweredWhileMediaFlows(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var heard atomic.Pointer[time.Time] // the far end's last packet
		second := 4 * time.Millisecond
		h := newVirtualTestBed(t, timed(1800, second), func(o *Options, _ *times) {
			o.reception = func(_ supervision.CallID, side media.Side) (last time.Time) {
				if at := heard.Load(); at != nil && side == media.ServiceSide {
					last = *at
				}
				return last
			}
		})
		h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", knowsUpdate)
		update := h.service.Expect("UPDATE")
		for range 2 {
			time.Sleep(second)
			now := time.Now()
			heard.Store(&now)
			h.service.Respond(update, 408, "", "")
			update = h.service.Expect("UPDATE")
			if took := time.Since(now); took != second {
				t.Fatalf("the next refresh came after %v, want %v", took, second)
			}
		}
		h.service.Respond(update, 408, "", "") // from now on it sends nothing
		h.vanished(408)
		h.cleared("session-expired")
	})
}

// We answer a 422 by asking for more, and send one if an interval is too small (sections 6, 7.1, 9).
func TestSessionIntervals(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(90, time.Millisecond))
		h.machine.keep.Store(true)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		first := h.service.Expect("INVITE")
		h.service.Respond(first, 422, "far", "", "Min-SE: 400")
		h.service.Expect("ACK")
		inv := h.service.Expect("INVITE")
		is(t, inv, "Session-Expires", "400")
		is(t, inv, "Min-SE", "400")
		if a, _ := first.CSeq(); inv.Get("Call-ID") != first.Get("Call-ID") || inv.Get("CSeq") != num(a+1)+" INVITE" ||
			strings.Contains(inv.Get("To"), "tag=") {
			t.Fatalf("not the same call: %s", inv)
		}
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv")) // without a timer
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested", "1 answered")
		c := callPair{near: near, far: h.service.Called(inv, "far")}
		c.far.Request("UPDATE", "", "Supported: timer", "Session-Expires: 89")
		is(t, h.service.ExpectOf("422", "UPDATE"), "Min-SE", "90")
		h.hangUp(c.near)

		far := h.arrive422("Supported: timer", "Session-Expires: 60")
		m := h.service.ExpectOf("422", "INVITE")
		is(t, m, "Min-SE", "90")
		far.AckFailure(m)

		// a service that asks for more each time gets the call without a timer
		h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		for _, min := range []string{"100", "200", "300", "400"} {
			inv := h.service.Expect("INVITE")
			contains(t, inv.Get("Session-Expires"), "0")
			h.service.Respond(inv, 422, "far", "", "Min-SE: "+min)
			h.service.Expect("ACK")
		}
		inv = h.service.Expect("INVITE")
		is(t, inv, "Session-Expires", "")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		h.adapter.Expect("486")
		h.atRest()
	})
}

// arrive422 calls the line without waiting for the 100.
func (h *testBed) arrive422(extra ...string) *uatest.Dialog {
	return h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), `"Bo Tree" <sip:5550150@pbx.example>`,
		h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"), extra...)
}

// An adapter that asks for a timer gets one on its own leg. When it expires, AdapterLost is posted, and no far-end
// clearing.
func TestSessionOfAdapter(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(0, time.Millisecond))
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: timer",
			"Session-Expires: 90;refresher=uac")
		inv := h.service.Expect("INVITE")
		is(t, inv, "Session-Expires", "") // none is requested from the service
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		is(t, ok, "Session-Expires", "90;refresher=uac")
		near.Established(ok).Ack("")
		h.machine.saw("1 requested", "1 answered", "1 adapter lost")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()

		// the adapter asks in its 200, and wants us to refresh
		h = newVirtualTestBed(t, timed(0, time.Millisecond))
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv = h.adapter.Expect("INVITE")
		contains(t, strings.Join(inv.All("Supported"), ","), "timer")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"),
			"Session-Expires: 90;refresher=uac", "Require: timer", knowsUpdate)
		h.adapter.Expect("ACK")
		ok = h.service.Expect("200")
		is(t, ok, "Session-Expires", "") // the caller does not support session timers
		far.Established(ok).Ack("")
		h.adapter.Respond(h.adapter.Expect("UPDATE"), 481, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 adapter lost")
		h.adapter.Respond(h.adapter.Expect("BYE"), 481, "", "")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.atRest()
	})
}

// An emergency call continues whatever its timer does, and is not refused because of its interval.
func TestSessionOfEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		core, logs := observer.New(zapcore.WarnLevel)
		h := newVirtualTestBed(t, timed(90, time.Millisecond), func(o *Options, _ *times) { o.Logger = zap.New(core) })
		near := h.request("112", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: timer",
			"Session-Expires: 30;refresher=uac")
		inv := h.service.Expect("INVITE")
		is(t, inv, "Session-Expires", "")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Session-Expires: 90;refresher=uac",
			"Require: timer", knowsUpdate)
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		is(t, ok, "Session-Expires", "30;refresher=uac") // as it asked
		near.Established(ok).Ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		h.service.Respond(h.service.Expect("UPDATE"), 481, "", "")
		h.service.Expect("UPDATE") // continues to refresh
		deadline := time.After(testTimeout)
		for logs.FilterMessageSnippet("session timer expired in an emergency call").Len() < 2 { // both sides'
			select {
			case <-time.After(5 * time.Millisecond):
			case <-deadline:
				t.Fatal("the timers did not expire")
			}
		}
		h.adapter.ExpectNothing(h.toAdapter)
		near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		for m := h.service.Next(); !m.Is("BYE"); m = h.service.Next() {
			if !m.Is("UPDATE") {
				t.Fatalf("want BYE, got %s", m)
			}
		}
		h.machine.saw("1 near end cleared")
	})
}
