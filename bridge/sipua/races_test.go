package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
)

// The adapter hangs up before the caller's ACK, which never comes. The BYE to the caller waits no longer than 64*T1
// (RFC 3261 section 15).
func TestByeWhoseAckNeverComes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(far())
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", near())
		h.adapter.expect("ACK")
		h.service.expect("200")
		began := time.Now()
		h.adapter.called(inv, "near").request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		if waited := time.Since(began); waited != 400*time.Millisecond { // 64*T1 here
			t.Fatalf("BYE after %v", waited)
		}
		h.service.respond(bye, 200, "", "")
		h.machine.saw("1 arrived", "1 answered", "1 near end cleared")
		h.done()
	})
}

// A request that crosses our BYE gets 481 (RFC 5407 section 3.2). This also holds if the BYE waited for the peer's ACK,
// or for the end of that wait (RFC 3261 section 15).
func TestRequestCrossesAByeThatWaited(t *testing.T) {
	t.Parallel()
	for name, acknowledges := range map[string]bool{"ACK": true, "no ACK": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, shorter)
				caller := h.arrive(far())
				inv := h.adapter.expect("INVITE")
				h.adapter.respond(inv, 200, "near", near())
				h.adapter.expect("ACK")
				caller.established(h.service.expect("200"))
				h.adapter.called(inv, "near").request("BYE", "")
				h.adapter.expectOf("200", "BYE")
				synctest.Wait() // until the BYE waits
				if acknowledges {
					caller.ack("")
				}
				bye := h.service.expect("BYE")
				caller.request("INFO", "")
				h.service.expectOf("481", "INFO")
				h.service.respond(bye, 200, "", "")
				h.machine.saw("1 arrived", "1 answered", "1 near end cleared")
				h.done()
			})
		})
	}
}

// A peer that never acknowledges the 200 to its re-INVITE is asked whether it is still there (RFC 3261 section 14.2).
// If it is, the call continues.
func TestReinviteNeverAcknowledged(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, there := range []bool{true, false} {
			h := newVirtualTestBed(t, shorter)
			c := h.incoming()
			c.far.request("INVITE", offer("127.0.0.1", farSDP, "sendonly"))
			h.service.expect("100")
			h.adapter.respond(h.adapter.expect("INVITE"), 200, "", offer("127.0.0.1", nearSDP, "recvonly"))
			h.adapter.expect("ACK")
			h.service.expectOf("200", "INVITE")
			ask := h.service.expect("OPTIONS")
			if there {
				h.service.respond(ask, 200, "", "")
				// the next re-INVITE is accepted
				c.near.request("INVITE", near())
				h.adapter.expect("100")
				h.service.respond(h.service.expect("INVITE"), 200, "", far())
				h.service.expect("ACK")
				h.adapter.expectOf("200", "INVITE")
				c.near.ack("")
				h.hangUp(c.near)
				continue
			}
			h.service.respond(ask, 481, "", "")
			h.vanished(481)
			h.cleared("service-lost")
		}
	})
}

// An answer in an ACK cannot be relayed. The called side still gets its ACK, without the answer.
func TestUnusableAnswerInAck(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	d := h.arrive("")
	inv := h.adapter.expect("INVITE")
	h.adapter.respond(inv, 200, "near", near())
	ok := h.service.expect("200")
	h.adapter.respond(inv, 200, "near", near(), "Subject: repeated") // its ACK waits for the caller's
	h.adapter.nothing(h.toAdapter)
	h.agent.call(1).runInMailbox(func() {}) // after the repeated 200
	h.adapter.nothing(h.toAdapter)
	d.established(ok).ack("this is no session description\r\n")
	if ack := h.adapter.expect("ACK"); ack.body != "" {
		t.Fatalf("ACK with %s", ack.body)
	}
	h.adapter.respond(inv, 200, "near", near(), "Subject: repeated again")
	h.adapter.expect("ACK")
	h.machine.saw("1 arrived")
	h.hangUp(h.adapter.called(inv, "near"), "1 answered")
}

// An offered call can no longer be refused. An unanswered call is ended with 480 if no other code was chosen.
func TestRefusalAfterOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		h.line.Refuse(1, 486)
		h.line.Offer(1) // it was offered before
		h.service.nothing(h.toService)
		h.adapter.nothing(h.toAdapter)
		h.line.ClearFarEnd(1)
		d.nack(h.service.expectOf("480", "INVITE"))
		h.line.ClearAdapterLeg(1)
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 adapter leg cleared: confirmed")
		h.done()
	})
}

// An agent that is closed ends a ringing call with 503.
func TestCloseWhileRinging(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		done := make(chan struct{}) // closed when Close has returned
		go func() { defer close(done); h.agent.Close() }()
		d.nack(h.service.expectOf("503", "INVITE"))
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		<-done
	})
}

// A daemon that shuts down during an emergency call clears ringing calls and leaves the answered call alone (invariant
// 1).
func TestShutdownClearsRingingCallBesideAnEmergencyCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		h.outgoing()
		help := h.request("999", near())
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 200, "psap", far())
		h.service.expect("ACK")
		help.established(h.adapter.expect("200")).ack("")
		d := h.arrive(far())
		ring := h.adapter.expect("INVITE")
		h.adapter.respond(ring, 180, "near", "")
		h.service.expect("180")
		h.machine.saw("2 requested (emergency)", "2 answered", "3 arrived", "3 ringing")
		h.agent.ClearOrdinary()
		h.machine.saw("3 far end cleared: shutdown")
		d.nack(h.service.expectOf("503", "INVITE"))
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.respond(ring, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("3 adapter leg cleared: confirmed")
		h.service.nothing(h.toService)
		h.adapter.nothing(h.toAdapter)
		eventually(t, "two calls", func() bool { return h.line.Status().Calls == 2 })
	})
}

// A cancelled re-INVITE without further responses is abandoned after 64*T1 (RFC 3261 section 9.1), and later responses
// do no harm. A cancelled re-INVITE that still waited for the other side's ACK is refused at once.
func TestCancelledReinviteUnanswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter, func(_ *Options, t *times) { t.ringing = time.Minute })
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 100, "", "")
		began := time.Now()
		c.near.cancel()
		h.adapter.expectOf("200", "CANCEL")
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		c.near.nack(h.adapter.expectOf("487", "INVITE"))
		if took := time.Since(began); took != 64*sip.T1 {
			t.Fatalf("487 after %v", took)
		}
		h.service.respond(inv, 487, "", "")
		h.service.silent(time.Millisecond)
		h.hangUp(c.near)
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 200, "near", near())
		h.adapter.expect("ACK")
		ok := h.service.expect("200")
		n := h.adapter.called(inv, "near")
		n.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		n.cancel()
		h.adapter.expectOf("200", "CANCEL")
		n.nack(h.adapter.expectOf("487", "INVITE"))
		d.established(ok).ack("")
		h.service.nothing(h.toService)
		h.machine.saw("1 arrived")
		h.hangUp(n, "1 answered")
	})
}

// Timer C of a re-INVITE: the call stays (RFC 3261 section 16.6).
func TestReinviteTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c := h.incoming()
		c.near.request("INVITE", offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.expect("100")
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "", "")
		h.adapter.expect("180")
		c.near.nack(h.adapter.expectOf("408", "INVITE"))
		h.service.respond(h.service.expect("CANCEL"), 200, "", "")
		h.service.respond(inv, 487, "", "")
		h.service.expect("ACK")
		h.hangUp(c.near)
	})
}

// A request in a dialog whose first response was lost, or is still on its way, creates the dialog (RFC 3261 section
// 12.1).
func TestRequestBeforeItsDialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.expect("INVITE")
		early := h.service.called(inv, "far")
		early.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		info := h.adapter.expect("INFO")
		h.adapter.respond(info, 200, "", "")
		h.service.expectOf("200", "INFO")
		back := *n
		back.remote = info.get("From")
		back.request("INFO", "")
		m := h.service.expect("INFO")
		contains(t, m.start, uri(h.service.contact())) // the Contact of the request is the remote target
		h.service.respond(m, 200, "", "")
		h.adapter.expectOf("200", "INFO")
		h.service.respond(inv, 180, "far", "")
		ringing := h.adapter.expect("180")
		contains(t, info.get("From"), "tag="+tagOf(ringing))
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		n.cseq = back.cseq
		n.established(h.adapter.expect("200")).ack("")
		h.hangUp(n, "1 requested", "1 answered")
	})
}

// A request in an early dialog is challenged. It is sent again with credentials, and the CSeq numbers of later requests
// continue from there (RFC 3261 section 22.2).
func TestChallengeInEarlyDialog(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "fork-a", "")
		h.adapter.expect("180")
		h.service.respond(inv, 180, "fork-b", "")
		inB := n.early(h.adapter.expect("180"))
		inB.request("INFO", "")
		info := h.service.expect("INFO")
		h.service.respond(info, 401, "", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		again := h.service.expect("INFO")
		credentials(t, again, "Authorization", "INFO")
		first, _ := info.cseq()
		second, _ := again.cseq()
		if second != first+1 {
			t.Fatalf("CSeq %d after %d", second, first)
		}
		h.service.respond(again, 401, "", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n2", qop="auth", algorithm=MD5, stale=true`)
		h.adapter.expectOf("403", "INFO") // one challenge is answered
		inB.request("INFO", "")
		info = h.service.expect("INFO")
		if third, _ := info.cseq(); third != second+1 {
			t.Fatalf("CSeq %d after %d", third, second)
		}
		h.service.respond(info, 200, "", "")
		h.adapter.expectOf("200", "INFO")
		h.service.respond(inv, 486, "fork-b", "")
		h.service.expect("ACK")
		n.nack(h.adapter.expect("486"))
		h.atRest()
	})
}

// untagged sends a response without a To tag, as an RFC 2543 proxy may.
func (p *testPeer) untagged(req message, code int) {
	p.t.Helper()
	p.send(req.from, "SIP/2.0 "+num(code)+" Said "+p.name, "Via: "+req.get("Via"), "From: "+req.get("From"),
		"To: "+req.get("To"), "Call-ID: "+req.get("Call-ID"),
		"CSeq: "+req.get("CSeq"), "")
}

// A provisional response without a tag creates no dialog, but passes.
func TestProvisionalWithoutTag(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.expect("INVITE")
		h.service.untagged(inv, 182)
		first := h.adapter.expect("182")
		h.service.respond(inv, 180, "far", "")
		if second := h.adapter.expect("180"); tagOf(second) != tagOf(first) || tagOf(first) == "" {
			t.Fatalf("tags %q and %q", tagOf(first), tagOf(second))
		}
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		n.established(h.adapter.expect("200")).ack("")
		h.hangUp(n, "1 requested", "1 answered")
	})
}

// The fork whose media was in use ends. The media of the previous fork applies again (RFC 6228, RFC 3960). A reliable
// 199 is acknowledged.
func TestMediaOfAForkThatEnds(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near())
	inv := h.service.expect("INVITE")
	h.service.respond(inv, 183, "fork-a", offer("127.0.0.1", farSDP, "sendrecv"))
	h.adapter.expect("183")
	h.service.respond(inv, 183, "fork-b", offer("127.0.0.1", farSDP+2, "sendrecv"))
	h.adapter.expect("183")
	towards := func(port uint16) {
		t.Helper()
		h.agent.call(1).await(t, "media of a fork",
			func(c *call) bool { return c.path.streams[0].sides[media.ServiceSide].rtp.Port() == port })
	}
	towards(farSDP + 2)
	h.service.reliably(inv, 199, "fork-b", "", 1)
	prack := h.service.expect("PRACK")
	contains(t, prack.get("To"), "fork-b")
	h.service.respond(prack, 200, "", "")
	towards(farSDP)
	h.service.reliably(inv, 199, "fork-a", "", 1)
	h.service.respond(h.service.expect("PRACK"), 200, "", "")
	h.service.respond(inv, 486, "x", "")
	h.service.expect("ACK")
	n.nack(h.adapter.expect("486"))
	h.atRest()
}

// An early session description that cannot be relayed is left out. The adapter plays its own ringing tone.
func TestUnusableEarlyMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near())
	inv := h.service.expect("INVITE")
	h.service.respond(inv, 183, "far", "this is no session description\r\n")
	if m := h.adapter.expect("183"); m.body != "" {
		t.Fatalf("183 with %s", m.body)
	}
	h.service.respond(inv, 486, "far", "")
	h.service.expect("ACK")
	n.nack(h.adapter.expect("486"))
	h.atRest()
}

// The binding ends between the call's arrival and its offer. The service gets 480, and AdapterLost is posted.
func TestBindingEndsBeforeOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		h.machine.keep.Store(true)
		d := h.arrive(far())
		h.machine.saw("1 arrived")
		h.registerFor(h.adapter, 0)
		h.line.Offer(1)
		d.nack(h.service.expectOf("480", "INVITE"))
		h.machine.saw("1 adapter lost")
		h.atRest()
		h.adapter.nothing(h.toAdapter)
	})
}

// A reliable response that crosses the caller's CANCEL is acknowledged. Otherwise the adapter would retransmit it (RFC
// 3262 section 3).
func TestReliableAfterTheEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.expect("INVITE")
		h.adapter.respond(inv, 180, "near", "")
		h.service.expect("180")
		d.cancel()
		h.service.expectOf("200", "CANCEL")
		d.nack(h.service.expectOf("487", "INVITE"))
		h.adapter.respond(h.adapter.expect("CANCEL"), 200, "near", "")
		h.adapter.reliably(inv, 183, "near", "", 5)
		prack := h.adapter.expect("PRACK")
		contains(t, prack.get("RAck"), "5 ")
		h.adapter.respond(prack, 200, "", "")
		h.adapter.respond(inv, 487, "near", "")
		h.adapter.expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}
