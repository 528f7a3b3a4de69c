package sipua

import (
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// mediaOf returns where the call's media to a side is sent.
func (h *testBed) mediaOf(side media.Side) (at netip.AddrPort) {
	h.t.Helper()
	c := h.agent.call(1)
	c.runInMailbox(func() { at = c.path.streams[0].sides[side].rtp })
	return at
}

// A refused re-INVITE changes nothing, and an accepted one does (RFC 3264 section 8).
func TestRefusedChangeChangesNothing(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.outgoing()
	for code, want := range map[int]uint16{488: nearSDP, 606: nearSDP} {
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP+8, "sendrecv"))
		h.service.Respond(h.service.Expect("INVITE"), code, "", "")
		h.service.Expect("ACK")
		c.near.AckFailure(h.adapter.Expect(num(code)))
		if at := h.mediaOf(media.AdapterSide); at.Port() != want {
			t.Fatalf("%d: media is sent to %v", code, at)
		}
	}
	c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP+8, "sendrecv"))
	h.service.Respond(h.service.Expect("INVITE"), 200, "", far())
	h.service.Expect("ACK")
	h.adapter.Expect("200")
	c.near.Ack("")
	if at := h.mediaOf(media.AdapterSide); at.Port() != nearSDP+8 {
		t.Fatalf("media is sent to %v", at)
	}
	h.hangUp(c.near)
}

// If a session description in a provisional response cannot be passed on, the caller gets the ringing without it. Later
// responses pass.
func TestUnusableEarlyDescription(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 183, "far", strings.Replace(far(), "m=audio 40000", "m=audio x", 1))
	if m := h.adapter.Expect("183"); m.Body != "" {
		t.Fatalf("passed on: %s", m)
	}
	h.service.Respond(inv, 200, "far", far())
	h.service.Expect("ACK")
	ok := h.adapter.Expect("200")
	contains(t, ok.Body, "m=audio ")
	near.Established(ok).Ack("")
	h.machine.saw("1 requested", "1 answered")
	h.hangUp(near)
}

// The 200 to a re-INVITE without an offer has a session description that cannot be passed on. It is acknowledged (RFC
// 3261 section 13.2.2.4), the change is refused, and the call continues.
func TestUnusableOfferInAnAnswer(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	c := h.outgoing()
	c.near.Request("INVITE", "")
	h.service.Respond(h.service.Expect("INVITE"), 200, "", "this is no session description\r\n")
	h.service.Expect("ACK")
	c.near.AckFailure(h.adapter.Expect("488"))
	h.hangUp(c.near)
}

// The Contact of the 200 to a re-INVITE is the target of the next request (RFC 3261 section 12.2.1.2).
func TestChangeMovesTheTarget(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"),
			"Contact: <sip:moved@"+h.service.At.String()+">")
		contains(t, h.service.Expect("ACK").Start, "sip:moved@")
		h.adapter.Expect("200")
		c.near.Ack("")
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		info := h.service.Expect("INFO")
		contains(t, info.Start, "sip:moved@")
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		h.hangUp(c.near)
	})
}

// Failures from 400 on pass unchanged. A redirection that is not followed and a challenge do not pass.
func TestFailuresPass(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		for i, code := range []int{400, 404, 486, 500, 603, 699} {
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, code, "far", "")
			h.service.Expect("ACK")
			near.AckFailure(h.adapter.Expect(num(code)))
			h.machine.saw(num(i+1)+" requested", num(i+1)+" far end cleared: bye",
				num(i+1)+" adapter leg cleared: confirmed")
			h.atRest()
		}
	})
}

// A call waits to be offered, and the adapter's registration expires meanwhile. The call ends, and nothing is sent to
// the old binding.
func TestOfferAfterBindingExpired(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h := newVirtualTestBed(t, registering, observed(&logs))
		h.registerFor(h.adapter, 60)
		h.machine.keep.Store(true)
		far := h.arrive(far())
		h.machine.saw("1 arrived")
		<-time.After(time.Minute)
		h.line.Offer(1)
		far.AckFailure(h.service.Expect("480"))
		h.machine.saw("1 adapter lost")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
		if n := logs.FilterMessage("no answer to INVITE").Len(); n > 0 {
			t.Fatalf("an INVITE to nobody: %v", logs.All())
		}
	})
}

// The adapter's leg of a call that still waits to be offered is cleared at once: no INVITE was sent there, and none
// follows.
func TestClearingOfACallThatWaits(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		far := h.arrive(far())
		h.machine.saw("1 arrived")
		h.line.ClearAdapterLeg(1)
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.line.Offer(1)
		h.adapter.ExpectNone()
		h.line.ClearFarEnd(1)
		far.AckFailure(h.service.Expect("480"))
		h.done()
	})
}

// A call arrives while the adapter is not registered. The call ends, and nothing is sent to the old binding.
func TestCallWithoutBinding(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		far := h.arrive422()
		m := h.service.Expect("480")
		far.AckFailure(m)
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
		if got := h.agent.call(1); got != nil {
			t.Fatal("the call is still known")
		}
	})
}

// With direct media neither the adapter's 408 to a re-INVITE nor its silence is trusted: the adapter is asked again.
func TestAdapterTimesOutInAChange(t *testing.T) {
	t.Parallel()
	for _, codes := range [][2]int{{408, 200}, {408, 408}, {0, 200}, {0, 408}} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			c := h.incoming()
			c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
			h.service.Expect("100")
			inv := h.adapter.Expect("INVITE")
			if codes[0] > 0 {
				h.adapter.Respond(inv, codes[0], "", "")
				h.adapter.Expect("ACK")
			}
			c.far.AckFailure(h.service.ExpectOf("491", "INVITE"))
			h.adapter.Respond(h.adapter.Expect("OPTIONS"), codes[1], "", "")
			if codes[1] == 200 {
				h.hangUp(c.near)
				return
			}
			h.machine.saw("1 adapter lost")
			h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			h.adapter.Respond(h.adapter.Expect("BYE"), 408, "", "")
			h.atRest()
		})
	}
}

// changeCancelledByTimerC is a call whose re-INVITE rang at the far end until Timer C, 300 ms by shorter. The INVITE to
// the far end has no final response yet.
func (h *testBed) changeCancelledByTimerC() (c callPair, inv uatest.Message) {
	h.t.Helper()
	c = h.incoming()
	c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
	h.adapter.Expect("100")
	inv = h.service.Expect("INVITE")
	h.service.Respond(inv, 180, "", "")
	h.adapter.Expect("180")
	c.near.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
	h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
	return c, inv
}

// A change that rings for too long is cancelled by Timer C (RFC 3261 section 16.6) and refused. A 200 that crosses the
// CANCEL is acknowledged, and neither passed on nor applied: the change has had its final response.
func TestChangeAnsweredAfterTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c, inv := h.changeCancelledByTimerC()
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectNone()
		one, last := h.agent.call(1), ""
		one.runInMailbox(func() { last = string(one.path.sentDescriptions[media.AdapterSide].body) })
		if last != far() {
			t.Fatalf("the description that the adapter has is taken for %s", last)
		}
		h.hangUp(c.near)
	})
}

// Requests in an arrived call go to the service's outbound proxy, if it has one, and not to the host in the caller's
// Contact, which may be unknown here.
func TestProxyOfAnArrivedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) {
			o.Lines[0].ServiceProxy = "127.0.0.1:" + num(o.Lines[0].Registrar.Port)
		})
		target, id := "sip:"+serviceUser+"@"+h.toService.String(), h.service.NewID()
		h.service.Send(h.toService, "INVITE "+target+" SIP/2.0", h.service.Via(), "From: <sip:5550150@pbx.example>;tag="+id,
			"To: <"+target+">", "Call-ID: "+id, "CSeq: 1 INVITE", "Max-Forwards: 70",
			"Contact: <sip:5550150@inside.pbx.example>", far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		d := uatest.Dialog{P: h.service, CallID: id, Local: "<sip:5550150@pbx.example>;tag=" + id, To: h.toService}
		d.Established(h.service.Expect("200")).RequestSeq("ACK", 1, "")
		h.hangUp(h.adapter.Called(inv, "near"), "1 arrived", "1 answered")
	})
}

// The end of one fork (RFC 6228) is not passed to a caller without support for 199. A second fork can be changed like
// the first.
func Test199NotPassedWithoutSupport(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "one", "")
		h.adapter.Expect("180")
		h.service.Respond(inv, 180, "two", "")
		two := near.Early(h.adapter.Expect("180"))
		h.service.Respond(inv, 199, "one", "")
		h.adapter.ExpectSilence(time.Millisecond)
		two.Request("UPDATE", "")
		h.adapter.ExpectOf("200", "UPDATE")
		h.service.Respond(inv, 200, "two", far())
		h.service.Expect("ACK")
		two.Invite = near.Invite
		two.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		h.hangUp(two, "1 requested", "1 answered")
	})
}

// An INVITE that comes a second time by another path is refused (RFC 3261 section 8.2.2.2), and takes no place.
func TestMergedInviteTakesNoPlace(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		first := far.Invite
		far.RequestSeq("INVITE", far.Seq, uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		far.AckFailure(h.service.Expect("482"))
		if n := h.line.ordinary.Load(); n != 1 {
			t.Fatalf("%d places are taken", n)
		}
		far.Invite = first
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}
