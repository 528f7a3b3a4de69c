package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
)

// rack returns the RAck for a reliable response (RFC 3262 section 7.2).
func rack(m uatest.Message) string {
	n, method := m.CSeq()
	return "RAck: " + m.Get("RSeq") + " " + num(n) + " " + method
}

// ringsReliably is a call from the adapter that rings at the far end, with a 180 sent reliably (RFC 3262). It returns
// the INVITE at the far end and the 180 at the adapter.
func (h *testBed) ringsReliably() (near *uatest.Dialog, inv, ringing uatest.Message) {
	h.t.Helper()
	near = h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
	inv = h.service.Expect("INVITE")
	h.service.RespondReliably(inv, 180, "far", "", 1)
	return near, inv, h.adapter.Expect("180")
}

// hangUp ends an answered call from the near end, and checks all messages and events.
func (h *testBed) hangUp(near *uatest.Dialog, events ...string) {
	h.t.Helper()
	near.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw(append(events, "1 near end cleared")...)
	h.done()
}

// RFC 3262 end to end: the option passes. A reliable response has an RSeq of ours and is retransmitted until its PRACK.
// The PRACK that passes on names the far end's RSeq. A retransmission of the far end's is not passed a second time.
func TestReliableProvisional(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: timer, 100rel")
		inv := h.service.Expect("INVITE")
		contains(t, inv.Get("Supported"), "100rel")
		h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 4711)
		m := h.adapter.Expect("183")
		contains(t, m.Get("Require"), "100rel")
		if m.Get("RSeq") == "" || m.Get("RSeq") == "4711" {
			t.Fatalf("RSeq %q", m.Get("RSeq"))
		}
		uatest.ExpectRepeat(t, h.adapter, m)
		h.service.Respond(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Require: 100rel", "RSeq: 4711",
			"Subject: repeated")
		h.adapter.ExpectNothing(h.toAdapter)
		early := near.Early(m)
		own, seq := atoi(m.Get("RSeq")), near.Seq
		for _, wrong := range []string{ // of no response; equal in 32 bits only; not three parts
			"1 1 INVITE", num(own+1<<32) + " " + num(seq) + " INVITE", num(own) + " " + num(seq+1<<32) + " INVITE",
			num(own+1) + " " + num(seq) + " INVITE", num(own) + " " + num(seq+1) + " INVITE", num(own) + " " +
				num(seq) + " UPDATE",
			num(own) + " " + num(seq), num(own) + " " + num(seq) + " INVITE 1", "x " + num(seq) + " INVITE", num(own) +
				" x INVITE",
		} {
			early.Request("PRACK", "", "RAck: "+wrong)
			h.adapter.ExpectOf("481", "PRACK")
		}
		early.Request("PRACK", "", rack(m))
		prack := h.service.Expect("PRACK")
		n, _ := inv.CSeq()
		if got := prack.Get("RAck"); got != "4711 "+num(n)+" INVITE" {
			t.Fatalf("RAck: %s", got)
		}
		contains(t, prack.Get("To"), "tag=far")
		h.service.Respond(prack, 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		early.Request("PRACK", "", rack(m)) // a second time
		h.adapter.ExpectOf("481", "PRACK")
		before := h.adapter.Repeats.Load()
		// the next response
		h.service.RespondReliably(inv, 180, "far", "", 4712)
		again := h.adapter.Expect("180")
		if atoi(again.Get("RSeq")) != atoi(m.Get("RSeq"))+1 {
			t.Fatalf("RSeq %s after %s", again.Get("RSeq"), m.Get("RSeq"))
		}
		h.service.RespondReliably(inv, 182, "far", "", 4714) // 4713 is missing, so this one will be retransmitted
		early.Request("PRACK", "", rack(again))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		lacks(t, ok.Get("Require"), "100rel")
		early.Established(ok).Invite = near.Invite
		early.Ack("")
		if n := h.adapter.Repeats.Load() - before; n > 2 {
			t.Fatalf("%d retransmissions after the PRACK", n)
		}
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// Reliable responses are sent one at a time. The next one waits for the PRACK of the previous one, and the order is
// kept (RFC 3262 section 3). A 200 waits for the PRACK of the answer.
func TestReliableOneAtATime(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.Expect("INVITE")
		h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.service.RespondReliably(inv, 180, "far", "", 2)
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		first := h.adapter.Expect("183")
		h.adapter.ExpectNothing(h.toAdapter)
		early := near.Early(first)
		early.Request("PRACK", "", rack(first))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		got := map[string]uatest.Message{}
		for range 2 { // the answer to the PRACK and the next response, in any order
			m := h.adapter.Next()
			_, method := m.CSeq()
			got[method] = m
		}
		second := got["INVITE"]
		if !second.Is("180") || !got["PRACK"].Is("200") {
			t.Fatalf("got %v", got)
		}
		h.adapter.ExpectNothing(h.toAdapter)
		h.machine.saw("1 requested")
		early.Request("PRACK", "", rack(second))
		prack := h.service.Expect("PRACK")
		ok := h.adapter.ExpectOf("200", "INVITE")
		h.service.Respond(prack, 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		early.Invite = near.Invite
		early.Established(ok).Ack("")
		h.hangUp(early, "1 answered")
	})
}

// PRACK crosses the 200. The response had nothing that must be acknowledged first.
func TestPrackCrossesAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near, inv, m := h.ringsReliably()
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		early := near.Early(m)
		early.Request("PRACK", "", rack(m))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		early.Invite = near.Invite
		early.Established(ok).Ack("")
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// No PRACK comes within 64*T1. The call fails with 5xx, and the called side is cleared, answered or not.
func TestNoPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, answered := range []bool{false, true} {
			h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
			inv := h.service.Expect("INVITE")
			h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
			h.adapter.Expect("183")
			if answered {
				h.service.Respond(inv, 200, "far", "")
				h.service.Expect("ACK")
			}
			near.AckFailure(h.adapter.ExpectOf("500", "INVITE"))
			// at 20, 60, 140 and 300 ms, until 400 ms
			if n := h.adapter.Repeats.Load(); n != 4 {
				t.Fatalf("%d retransmissions", n)
			}
			if answered {
				h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			} else {
				h.service.Respond(h.service.Expect("CANCEL"), 200, "far", "")
				h.service.Respond(inv, 487, "far", "")
				h.service.Expect("ACK")
			}
			h.machine.saw("1 requested", "1 adapter lost")
			h.done()
		}
	})
}

// The caller does not support reliable responses. We send the PRACK ourselves, and the response passes as unreliable.
func TestOurPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		lacks(t, inv.Get("Supported")+inv.Get("Require"), "100rel")
		h.adapter.RespondReliably(inv, 183, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), 9)
		prack := h.adapter.Expect("PRACK")
		n, _ := inv.CSeq()
		if got := prack.Get("RAck"); got != "9 "+num(n)+" INVITE" {
			t.Fatalf("RAck: %s", got)
		}
		h.adapter.Respond(prack, 200, "", "")
		m := h.service.Expect("183")
		if m.Get("Require") != "" || m.Get("RSeq") != "" || m.Body == "" {
			t.Fatalf("got %s", m)
		}
		h.adapter.Respond(inv, 200, "near", "")
		h.adapter.Expect("ACK")
		far.Established(h.service.Expect("200")).Ack("")
		far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 arrived", "1 ringing", "1 answered", "1 far end cleared: bye",
			"1 adapter leg cleared: confirmed")
		h.done()
	})
}

// An INVITE without an offer: the reliable 183 has the offer, and the PRACK the answer (RFC 3262 section 5). An offer
// in the PRACK has its answer in the PRACK's 200.
func TestOfferInReliableProvisional(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	far := h.arrive("", "Supported: 100rel")
	inv := h.adapter.Expect("INVITE")
	h.adapter.RespondReliably(inv, 183, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), 1)
	m := h.service.Expect("183")
	contains(t, m.Body, "m=audio ")
	lacks(t, m.Body, " "+num(nearSDP)+" ")
	early := far.Early(m)
	// no other offer may come before the answer
	early.Request("UPDATE", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.ExpectOf("491", "UPDATE")
	near := h.adapter.Called(inv, "near")
	near.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	if w := h.adapter.ExpectOf("500", "UPDATE").Get("Retry-After"); w == "" {
		t.Fatal("no Retry-After")
	}
	early.Request("PRACK", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), rack(m))
	prack := h.adapter.Expect("PRACK")
	contains(t, prack.Body, "m=audio ")
	lacks(t, prack.Body, " "+num(farSDP)+" ")
	h.adapter.Respond(prack, 200, "", "")
	h.service.ExpectOf("200", "PRACK")
	// an offer in the next PRACK
	h.adapter.RespondReliably(inv, 180, "near", "", 2)
	m = h.service.Expect("180")
	early.Request("PRACK", uatest.Offer("127.0.0.1", farSDP+2, "sendrecv"), rack(m))
	prack = h.adapter.Expect("PRACK")
	// until that offer has its answer (RFC 3311 section 5.2)
	early.Request("UPDATE", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.ExpectOf("500", "UPDATE")
	near.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.ExpectOf("491", "UPDATE")
	h.adapter.Respond(prack, 200, "", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	ok := h.service.ExpectOf("200", "PRACK")
	contains(t, ok.Body, "m=audio ")
	lacks(t, ok.Body, " "+num(nearSDP)+" ")
	h.agent.call(1).await(t, "the media of the new offer", func(c *call) bool {
		return c.path.streams[0].sides[media.ServiceSide].rtp.Port() == farSDP+2
	})
	h.adapter.Respond(inv, 200, "near", "")
	ok = h.service.ExpectOf("200", "INVITE")
	early.Invite = far.Invite
	early.Established(ok).Ack("")
	if ack := h.adapter.Expect("ACK"); ack.Body != "" {
		t.Fatalf("ACK with %s", ack.Body)
	}
	early.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 arrived", "1 ringing", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.done()
}

// A refused offer in a PRACK changes nothing (RFC 3262 section 5, RFC 3264 section 8).
func TestOfferInPrackRefused(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
	inv := h.service.Expect("INVITE")
	h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
	m := h.adapter.Expect("183")
	early := near.Early(m)
	early.Request("PRACK", uatest.Offer("127.0.0.1", nearSDP+8, "sendrecv"), rack(m))
	h.service.Respond(h.service.Expect("PRACK"), 488, "", "")
	h.adapter.ExpectOf("488", "PRACK")
	h.agent.call(1).await(t, "the media of before", func(c *call) bool {
		return c.path.streams[0].sides[media.AdapterSide].rtp.Port() == nearSDP
	})
	h.updates(early, h.service) // the refused offer is complete
	h.service.Respond(inv, 200, "far", "")
	h.service.Expect("ACK")
	early.Invite = near.Invite
	early.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
	h.hangUp(early, "1 requested", "1 answered")
}

// The caller accepts only reliable responses. Unreliable ones are made reliable here, and we handle their PRACK.
func TestReliableRequired(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Require: 100rel")
		inv := h.adapter.Expect("INVITE")
		// an adapter without support would refuse it and never ring
		lacks(t, strings.Join(inv.All("Require"), ","), "100rel")
		contains(t, inv.Get("Supported"), "100rel")
		h.adapter.Respond(inv, 180, "near", "")
		m := h.service.Expect("180")
		contains(t, m.Get("Require"), "100rel")
		early := far.Early(m)
		early.Request("PRACK", "", rack(m))
		h.service.ExpectOf("200", "PRACK")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		early.Invite = far.Invite
		early.Established(h.service.ExpectOf("200", "INVITE")).Ack("")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(h.adapter.Called(inv, "near"), "1 answered")
	})
}

// In an emergency call nothing waits for a PRACK, and nothing ends because one is missing.
func TestNoPrackInEmergency(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Require: 100rel")
		inv := h.service.Expect("INVITE")
		lacks(t, inv.Get("Supported")+inv.Get("Require"), "100rel")
		h.service.RespondReliably(inv, 183, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.adapter.Expect("183")
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.service.Respond(inv, 180, "far", "")
		// it waits for the first one's PRACK, but no longer than 64*T1, 400 ms here
		h.adapter.ExpectSilence(390 * time.Millisecond)
		h.adapter.Expect("180")
		h.service.ExpectSilence(500 * time.Millisecond)
		if n := h.adapter.Repeats.Load(); n != 8 { // each at 20, 60, 140 and 300 ms
			t.Fatalf("%d retransmissions", n)
		}
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		d := near.Early(h.adapter.Expect("200"))
		d.Ack("")
		h.hangUp(d, "1 requested (emergency)", "1 answered")
	})
}

// A PRACK names the response, and the INVITE with its number, in decimal (RFC 3262 section 7.2).
func TestRackMatches(t *testing.T) {
	t.Parallel()
	waiting := &reliableProvisionals{last: 4294967295, x: &inviteForwarding{seq: 4294967295}}
	for text, want := range map[string]bool{
		"4294967295 4294967295 INVITE": true, "4294967294 4294967295 INVITE": false,
		"4294967295 4294967294 INVITE": false, "8589934591 4294967295 INVITE": false,
		"4294967295 8589934591 INVITE": false, "-1 4294967295 INVITE": false, "": false,
	} {
		req := sip.NewRequest(sip.PRACK, sip.Uri{})
		req.AppendHeader(sip.NewHeader("RAck", text))
		if got := waiting.matches(&endpoint.Request{Request: req}); got != want {
			t.Errorf("%q: %t", text, got)
		}
	}
	for text, want := range map[string]uint32{"4294967295": 4294967295, "4294967296": 0, "1": 1, "x": 0, "-1": 0} {
		res := sip.NewResponse(183, "")
		res.AppendHeader(sip.NewHeader("Require", "100rel"))
		res.AppendHeader(sip.NewHeader("RSeq", text))
		if got := rseq(res); got != want {
			t.Errorf("RSeq %q: %d", text, got)
		}
	}
}

// An answer in a reliable response completes the exchange, so the next offer passes (RFC 3262 section 5, RFC 3311
// section 5.1).
func TestOfferAfterAReliableAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.Expect("INVITE")
		h.service.RespondReliably(inv, 183, "far", far(), 1)
		m := h.adapter.Expect("183")
		early := near.Early(m)
		early.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP+2, "sendrecv"))
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", far())
		h.adapter.ExpectOf("200", "UPDATE")
		early.Request("PRACK", "", rack(m))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		early.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP+2, "sendrecv"))
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", far())
		h.adapter.ExpectOf("200", "UPDATE")
		h.service.Respond(inv, 200, "far", "")
		h.service.Expect("ACK")
		early.Invite = near.Invite
		early.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// A PRACK without a session description completes no open offer of its dialog, whoever made the offer (RFC 3262 section
// 5). Until the answer comes, another offer is refused (RFC 3311 section 5.2).
func TestPrackWithoutOfferEndsNoOffer(t *testing.T) {
	t.Parallel()
	for _, who := range []string{"caller", "called"} {
		t.Run(who, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t)
				n := h.request("5550150", near(), "Supported: 100rel")
				inv := h.service.Expect("INVITE")
				h.service.RespondReliably(inv, 183, "far", far(), 1)
				m := h.adapter.Expect("183")
				caller, called := n.Early(m), h.service.Called(inv, "far")
				caller.Request("PRACK", "", rack(m))
				h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
				h.adapter.ExpectOf("200", "PRACK")
				h.service.RespondReliably(inv, 180, "far", "", 2)
				m = h.adapter.Expect("180")

				from, to, other, own, others := h.adapter, h.service, called, caller, far()
				if who == "called" {
					from, to, other, own, others = h.service, h.adapter, caller, called, near()
				}
				own.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP+2, "sendrecv"))
				update := to.Expect("UPDATE")
				caller.Request("PRACK", "", rack(m))
				h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
				h.adapter.ExpectOf("200", "PRACK")
				other.Request("UPDATE", others)
				to.ExpectOf("491", "UPDATE")
				to.Respond(update, 200, "", others)
				from.ExpectOf("200", "UPDATE")

				other.Request("UPDATE", others) // now it passes
				from.Respond(from.Expect("UPDATE"), 200, "", uatest.Offer("127.0.0.1", nearSDP+2, "sendrecv"))
				to.ExpectOf("200", "UPDATE")
				h.service.Respond(inv, 200, "far", "")
				h.service.Expect("ACK")
				caller.Invite = n.Invite
				caller.Established(h.adapter.ExpectOf("200", "INVITE")).Ack("")
				h.hangUp(caller, "1 requested", "1 answered")
			})
		})
	}
}

// Each INVITE has an RSeq sequence of its own, even one that answers a challenge (RFC 3262 section 3).
func TestRSeqAfterAChallenge(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		invite := c.near.Invite
		h.adapter.Expect("100")
		change := h.service.Expect("INVITE")
		for _, n := range []int{9, 1} {
			h.service.RespondReliably(change, 182, "", "", n)
			m := h.adapter.Expect("182")
			c.near.Request("PRACK", "", rack(m))
			prack := h.service.Expect("PRACK")
			seq, _ := change.CSeq()
			is(t, prack, "RAck", num(n)+" "+num(seq)+" INVITE")
			h.service.Respond(prack, 200, "", "")
			h.adapter.ExpectOf("200", "PRACK")
			if n == 9 {
				h.service.Respond(change, 401, "", "",
					`WWW-Authenticate: Digest realm="millrace.example", nonce="n1", qop="auth", algorithm=MD5`)
				h.service.Expect("ACK")
				change = h.service.Expect("INVITE")
			}
		}
		h.service.Respond(change, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		c.near.Invite = invite
		c.near.Ack("")
		h.hangUp(c.near)
	})
}
