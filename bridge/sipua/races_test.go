package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// The adapter hangs up before the caller's ACK, which never comes. The BYE to the caller waits no longer than 64*T1
// (RFC 3261 section 15).
func TestByeWhoseAckNeverComes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		h.service.Expect("200")
		began := time.Now()
		h.adapter.Called(inv, "near").Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		if waited := time.Since(began); waited != 400*time.Millisecond { // 64*T1 here
			t.Fatalf("BYE after %v", waited)
		}
		h.service.Respond(bye, 200, "", "")
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
				inv := h.adapter.Expect("INVITE")
				h.adapter.Respond(inv, 200, "near", near())
				h.adapter.Expect("ACK")
				caller.Established(h.service.Expect("200"))
				h.adapter.Called(inv, "near").Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				synctest.Wait() // until the BYE waits
				if acknowledges {
					caller.Ack("")
				}
				bye := h.service.Expect("BYE")
				caller.Request("INFO", "")
				h.service.ExpectOf("481", "INFO")
				h.service.Respond(bye, 200, "", "")
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
			c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
			h.service.Expect("100")
			h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "", uatest.Offer("127.0.0.1", nearSDP, "recvonly"))
			h.adapter.Expect("ACK")
			h.service.ExpectOf("200", "INVITE")
			ask := h.service.Expect("OPTIONS")
			if there {
				h.service.Respond(ask, 200, "", "")
				// the next re-INVITE is accepted
				c.near.Request("INVITE", near())
				h.adapter.Expect("100")
				h.service.Respond(h.service.Expect("INVITE"), 200, "", far())
				h.service.Expect("ACK")
				h.adapter.ExpectOf("200", "INVITE")
				c.near.Ack("")
				h.hangUp(c.near)
				continue
			}
			h.service.Respond(ask, 481, "", "")
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
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "near", near())
	ok := h.service.Expect("200")
	h.adapter.Respond(inv, 200, "near", near(), "Subject: repeated") // its ACK waits for the caller's
	h.adapter.ExpectNothing(h.toAdapter)
	h.agent.call(1).runInMailbox(func() {}) // after the repeated 200
	h.adapter.ExpectNothing(h.toAdapter)
	d.Established(ok).Ack("this is no session description\r\n")
	if ack := h.adapter.Expect("ACK"); ack.Body != "" {
		t.Fatalf("ACK with %s", ack.Body)
	}
	h.adapter.Respond(inv, 200, "near", near(), "Subject: repeated again")
	h.adapter.Expect("ACK")
	h.machine.saw("1 arrived")
	h.hangUp(h.adapter.Called(inv, "near"), "1 answered")
}

// An offered call can no longer be refused. An unanswered call is ended with 480 if no other code was chosen.
func TestRefusalAfterOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		h.line.Refuse(1, 486)
		h.line.Offer(1) // it was offered before
		h.service.ExpectNothing(h.toService)
		h.adapter.ExpectNothing(h.toAdapter)
		h.line.ClearFarEnd(1)
		d.AckFailure(h.service.ExpectOf("480", "INVITE"))
		h.line.ClearAdapterLeg(1)
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
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
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		done := make(chan struct{}) // closed when Close has returned
		go func() { defer close(done); h.agent.Close() }()
		d.AckFailure(h.service.ExpectOf("503", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
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
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "psap", far())
		h.service.Expect("ACK")
		help.Established(h.adapter.Expect("200")).Ack("")
		d := h.arrive(far())
		ring := h.adapter.Expect("INVITE")
		h.adapter.Respond(ring, 180, "near", "")
		h.service.Expect("180")
		h.machine.saw("2 requested (emergency)", "2 answered", "3 arrived", "3 ringing")
		h.agent.ClearOrdinary()
		h.machine.saw("3 far end cleared: shutdown")
		d.AckFailure(h.service.ExpectOf("503", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.Respond(ring, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("3 adapter leg cleared: confirmed")
		h.service.ExpectNothing(h.toService)
		h.adapter.ExpectNothing(h.toAdapter)
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
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "")
		began := time.Now()
		c.near.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
		c.near.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		if took := time.Since(began); took != 64*sip.T1 {
			t.Fatalf("487 after %v", took)
		}
		h.service.Respond(inv, 487, "", "")
		h.service.ExpectSilence(time.Millisecond)
		h.hangUp(c.near)
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", near())
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		n := h.adapter.Called(inv, "near")
		n.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		n.Cancel()
		h.adapter.ExpectOf("200", "CANCEL")
		n.AckFailure(h.adapter.ExpectOf("487", "INVITE"))
		d.Established(ok).Ack("")
		h.service.ExpectNothing(h.toService)
		h.machine.saw("1 arrived")
		h.hangUp(n, "1 answered")
	})
}

// Timer C of a re-INVITE: the call stays (RFC 3261 section 16.6).
func TestReinviteTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c, inv := h.changeCancelledByTimerC()
		h.service.Respond(inv, 487, "", "")
		h.service.Expect("ACK")
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
		inv := h.service.Expect("INVITE")
		early := h.service.Called(inv, "far")
		early.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		info := h.adapter.Expect("INFO")
		h.adapter.Respond(info, 200, "", "")
		h.service.ExpectOf("200", "INFO")
		back := *n
		back.Remote = info.Get("From")
		back.Request("INFO", "")
		m := h.service.Expect("INFO")
		contains(t, m.Start, uatest.URI(h.service.Contact())) // the Contact of the request is the remote target
		h.service.Respond(m, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		h.service.Respond(inv, 180, "far", "")
		ringing := h.adapter.Expect("180")
		contains(t, info.Get("From"), "tag="+tagOf(ringing))
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		n.Seq = back.Seq
		n.Established(h.adapter.Expect("200")).Ack("")
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
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "fork-a", "")
		h.adapter.Expect("180")
		h.service.Respond(inv, 180, "fork-b", "")
		inB := n.Early(h.adapter.Expect("180"))
		inB.Request("INFO", "")
		info := h.service.Expect("INFO")
		h.service.Respond(info, 401, "", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n1", qop="auth", algorithm=MD5`)
		again := h.service.Expect("INFO")
		credentials(t, again, "Authorization", "INFO")
		first, _ := info.CSeq()
		second, _ := again.CSeq()
		if second != first+1 {
			t.Fatalf("CSeq %d after %d", second, first)
		}
		h.service.Respond(again, 401, "", "",
			`WWW-Authenticate: Digest realm="pbx.example", nonce="n2", qop="auth", algorithm=MD5, stale=true`)
		h.adapter.ExpectOf("403", "INFO") // one challenge is answered
		inB.Request("INFO", "")
		info = h.service.Expect("INFO")
		if third, _ := info.CSeq(); third != second+1 {
			t.Fatalf("CSeq %d after %d", third, second)
		}
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		h.service.Respond(inv, 486, "fork-b", "")
		h.service.Expect("ACK")
		n.AckFailure(h.adapter.Expect("486"))
		h.atRest()
	})
}

// A provisional response without a tag creates no dialog, but passes.
func TestProvisionalWithoutTag(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.RespondUntagged(inv, 182)
		first := h.adapter.Expect("182")
		h.service.Respond(inv, 180, "far", "")
		if second := h.adapter.Expect("180"); tagOf(second) != tagOf(first) || tagOf(first) == "" {
			t.Fatalf("tags %q and %q", tagOf(first), tagOf(second))
		}
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		n.Established(h.adapter.Expect("200")).Ack("")
		h.hangUp(n, "1 requested", "1 answered")
	})
}

// The fork whose media was in use ends. The media of the previous fork applies again (RFC 6228, RFC 3960). The end of
// another fork changes no media. A reliable 199 is acknowledged.
func TestMediaOfAForkThatEnds(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near())
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 183, "first", uatest.Offer("127.0.0.1", farSDP+8, "sendrecv"))
	h.adapter.Expect("183")
	h.service.Respond(inv, 183, "fork-a", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.adapter.Expect("183")
	h.service.Respond(inv, 183, "fork-b", uatest.Offer("127.0.0.1", farSDP+2, "sendrecv"))
	h.adapter.Expect("183")
	towards := func(port uint16) {
		t.Helper()
		h.agent.call(1).await(t, "media of a fork",
			func(c *call) bool { return c.path.streams[0].sides[media.ServiceSide].rtp.Port() == port })
	}
	h.service.Respond(inv, 183, "fork-a", uatest.Offer("127.0.0.1", farSDP+4, "sendrecv"))
	towards(farSDP + 4)
	h.service.RespondReliably(inv, 199, "fork-c", "", 1)
	h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
	towards(farSDP + 4)
	h.service.Respond(inv, 183, "fork-b", uatest.Offer("127.0.0.1", farSDP+2, "sendrecv"), "Subject: again")
	towards(farSDP + 2)
	h.service.RespondReliably(inv, 199, "fork-b", "", 1)
	prack := h.service.Expect("PRACK")
	contains(t, prack.Get("To"), "fork-b")
	h.service.Respond(prack, 200, "", "")
	towards(farSDP + 4)
	h.service.RespondReliably(inv, 199, "fork-a", "", 1)
	h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
	towards(farSDP + 8)
	h.service.Respond(inv, 486, "x", "")
	h.service.Expect("ACK")
	n.AckFailure(h.adapter.ExpectAfter("183", "486"))
	h.atRest()
}

// An early session description that cannot be relayed is left out. The adapter plays its own ringing tone.
func TestUnusableEarlyMedia(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	n := h.request("5550150", near())
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 183, "far", "this is no session description\r\n")
	if m := h.adapter.Expect("183"); m.Body != "" {
		t.Fatalf("183 with %s", m.Body)
	}
	h.service.Respond(inv, 486, "far", "")
	h.service.Expect("ACK")
	n.AckFailure(h.adapter.Expect("486"))
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
		d.AckFailure(h.service.ExpectOf("480", "INVITE"))
		h.machine.saw("1 adapter lost")
		h.atRest()
		h.adapter.ExpectNothing(h.toAdapter)
	})
}

// A reliable response that crosses the caller's CANCEL is acknowledged. Otherwise the adapter would retransmit it (RFC
// 3262 section 3).
func TestReliableAfterTheEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		d := h.arrive(far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 180, "near", "")
		h.service.Expect("180")
		d.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		d.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		h.adapter.RespondReliably(inv, 183, "near", "", 5)
		prack := h.adapter.Expect("PRACK")
		contains(t, prack.Get("RAck"), "5 ")
		h.adapter.Respond(prack, 200, "", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 ringing", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}
