package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A PRACK that matches no response of ours, or has a bad RAck, is refused. The right one is still accepted (RFC 3262
// section 3).
func TestPrackWithoutProvisional(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near(), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 180, "far", "", 1)
		m := h.adapter.expect("180")
		early := n.early(m)
		seq, _ := m.cseq()
		for _, wrong := range []string{
			m.get("RSeq") + " " + num(seq), m.get("RSeq") + " " + num(seq) + " BYE", "x " + num(seq) + " INVITE",
			m.get("RSeq") + " x INVITE",
			num(atoi(m.get("RSeq"))+1) + " " + num(seq) + " INVITE", m.get("RSeq") + " " + num(seq+1) + " INVITE",
			m.get("RSeq") + " " + num(seq) + " INVITE x", "",
		} {
			early.request("PRACK", "", "RAck: "+wrong)
			h.adapter.expectOf("481", "PRACK")
		}
		early.request("PRACK", "", rack(m))
		prack := h.service.expect("PRACK")
		h.service.respond(prack, 408, "", "") // the response has no effect
		h.adapter.expectOf("408", "PRACK")
		early.request("PRACK", "", rack(m))
		h.adapter.expectOf("481", "PRACK")
		h.service.respond(inv, 486, "far", "")
		h.service.expect("ACK")
		n.nack(h.adapter.expect("486"))
		h.atRest()
	})
}

// A PRACK for a response that we made reliable is not passed on, so nobody can answer an offer in it.
func TestOfferInPrackOfOurs(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far(), "Require: 100rel")
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		m := h.service.expect("180")
		early := d.early(m)
		early.request("PRACK", far(), rack(m))
		h.service.expectOf("488", "PRACK")
		h.adapter.respond(inv, 200, "near", near())
		h.adapter.expect("ACK")
		early.invite = d.invite
		early.established(h.service.expectOf("200", "INVITE")).ack("")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(h.adapter.called(inv, "near"), "1 answered")
	})
}

// A PRACK whose session description cannot be relayed is refused, but still acknowledges the response. A PRACK that is
// not answered ends after 64*T1.
func TestUnusableOfferInPrack(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near(), "Supported: 100rel")
	inv := h.service.expect("INVITE")
	h.service.reliably(inv, 183, "far", far(), 1)
	m := h.adapter.expect("183")
	early := n.early(m)
	early.request("PRACK", "this is no session description\r\n", rack(m))
	if refused := h.adapter.next(); refused.is("200") {
		t.Fatalf("got %s", refused)
	}
	prack := h.service.expect("PRACK")
	if prack.body != "" {
		t.Fatalf("PRACK with %s", prack.body)
	}
	h.service.respond(prack, 200, "", "")
	h.adapter.nothing(h.toAdapter) // it already has its answer
	h.service.reliably(inv, 180, "far", "", 2)
	m = h.adapter.expect("180")
	early.request("PRACK", "", rack(m))
	h.service.expect("PRACK")
	h.adapter.expectOf("408", "PRACK")
	h.service.respond(inv, 486, "far", "")
	h.service.expect("ACK")
	n.nack(h.adapter.expect("486"))
	h.atRest()
}

// A re-INVITE fails if its reliable response is never acknowledged, and the call stays (RFC 3262 section 3).
func TestReinviteWithoutPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		contains(t, inv.get("Supported"), "100rel")
		h.service.reliably(inv, 183, "", far(), 1)
		h.adapter.expect("183")
		c.near.nack(h.adapter.expectOf("500", "INVITE"))
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		h.service.respond(inv, 487, "", "")
		h.service.expect("ACK")
		h.hangUp(c.near)
	})
}

// A transfer needs a call that is up on both sides. The number of transfers with an open outcome is limited (RFC 3515).
func TestTransferOutsideAnAnsweredCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "far", "")
		early := n.early(h.adapter.expect("180"))
		early.request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
		h.adapter.expectOf("491", "REFER")
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		ok := h.adapter.expect("200")
		early.invite = n.invite
		early.established(ok).ack("")
		for range maxReferrals {
			refer := h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
			h.service.respond(refer, 202, "", "")
			h.adapter.expectOf("202", "REFER")
		}
		early.request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
		if m := h.adapter.expectOf("500", "REFER"); m.get("Retry-After") == "" {
			t.Fatal("no Retry-After")
		}
		// a failed transfer makes room
		theirs := h.service.called(inv, "far")
		theirs.request("NOTIFY", "SIP/2.0 603 Decline\r\n", "Content-Type: message/sipfrag", "Event: refer",
			"Subscription-State: Terminated ;reason=noresource")
		h.adapter.respond(h.adapter.expect("NOTIFY"), 200, "", "")
		h.service.expectOf("200", "NOTIFY")
		refer := h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
		h.service.respond(refer, 603, "", "")
		h.adapter.expectOf("603", "REFER")
		refer = h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
		h.service.respond(refer, 202, "", "")
		h.adapter.expectOf("202", "REFER")
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// A NOTIFY about a transfer must be well-formed (RFC 3515 section 2.4.5, RFC 6665 section 4.1.3). A NOTIFY about
// anything else passes while the call is up.
func TestBadNotify(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c := h.incoming()
		refer := h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>")
		h.service.respond(refer, 202, "", "")
		h.adapter.expectOf("202", "REFER")
		n, _ := refer.cseq()
		for _, one := range []struct {
			code, body string
			fields     []string
		}{
			{"481", "SIP/2.0 100 Trying", []string{"Event: refer;id=" + num(n+1), "Content-Type: message/sipfrag",
				"Subscription-State: active"}},
			{"415", "SIP/2.0 100 Trying", []string{"Event: refer", "Content-Type: text/plain",
				"Subscription-State: active"}},
			{"400", "SIP/2.0 100 Trying", []string{"Event: refer", "Content-Type: message/sipfrag"}},
			{"400", "nothing", []string{"Event: refer", "Content-Type: message/sipfrag", "Subscription-State: active"}},
		} {
			c.far.request("NOTIFY", one.body, one.fields...)
			m := h.service.expectOf(one.code, "NOTIFY")
			if one.code == "415" {
				is(t, m, "Accept", "message/sipfrag")
			}
		}
		active := []string{"Event: Refer ; ID = " + num(n), "Content-Type: message/sipfrag",
			"Subscription-State: active"}
		c.far.request("NOTIFY", "SIP/2.0 180 Ringing", active...)
		h.adapter.expect("NOTIFY") // and does not answer it
		h.service.expectOf("408", "NOTIFY")
		c.far.request("NOTIFY", "SIP/2.0 180 Ringing", active...)
		h.adapter.respond(h.adapter.expect("NOTIFY"), 200, "", "")
		h.service.expectOf("200", "NOTIFY")
		h.hangUp(c.near)
		c.far.request("NOTIFY", "digit", "Event: telephone-event", "Content-Type: text/plain",
			"Subscription-State: active")
		h.service.expectOf("481", "NOTIFY")
	})
}

// A REFER without an answer starts a check of the call, like any other request (RFC 5057 section 5.1).
func TestTransferUnanswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>")
		h.adapter.expectOf("408", "REFER")
		h.service.respond(h.service.expect("OPTIONS"), 481, "", "")
		h.vanished(481)
		h.cleared("service-lost")
	})
}

// A refresh by UPDATE with too short an interval is repeated as often as the service requires (RFC 4028 section 7.3).
func TestUpdateTooShort(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 600*time.Microsecond))
		c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", knowsUpdate)
		update := h.service.expect("UPDATE")
		h.service.respond(update, 422, "", "", "Min-SE: 3600")
		again := h.service.expect("UPDATE")
		is(t, again, "Session-Expires", "3600;refresher=uac")
		is(t, again, "Min-SE", "3600")
		first, _ := update.cseq()
		if second, _ := again.cseq(); second != first+1 {
			t.Fatalf("CSeq %d after %d", second, first)
		}
		h.service.respond(again, 200, "", "", "Session-Expires: 3600;refresher=uac", "Require: timer")
		h.hangUp(c.near)
	})
}

// The same for a re-INVITE.
func TestRefreshTooShort(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 600*time.Microsecond))
		c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 422, "", "", "Min-SE: 3600")
		h.service.expect("ACK")
		again := h.service.expect("INVITE")
		is(t, again, "Session-Expires", "3600;refresher=uac")
		if again.body != inv.body {
			t.Fatal("another description")
		}
		h.service.respond(again, 200, "", far(), "Session-Expires: 3600;refresher=uac", "Require: timer")
		h.service.expect("ACK")
		h.hangUp(c.near)
	})
}

// A refresh by re-INVITE waits while another re-INVITE is in progress on either side (RFC 4028 section 7.4, RFC 3261
// section 14.1).
func TestRefreshWaitsForChange(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, fromFar := range []bool{true, false} {
			h := newVirtualTestBed(t, timed(1800, time.Millisecond))
			c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer",
				"Allow: INVITE, ACK, BYE, CANCEL")
			from, asked, there := c.near, h.adapter, h.service
			if fromFar {
				from, asked, there = c.far, h.service, h.adapter
			}
			<-time.After(850 * time.Millisecond) // the refresh is due 50 ms later
			from.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
			asked.expect("100")
			change := there.expect("INVITE")
			there.respond(change, 100, "", "")
			<-time.After(200 * time.Millisecond)
			h.service.nothing(h.toService) // no refresh of ours
			there.respond(change, 488, "", "")
			there.expect("ACK")
			from.nack(asked.expectOf("488", "INVITE"))
			refresh := h.service.expect("INVITE")
			is(t, refresh, "Session-Expires", "1800;refresher=uac")
			h.service.respond(refresh, 200, "", far(), "Session-Expires: 1800;refresher=uac", "Require: timer")
			h.service.expect("ACK")
			h.service.respond(refresh, 200, "", far(), "Session-Expires: 1800;refresher=uac", "Require: timer",
				"Subject: repeated")
			h.service.expect("ACK")
			h.hangUp(c.near)
		}
	})
}

// If one side sends two UPDATEs at once, the second waits (RFC 3311 section 5.2), with or without an offer.
func TestOverlappingUpdates(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.request("UPDATE", offer("127.0.0.1", nearSDP, "sendonly"))
		update := h.service.expect("UPDATE")
		for _, body := range []string{"", near()} {
			c.near.request("UPDATE", body)
			if m := h.adapter.expectOf("500", "UPDATE"); m.get("Retry-After") == "" {
				t.Fatal("no Retry-After")
			}
		}
		h.service.respond(update, 200, "", offer("127.0.0.1", farSDP, "recvonly"))
		h.adapter.expectOf("200", "UPDATE")
		c.near.request("UPDATE", "")
		m := h.adapter.expectOf("200", "UPDATE")
		if !strings.Contains(m.get("Allow"), "UPDATE") || m.get("Contact") == "" {
			t.Fatalf("got %s", m)
		}
		h.hangUp(c.near)
	})
}

// A re-INVITE has reliable responses of its own (RFC 3262), after those of the first INVITE.
func TestReliableProvisionalInReinvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
		n := h.request("5550150", near(), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 180, "far", "", 1)
		m := h.adapter.expect("180")
		early := n.early(m)
		early.request("PRACK", "", rack(m))
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		ok := h.adapter.expectOf("200", "INVITE")
		early.invite = n.invite
		early.established(ok).ack("")
		early.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		h.adapter.expect("100")
		change := h.service.expect("INVITE")
		h.service.reliably(change, 183, "", offer("127.0.0.1", farSDP, "recvonly"), 9)
		m = h.adapter.expect("183")
		invite := early.invite
		early.request("PRACK", "", rack(m))
		prack := h.service.expect("PRACK")
		seq, _ := change.cseq()
		is(t, prack, "RAck", "9 "+num(seq)+" INVITE")
		h.service.respond(prack, 200, "", "")
		h.adapter.expectOf("200", "PRACK")
		<-time.After(time.Second) // nothing is retransmitted, and nobody counts as gone
		h.service.respond(change, 200, "", "")
		h.service.expect("ACK")
		h.adapter.expectOf("200", "INVITE")
		early.invite = invite
		early.ack("")
		h.hangUp(early, "1 requested", "1 answered")
	})
}

// When a fork has lost or ended, its response is not retransmitted, and a missing PRACK does not end the call (RFC 3262
// section 3).
func TestReliableForkIsOver(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, ends := range []bool{true, false} {
			h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
			n := h.request("5550150", near(), "Supported: 100rel")
			inv := h.service.expect("INVITE")
			h.service.reliably(inv, 180, "fork-a", "", 1)
			h.adapter.expect("180") // and never acknowledges it
			h.service.respond(inv, 180, "fork-b", "")
			b := h.adapter.expect("180")
			if ends {
				h.service.respond(inv, 199, "fork-a", "")
			} else {
				h.service.respond(inv, 200, "fork-b", far())
				h.service.expect("ACK")
			}
			inB := n.early(b)
			if !ends {
				inB.established(h.adapter.expect("200")).ack("")
			}
			h.adapter.nothing(h.toAdapter)
			before := h.adapter.repeats.Load()
			<-time.After(time.Second)
			h.adapter.nothing(h.toAdapter)
			if again := h.adapter.repeats.Load() - before; again != 0 {
				t.Fatalf("%d repeats", again)
			}
			if ends {
				h.service.respond(inv, 200, "fork-b", far())
				h.service.expect("ACK")
				inB.established(h.adapter.expect("200")).ack("")
			}
			h.hangUp(inB, "1 requested", "1 answered")
		}
	})
}

// A refresh by re-INVITE that is in progress when the call ends is cancelled.
func TestRefreshUnderWayAtTheEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 600*time.Microsecond))
		c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		refresh := h.service.expect("INVITE")
		h.service.respond(refresh, 100, "", "")
		c.near.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		h.service.respond(refresh, 487, "", "")
		h.service.expect("ACK")
		h.machine.saw("1 near end cleared")
		h.done()
	})
}

// An offer in a 200 is open until its ACK (RFC 3264 section 4, RFC 3311 section 5.2). Neither side may make another
// offer.
func TestOfferIn200IsPending(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive("")
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", near())
		ok := h.service.expect("200")
		n := h.adapter.called(inv, "near")
		early := d.early(ok)
		n.request("UPDATE", near())
		h.adapter.expectOf("500", "UPDATE")
		early.request("UPDATE", far())
		h.service.expectOf("491", "UPDATE")
		early.invite = d.invite
		early.ack(far())
		contains(t, h.adapter.expect("ACK").body, "m=audio")
		n.request("UPDATE", near())
		h.service.respond(h.service.expect("UPDATE"), 200, "", far())
		h.adapter.expectOf("200", "UPDATE")
		// the same in a re-INVITE
		early.request("INVITE", "")
		h.service.expect("100")
		change := h.adapter.expect("INVITE")
		h.adapter.respond(change, 200, "", near())
		h.service.expectOf("200", "INVITE")
		invite := early.invite
		n.request("UPDATE", near())
		h.adapter.expectOf("500", "UPDATE")
		early.request("UPDATE", far())
		h.service.expectOf("500", "UPDATE") // its own INVITE is in progress
		early.invite = invite
		early.ack(far())
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived")
		h.hangUp(n, "1 answered")
	})
}

// If offer and answer were exchanged before the 200, the description in the 200 is no offer (RFC 3262 section 5).
func TestNoOfferInAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive("", "Supported: 100rel")
		inv := h.adapter.expect("INVITE")
		h.adapter.reliably(inv, 183, "near", near(), 1)
		m := h.service.expect("183")
		early := d.early(m)
		early.request("PRACK", far(), rack(m))
		h.adapter.respond(h.adapter.expect("PRACK"), 200, "", "")
		h.service.expectOf("200", "PRACK")
		h.adapter.respond(inv, 200, "near", near())
		ok := h.service.expectOf("200", "INVITE")
		n := h.adapter.called(inv, "near")
		n.request("UPDATE", near())
		h.service.respond(h.service.expect("UPDATE"), 200, "", far())
		h.adapter.expectOf("200", "UPDATE")
		early.invite = d.invite
		early.established(ok).ack("")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(n, "1 answered")
	})
}
