package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
)

// rack returns the RAck for a reliable response (RFC 3262 section 7.2).
func rack(m message) string {
	n, method := m.cseq()
	return "RAck: " + m.get("RSeq") + " " + num(n) + " " + method
}

// reliably sends a reliable provisional response.
func (p *testPeer) reliably(req message, code int, tag, body string, n int) {
	p.t.Helper()
	p.respond(req, code, tag, body, "Require: 100rel", "RSeq: "+num(n))
}

// hangUp ends an answered call from the near end, and checks all messages and events.
func (h *testBed) hangUp(near *peerDialog, events ...string) {
	h.t.Helper()
	near.request("BYE", "")
	h.adapter.expectOf("200", "BYE")
	h.service.respond(h.service.expect("BYE"), 200, "", "")
	h.machine.saw(append(events, "1 near end cleared")...)
	h.done()
}

// RFC 3262 end to end: the option passes. A reliable response has an RSeq of ours and is retransmitted until its PRACK.
// The PRACK that passes on names the far end's RSeq. A retransmission of the far end's is not passed a second time.
func TestReliableProvisional(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: timer, 100rel")
		inv := h.service.expect("INVITE")
		contains(t, inv.get("Supported"), "100rel")
		h.service.reliably(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), 4711)
		m := h.adapter.expect("183")
		contains(t, m.get("Require"), "100rel")
		if m.get("RSeq") == "" || m.get("RSeq") == "4711" {
			t.Fatalf("RSeq %q", m.get("RSeq"))
		}
		repeated(t, h.adapter, m)
		h.service.respond(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), "Require: 100rel", "RSeq: 4711",
			"Subject: repeated")
		h.adapter.nothing(h.toAdapter)
		early := near.early(m)
		own, seq := atoi(m.get("RSeq")), near.cseq
		for _, wrong := range []string{ // of no response; equal in 32 bits only; not three parts
			"1 1 INVITE", num(own+1<<32) + " " + num(seq) + " INVITE", num(own) + " " + num(seq+1<<32) + " INVITE",
			num(own+1) + " " + num(seq) + " INVITE", num(own) + " " + num(seq+1) + " INVITE", num(own) + " " +
				num(seq) + " UPDATE",
			num(own) + " " + num(seq), num(own) + " " + num(seq) + " INVITE 1", "x " + num(seq) + " INVITE", num(own) +
				" x INVITE",
		} {
			early.request("PRACK", "", "RAck: "+wrong)
			h.adapter.expectOf("481", "PRACK")
		}
		early.request("PRACK", "", rack(m))
		prack := h.service.expect("PRACK")
		n, _ := inv.cseq()
		if got := prack.get("RAck"); got != "4711 "+num(n)+" INVITE" {
			t.Fatalf("RAck: %s", got)
		}
		contains(t, prack.get("To"), "tag=far")
		h.service.respond(prack, 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		early.request("PRACK", "", rack(m)) // a second time
		h.adapter.expectOf("481", "PRACK")
		before := h.adapter.repeats.Load()
		// the next response
		h.service.reliably(inv, 180, "far", "", 4712)
		again := h.adapter.expect("180")
		if atoi(again.get("RSeq")) != atoi(m.get("RSeq"))+1 {
			t.Fatalf("RSeq %s after %s", again.get("RSeq"), m.get("RSeq"))
		}
		h.service.reliably(inv, 182, "far", "", 4714) // 4713 is missing, so this one will be retransmitted
		early.request("PRACK", "", rack(again))
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		h.service.respond(inv, 200, "far", "")
		h.service.expect("ACK")
		ok := h.adapter.expect("200")
		lacks(t, ok.get("Require"), "100rel")
		early.established(ok).invite = near.invite
		early.ack("")
		if n := h.adapter.repeats.Load() - before; n > 2 {
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
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.service.reliably(inv, 180, "far", "", 2)
		h.service.respond(inv, 200, "far", "")
		h.service.expect("ACK")
		first := h.adapter.expect("183")
		h.adapter.nothing(h.toAdapter)
		early := near.early(first)
		early.request("PRACK", "", rack(first))
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		got := map[string]message{}
		for range 2 { // the answer to the PRACK and the next response, in any order
			m := h.adapter.next()
			_, method := m.cseq()
			got[method] = m
		}
		second := got["INVITE"]
		if !second.is("180") || !got["PRACK"].is("200") {
			t.Fatalf("got %v", got)
		}
		h.adapter.nothing(h.toAdapter)
		h.machine.saw("1 requested")
		early.request("PRACK", "", rack(second))
		prack := h.service.expect("PRACK")
		ok := h.adapter.expectOf("200", "INVITE")
		h.service.respond(prack, 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		early.invite = near.invite
		early.established(ok).ack("")
		h.hangUp(early, "1 answered")
	})
}

// PRACK crosses the 200. The response had nothing that must be acknowledged first.
func TestPrackCrossesAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 180, "far", "", 1)
		m := h.adapter.expect("180")
		h.service.respond(inv, 200, "far", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		ok := h.adapter.expect("200")
		early := near.early(m)
		early.request("PRACK", "", rack(m))
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		early.invite = near.invite
		early.established(ok).ack("")
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// No PRACK comes within 64*T1. The call fails with 5xx, and the called side is cleared, answered or not.
func TestNoPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, answered := range []bool{false, true} {
			h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
			near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
			inv := h.service.expect("INVITE")
			h.service.reliably(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), 1)
			h.adapter.expect("183")
			if answered {
				h.service.respond(inv, 200, "far", "")
				h.service.expect("ACK")
			}
			near.nack(h.adapter.expectOf("500", "INVITE"))
			// at 20, 60, 140 and 300 ms, until 400 ms
			if n := h.adapter.repeats.Load(); n != 4 {
				t.Fatalf("%d retransmissions", n)
			}
			if answered {
				h.service.respond(h.service.expect("BYE"), 200, "", "")
			} else {
				h.service.respond(h.service.expect("CANCEL"), 200, "far", "")
				h.service.respond(inv, 487, "far", "")
				h.service.expect("ACK")
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
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.expect("INVITE")
		lacks(t, inv.get("Supported")+inv.get("Require"), "100rel")
		h.adapter.reliably(inv, 183, "near", offer("127.0.0.1", nearSDP, "sendrecv"), 9)
		prack := h.adapter.expect("PRACK")
		n, _ := inv.cseq()
		if got := prack.get("RAck"); got != "9 "+num(n)+" INVITE" {
			t.Fatalf("RAck: %s", got)
		}
		h.adapter.respond(prack, 200, "", "")
		m := h.service.expect("183")
		if m.get("Require") != "" || m.get("RSeq") != "" || m.body == "" {
			t.Fatalf("got %s", m)
		}
		h.adapter.respond(inv, 200, "near", "")
		h.adapter.expect("ACK")
		far.established(h.service.expect("200")).ack("")
		far.request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
	inv := h.adapter.expect("INVITE")
	h.adapter.reliably(inv, 183, "near", offer("127.0.0.1", nearSDP, "sendrecv"), 1)
	m := h.service.expect("183")
	contains(t, m.body, "m=audio ")
	lacks(t, m.body, " "+num(nearSDP)+" ")
	early := far.early(m)
	// no other offer may come before the answer
	early.request("UPDATE", offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.expectOf("491", "UPDATE")
	near := h.adapter.called(inv, "near")
	near.request("UPDATE", offer("127.0.0.1", nearSDP, "sendrecv"))
	if w := h.adapter.expectOf("500", "UPDATE").get("Retry-After"); w == "" {
		t.Fatal("no Retry-After")
	}
	early.request("PRACK", offer("127.0.0.1", farSDP, "sendrecv"), rack(m))
	prack := h.adapter.expect("PRACK")
	contains(t, prack.body, "m=audio ")
	lacks(t, prack.body, " "+num(farSDP)+" ")
	h.adapter.respond(prack, 200, "", "")
	h.service.expectOf("200", "PRACK")
	// an offer in the next PRACK
	h.adapter.reliably(inv, 180, "near", "", 2)
	m = h.service.expect("180")
	early.request("PRACK", offer("127.0.0.1", farSDP+2, "sendrecv"), rack(m))
	prack = h.adapter.expect("PRACK")
	// until that offer has its answer (RFC 3311 section 5.2)
	early.request("UPDATE", offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.expectOf("500", "UPDATE")
	near.request("UPDATE", offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.expectOf("491", "UPDATE")
	h.adapter.respond(prack, 200, "", offer("127.0.0.1", nearSDP, "sendrecv"))
	ok := h.service.expectOf("200", "PRACK")
	contains(t, ok.body, "m=audio ")
	lacks(t, ok.body, " "+num(nearSDP)+" ")
	h.agent.call(1).await(t, "the media of the new offer", func(c *call) bool {
		return c.path.streams[0].sides[media.ServiceSide].rtp.Port() == farSDP+2
	})
	h.adapter.respond(inv, 200, "near", "")
	ok = h.service.expectOf("200", "INVITE")
	early.invite = far.invite
	early.established(ok).ack("")
	if ack := h.adapter.expect("ACK"); ack.body != "" {
		t.Fatalf("ACK with %s", ack.body)
	}
	early.request("BYE", "")
	h.service.expectOf("200", "BYE")
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 arrived", "1 ringing", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.done()
}

// A refused offer in a PRACK changes nothing (RFC 3262 section 5, RFC 3264 section 8).
func TestOfferInPrackRefused(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
	inv := h.service.expect("INVITE")
	h.service.reliably(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), 1)
	m := h.adapter.expect("183")
	early := near.early(m)
	early.request("PRACK", offer("127.0.0.1", nearSDP+8, "sendrecv"), rack(m))
	h.service.respond(h.service.expect("PRACK"), 488, "", "")
	h.adapter.expectOf("488", "PRACK")
	h.agent.call(1).await(t, "the media of before", func(c *call) bool {
		return c.path.streams[0].sides[media.AdapterSide].rtp.Port() == nearSDP
	})
	h.service.respond(inv, 200, "far", "")
	h.service.expect("ACK")
	early.invite = near.invite
	early.established(h.adapter.expectOf("200", "INVITE")).ack("")
	h.hangUp(early, "1 requested", "1 answered")
}

// The caller accepts only reliable responses. Unreliable ones are made reliable here, and we handle their PRACK.
func TestReliableRequired(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		far := h.arrive(offer("127.0.0.1", farSDP, "sendrecv"), "Require: 100rel")
		inv := h.adapter.expect("INVITE")
		// an adapter without support would refuse it and never ring
		lacks(t, strings.Join(inv.all("Require"), ","), "100rel")
		contains(t, inv.get("Supported"), "100rel")
		h.adapter.respond(inv, 180, "near", "")
		m := h.service.expect("180")
		contains(t, m.get("Require"), "100rel")
		early := far.early(m)
		early.request("PRACK", "", rack(m))
		h.service.expectOf("200", "PRACK")
		h.adapter.respond(inv, 200, "near", offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.expect("ACK")
		early.invite = far.invite
		early.established(h.service.expectOf("200", "INVITE")).ack("")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(h.adapter.called(inv, "near"), "1 answered")
	})
}

// In an emergency call nothing waits for a PRACK, and nothing ends because one is missing.
func TestNoPrackInEmergency(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("999", offer("127.0.0.1", nearSDP, "sendrecv"), "Require: 100rel")
		inv := h.service.expect("INVITE")
		lacks(t, inv.get("Supported")+inv.get("Require"), "100rel")
		h.service.reliably(inv, 183, "far", offer("127.0.0.1", farSDP, "sendrecv"), 1)
		h.adapter.expect("183")
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.service.respond(inv, 180, "far", "")
		// it waits for the first one's PRACK, but no longer than 64*T1, 400 ms here
		h.adapter.silent(390 * time.Millisecond)
		h.adapter.expect("180")
		h.service.silent(500 * time.Millisecond)
		if n := h.adapter.repeats.Load(); n != 8 { // each at 20, 60, 140 and 300 ms
			t.Fatalf("%d retransmissions", n)
		}
		h.service.respond(inv, 200, "far", "")
		h.service.expect("ACK")
		d := near.early(h.adapter.expect("200"))
		d.ack("")
		h.hangUp(d, "1 requested (emergency)", "1 answered")
	})
}

// A PRACK names the response, and the INVITE with its number, in decimal (RFC 3262 section 7.2).
func TestRackMatches(t *testing.T) {
	t.Parallel()
	waiting := &reliableProvisionals{last: 4294967295, x: &inviteForwarding{seq: 2147483647}}
	for text, want := range map[string]bool{
		"4294967295 2147483647 INVITE": true, "4294967294 2147483647 INVITE": false,
		"4294967295 2147483646 INVITE": false,
		"8589934591 2147483647 INVITE": false, "4294967295 6442450943 INVITE": false, "-1 2147483647 INVITE": false,
		"": false,
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
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 183, "far", far(), 1)
		m := h.adapter.expect("183")
		early := near.early(m)
		early.request("UPDATE", offer("127.0.0.1", nearSDP+2, "sendrecv"))
		h.service.respond(h.service.expect("UPDATE"), 200, "", far())
		h.adapter.expectOf("200", "UPDATE")
		early.request("PRACK", "", rack(m))
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		early.request("UPDATE", offer("127.0.0.1", nearSDP+2, "sendrecv"))
		h.service.respond(h.service.expect("UPDATE"), 200, "", far())
		h.adapter.expectOf("200", "UPDATE")
		h.service.respond(inv, 200, "far", "")
		h.service.expect("ACK")
		early.invite = near.invite
		early.established(h.adapter.expectOf("200", "INVITE")).ack("")
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
				inv := h.service.expect("INVITE")
				h.service.reliably(inv, 183, "far", far(), 1)
				m := h.adapter.expect("183")
				caller, called := n.early(m), h.service.called(inv, "far")
				caller.request("PRACK", "", rack(m))
				h.service.respond(h.service.expect("PRACK"), 200, "", "")
				h.adapter.expectOf("200", "PRACK")
				h.service.reliably(inv, 180, "far", "", 2)
				m = h.adapter.expect("180")

				from, to, other, own, others := h.adapter, h.service, called, caller, far()
				if who == "called" {
					from, to, other, own, others = h.service, h.adapter, caller, called, near()
				}
				own.request("UPDATE", offer("127.0.0.1", nearSDP+2, "sendrecv"))
				update := to.expect("UPDATE")
				caller.request("PRACK", "", rack(m))
				h.service.respond(h.service.expect("PRACK"), 200, "", "")
				h.adapter.expectOf("200", "PRACK")
				other.request("UPDATE", others)
				to.expectOf("491", "UPDATE")
				to.respond(update, 200, "", others)
				from.expectOf("200", "UPDATE")

				other.request("UPDATE", others) // now it passes
				from.respond(from.expect("UPDATE"), 200, "", offer("127.0.0.1", nearSDP+2, "sendrecv"))
				to.expectOf("200", "UPDATE")
				h.service.respond(inv, 200, "far", "")
				h.service.expect("ACK")
				caller.invite = n.invite
				caller.established(h.adapter.expectOf("200", "INVITE")).ack("")
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
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		invite := c.near.invite
		h.adapter.expect("100")
		change := h.service.expect("INVITE")
		for _, n := range []int{9, 1} {
			h.service.reliably(change, 182, "", "", n)
			m := h.adapter.expect("182")
			c.near.request("PRACK", "", rack(m))
			prack := h.service.expect("PRACK")
			seq, _ := change.cseq()
			is(t, prack, "RAck", num(n)+" "+num(seq)+" INVITE")
			h.service.respond(prack, 200, "", "")
			h.adapter.expectOf("200", "PRACK")
			if n == 9 {
				h.service.respond(change, 401, "", "",
					`WWW-Authenticate: Digest realm="millrace.example", nonce="n1", qop="auth", algorithm=MD5`)
				h.service.expect("ACK")
				change = h.service.expect("INVITE")
			}
		}
		h.service.respond(change, 200, "", offer("127.0.0.1", farSDP, "recvonly"))
		h.service.expect("ACK")
		h.adapter.expectOf("200", "INVITE")
		c.near.invite = invite
		c.near.ack("")
		h.hangUp(c.near)
	})
}
