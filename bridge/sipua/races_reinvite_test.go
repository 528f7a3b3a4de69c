package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// A PRACK that matches no response of ours, or has a bad RAck, is refused. The right one is still accepted (RFC 3262
// section 3).
func TestPrackWithoutProvisional(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n, inv, m := h.ringsReliably()
		early := n.Early(m)
		seq, _ := m.CSeq()
		for _, wrong := range []string{
			m.Get("RSeq") + " " + num(seq), m.Get("RSeq") + " " + num(seq) + " BYE", "x " + num(seq) + " INVITE",
			m.Get("RSeq") + " x INVITE",
			num(atoi(m.Get("RSeq"))+1) + " " + num(seq) + " INVITE", m.Get("RSeq") + " " + num(seq+1) + " INVITE",
			m.Get("RSeq") + " " + num(seq) + " INVITE x", "",
		} {
			early.Request("PRACK", "", "RAck: "+wrong)
			h.adapter.ExpectOf("481", "PRACK")
		}
		early.Request("PRACK", "", rack(m))
		prack := h.service.Expect("PRACK")
		h.service.Respond(prack, 408, "", "") // the response has no effect
		h.adapter.ExpectOf("491", "PRACK")
		early.Request("PRACK", "", rack(m))
		h.adapter.ExpectOf("481", "PRACK")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		n.AckFailure(h.adapter.Expect("486"))
		h.atRest()
	})
}

// A PRACK for a response that we made reliable is not passed on, so nobody can answer an offer in it.
func TestOfferInPrackOfOurs(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far(), "Require: 100rel")
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		m := h.service.Expect("180")
		early := d.Early(m)
		early.Request("PRACK", far(), rack(m))
		h.service.ExpectOf("488", "PRACK")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		early.Invite = d.Invite
		early.Established(h.service.ExpectOf("200", "INVITE")).Ack("")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(h.adapter.Called(inv, "near"), "1 answered")
	})
}

// A PRACK whose session description cannot be relayed is refused, but still acknowledges the response. A PRACK that is
// not answered ends after 64*T1.
func TestUnusableOfferInPrack(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near(), "Supported: 100rel")
	inv := h.service.Expect("INVITE")
	h.service.RespondReliably(inv, 183, "far", far(), 1)
	m := h.adapter.Expect("183")
	early := n.Early(m)
	early.Request("PRACK", "this is no session description\r\n", rack(m))
	if refused := h.adapter.Next(); refused.Is("200") {
		t.Fatalf("got %s", refused)
	}
	prack := h.service.Expect("PRACK")
	if prack.Body != "" {
		t.Fatalf("PRACK with %s", prack.Body)
	}
	h.service.Respond(prack, 200, "", "")
	h.adapter.ExpectNothing(h.toAdapter) // it already has its answer
	h.service.RespondReliably(inv, 180, "far", "", 2)
	m = h.adapter.Expect("180")
	early.Request("PRACK", "", rack(m))
	h.service.Expect("PRACK")
	h.adapter.ExpectOf("491", "PRACK")
	h.service.Respond(inv, 486, "far", "")
	h.service.Expect("ACK")
	n.AckFailure(h.adapter.Expect("486"))
	h.atRest()
}

// A re-INVITE fails if its reliable response is never acknowledged, and the call stays (RFC 3262 section 3).
func TestReinviteWithoutPrack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		contains(t, inv.Get("Supported"), "100rel")
		h.service.RespondReliably(inv, 183, "", far(), 1)
		h.adapter.Expect("183")
		c.near.AckFailure(h.adapter.ExpectOf("500", "INVITE"))
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		h.service.Respond(inv, 487, "", "")
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// A transfer needs a call that is up on both sides. The number of transfers with an open outcome is limited (RFC 3515).
func TestTransferOutsideAnAnsweredCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far", "")
		early := n.Early(h.adapter.Expect("180"))
		early.Request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
		h.adapter.ExpectOf("491", "REFER")
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		early.Invite = n.Invite
		early.Established(ok).Ack("")
		for range maxReferrals {
			refer := h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
			h.service.Respond(refer, 202, "", "")
			h.adapter.ExpectOf("202", "REFER")
		}
		early.Request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
		if m := h.adapter.ExpectOf("500", "REFER"); m.Get("Retry-After") == "" {
			t.Fatal("no Retry-After")
		}
		// a failed transfer makes room
		theirs := h.service.Called(inv, "far")
		theirs.Request("NOTIFY", "SIP/2.0 603 Decline\r\n", "Content-Type: message/sipfrag", "Event: refer",
			"Subscription-State: Terminated ;reason=noresource")
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 200, "", "")
		h.service.ExpectOf("200", "NOTIFY")
		refer := h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
		h.service.Respond(refer, 603, "", "")
		h.adapter.ExpectOf("603", "REFER")
		refer = h.refer(early, "Refer-To: <sip:5550151@pbx.example>")
		h.service.Respond(refer, 202, "", "")
		h.adapter.ExpectOf("202", "REFER")
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
		h.service.Respond(refer, 202, "", "")
		h.adapter.ExpectOf("202", "REFER")
		n, _ := refer.CSeq()
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
			c.far.Request("NOTIFY", one.body, one.fields...)
			m := h.service.ExpectOf(one.code, "NOTIFY")
			if one.code == "415" {
				is(t, m, "Accept", "message/sipfrag")
			}
		}
		active := []string{"Event: Refer ; ID = " + num(n), "Content-Type: message/sipfrag",
			"Subscription-State: active"}
		c.far.Request("NOTIFY", "SIP/2.0 180 Ringing", active...)
		h.adapter.Expect("NOTIFY") // and does not answer it
		h.service.ExpectOf("408", "NOTIFY")
		c.far.Request("NOTIFY", "SIP/2.0 180 Ringing", active...)
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 200, "", "")
		h.service.ExpectOf("200", "NOTIFY")
		h.hangUp(c.near)
		c.far.Request("NOTIFY", "digit", "Event: telephone-event", "Content-Type: text/plain",
			"Subscription-State: active")
		h.service.ExpectOf("481", "NOTIFY")
	})
}

// A REFER without an answer starts a check of the call, like any other request (RFC 5057 section 5.1).
func TestTransferUnanswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>")
		h.adapter.ExpectOf("491", "REFER")
		h.service.Respond(h.service.Expect("OPTIONS"), 481, "", "")
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
		update := h.service.Expect("UPDATE")
		h.service.Respond(update, 422, "", "", "Min-SE: 3600")
		again := h.service.Expect("UPDATE")
		is(t, again, "Session-Expires", "3600;refresher=uac")
		is(t, again, "Min-SE", "3600")
		first, _ := update.CSeq()
		if second, _ := again.CSeq(); second != first+1 {
			t.Fatalf("CSeq %d after %d", second, first)
		}
		h.service.Respond(again, 200, "", "", "Session-Expires: 3600;refresher=uac", "Require: timer")
		h.hangUp(c.near)
	})
}

// The same for a re-INVITE.
func TestRefreshTooShort(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 600*time.Microsecond))
		c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 422, "", "", "Min-SE: 3600")
		h.service.Expect("ACK")
		again := h.service.Expect("INVITE")
		is(t, again, "Session-Expires", "3600;refresher=uac")
		if again.Body != inv.Body {
			t.Fatal("another description")
		}
		h.service.Respond(again, 200, "", far(), "Session-Expires: 3600;refresher=uac", "Require: timer")
		h.service.Expect("ACK")
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
			from.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
			asked.Expect("100")
			change := there.Expect("INVITE")
			there.Respond(change, 100, "", "")
			<-time.After(200 * time.Millisecond)
			h.service.ExpectNothing(h.toService) // no refresh of ours
			there.Respond(change, 488, "", "")
			there.Expect("ACK")
			from.AckFailure(asked.ExpectOf("488", "INVITE"))
			refresh := h.service.Expect("INVITE")
			is(t, refresh, "Session-Expires", "1800;refresher=uac")
			h.service.Respond(refresh, 200, "", far(), "Session-Expires: 1800;refresher=uac", "Require: timer")
			h.service.Expect("ACK")
			h.service.Respond(refresh, 200, "", far(), "Session-Expires: 1800;refresher=uac", "Require: timer",
				"Subject: repeated")
			h.service.Expect("ACK")
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
		c.near.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		update := h.service.Expect("UPDATE")
		for _, body := range []string{"", near()} {
			c.near.Request("UPDATE", body, "Supported: timer", "Session-Expires: 90;refresher=uac")
			if m := h.adapter.ExpectOf("500", "UPDATE"); m.Get("Retry-After") == "" {
				t.Fatal("no Retry-After")
			}
		}
		one := h.agent.call(1)
		timed := false
		one.runInMailbox(func() { timed = one.legs[media.AdapterSide].session.ends != nil })
		if timed {
			t.Fatal("a refused UPDATE starts a session timer")
		}
		h.service.Respond(update, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.adapter.ExpectOf("200", "UPDATE")
		c.near.Request("UPDATE", "")
		m := h.adapter.ExpectOf("200", "UPDATE")
		if !strings.Contains(m.Get("Allow"), "UPDATE") || m.Get("Contact") == "" {
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
		n, inv, m := h.ringsReliably()
		early := n.Early(m)
		early.Request("PRACK", "", rack(m))
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		ok := h.adapter.ExpectOf("200", "INVITE")
		early.Invite = n.Invite
		early.Established(ok).Ack("")
		early.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"), "Supported: 100rel")
		h.adapter.Expect("100")
		change := h.service.Expect("INVITE")
		h.service.RespondReliably(change, 183, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"), 9)
		m = h.adapter.Expect("183")
		invite := early.Invite
		early.Request("PRACK", "", rack(m))
		prack := h.service.Expect("PRACK")
		seq, _ := change.CSeq()
		is(t, prack, "RAck", "9 "+num(seq)+" INVITE")
		h.service.Respond(prack, 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		<-time.After(time.Second) // nothing is retransmitted, and nobody counts as gone
		h.service.Respond(change, 200, "", "")
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		early.Invite = invite
		early.Ack("")
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
			inv := h.service.Expect("INVITE")
			h.service.RespondReliably(inv, 180, "fork-a", "", 1)
			h.adapter.Expect("180") // and never acknowledges it
			h.service.Respond(inv, 180, "fork-b", "")
			b := h.adapter.Expect("180")
			if ends {
				h.service.Respond(inv, 199, "fork-a", "")
			} else {
				h.service.Respond(inv, 200, "fork-b", far())
				h.service.Expect("ACK")
			}
			inB := n.Early(b)
			if !ends {
				inB.Established(h.adapter.Expect("200")).Ack("")
			}
			h.adapter.ExpectNothing(h.toAdapter)
			before := h.adapter.Repeats.Load()
			<-time.After(time.Second)
			h.adapter.ExpectNothing(h.toAdapter)
			if again := h.adapter.Repeats.Load() - before; again != 0 {
				t.Fatalf("%d repeats", again)
			}
			if ends {
				h.service.Respond(inv, 200, "fork-b", far())
				h.service.Expect("ACK")
				inB.Established(h.adapter.Expect("200")).Ack("")
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
		refresh := h.service.Expect("INVITE")
		h.service.Respond(refresh, 100, "", "")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		h.service.Respond(refresh, 487, "", "")
		h.service.Expect("ACK")
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
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		ok := h.service.Expect("200")
		n := h.adapter.Called(inv, "near")
		early := d.Early(ok)
		n.Request("UPDATE", near())
		h.adapter.ExpectOf("500", "UPDATE")
		early.Request("UPDATE", far())
		h.service.ExpectOf("491", "UPDATE")
		early.Invite = d.Invite
		early.Ack(far())
		contains(t, h.adapter.Expect("ACK").Body, "m=audio")
		n.Request("UPDATE", near())
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", far())
		h.adapter.ExpectOf("200", "UPDATE")
		// the same in a re-INVITE
		early.Request("INVITE", "")
		h.service.Expect("100")
		change := h.adapter.Expect("INVITE")
		h.adapter.Respond(change, 200, "", near())
		h.service.ExpectOf("200", "INVITE")
		invite := early.Invite
		n.Request("UPDATE", near())
		h.adapter.ExpectOf("500", "UPDATE")
		early.Request("UPDATE", far())
		h.service.ExpectOf("500", "UPDATE") // its own INVITE is in progress
		early.Invite = invite
		early.Ack(far())
		h.adapter.Expect("ACK")
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
		inv := h.adapter.Expect("INVITE")
		h.adapter.RespondReliably(inv, 183, "near", near(), 1)
		m := h.service.Expect("183")
		early := d.Early(m)
		early.Request("PRACK", far(), rack(m))
		h.adapter.Respond(h.adapter.Expect("PRACK"), 200, "", "")
		h.service.ExpectOf("200", "PRACK")
		h.adapter.Respond(inv, 200, "near", near())
		ok := h.service.ExpectOf("200", "INVITE")
		n := h.adapter.Called(inv, "near")
		n.Request("UPDATE", near())
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", far())
		h.adapter.ExpectOf("200", "UPDATE")
		early.Invite = d.Invite
		early.Established(ok).Ack("")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing")
		h.hangUp(n, "1 answered")
	})
}
