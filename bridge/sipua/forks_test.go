package sipua

import (
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// done ends a test: no call is up, and no peer has an unexpected message.
func (h *testBed) done() {
	h.t.Helper()
	h.atRest()
	h.adapter.ExpectNothing(h.toAdapter)
	h.service.ExpectNothing(h.toService)
	select {
	case ev := <-h.machine.seen:
		h.t.Fatalf("unexpected event %q", ev)
	default:
	}
}

// tagOf returns the To tag.
func tagOf(m uatest.Message) string {
	_, tag, _ := strings.Cut(m.Get("To"), ";tag=")
	return tag
}

// await polls until so reports true for the call.
func (c *call) await(t *testing.T, what string, so func(*call) bool) {
	t.Helper()
	eventually(t, what, func() bool {
		is := false
		c.runInMailbox(func() { is = so(c) })
		return is
	})
}

// Two forks, one of them answered (RFC 3261 sections 12.1 and 13.2.2.4). Towards the caller each is a dialog of its
// own, and requests in both directions reach their fork. When one is answered the other ends.
func TestForks(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 183, "fork-a", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), h.service.ContactAs("a"))
	a := h.adapter.Expect("183")
	h.service.Respond(inv, 183, "fork-b", uatest.Offer("127.0.0.1", farSDP+2, "sendrecv"), h.service.ContactAs("b"))
	b := h.adapter.Expect("183")
	if tagOf(a) == tagOf(b) || tagOf(a) == "" || tagOf(b) == "" {
		t.Fatalf("tags of two forks: %q and %q", tagOf(a), tagOf(b))
	}
	inA, inB := near.Early(a), near.Early(b)
	for _, c := range []struct {
		d    *uatest.Dialog
		fork string
	}{{inB, "b"}, {inA, "a"}, {inB, "b"}} {
		c.d.Request("INFO", "")
		info := h.service.Expect("INFO")
		contains(t, info.Get("To"), "tag=fork-"+c.fork)
		contains(t, info.Start, "sip:"+c.fork+"@")
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
	}
	// and in the other direction
	farA, farB := h.service.Called(inv, "fork-a"), h.service.Called(inv, "fork-b")
	farB.Request("INFO", "")
	info := h.adapter.Expect("INFO")
	if !strings.Contains(info.Get("From"), tagOf(b)) {
		t.Fatalf("INFO of fork b comes in another dialog: %s", info)
	}
	is(t, info, "CSeq", "2 INFO")
	h.adapter.Respond(info, 200, "", "")
	h.service.ExpectOf("200", "INFO")
	// the first fork answers
	h.service.Respond(inv, 200, "fork-a", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), h.service.ContactAs("a"))
	h.service.Expect("ACK")
	ok := h.adapter.Expect("200")
	if tagOf(ok) != tagOf(a) {
		t.Fatalf("the 200 has tag %q, its fork had %q", tagOf(ok), tagOf(a))
	}
	inA.Established(ok).Ack("")
	inB.Request("INFO", "")
	h.adapter.ExpectOf("481", "INFO")
	farB.Request("INFO", "")
	h.service.ExpectOf("481", "INFO")
	farB.Request("BYE", "")
	h.service.ExpectOf("481", "BYE")
	farA.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	bye := h.adapter.Expect("BYE")
	contains(t, bye.Get("From"), tagOf(a))
	h.adapter.Respond(bye, 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.done()
}

// The second fork answers. The 200 has its tag, and the call continues in its dialog.
func TestSecondForkAnswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "fork-a", "")
		a := h.adapter.Expect("180")
		h.service.Respond(inv, 180, "fork-b", "")
		b := h.adapter.Expect("180")
		h.service.Respond(inv, 200, "fork-b", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		ok := h.adapter.Expect("200")
		if tagOf(ok) != tagOf(b) {
			t.Fatalf("the 200 has tag %q, its fork had %q", tagOf(ok), tagOf(b))
		}
		inA, inB := near.Early(a), near.Early(ok)
		inA.Ack("") // in the wrong dialog, so without effect
		inA.Request("BYE", "")
		h.adapter.ExpectOf("481", "BYE")
		inB.Ack("")
		inB.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		contains(t, bye.Get("To"), "fork-b")
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}

// The caller sends BYE to one of two forks. Only that fork ends (RFC 3261 section 15).
func TestByeToOneFork(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "fork-a", "")
		inA := near.Early(h.adapter.Expect("180"))
		h.service.Respond(inv, 180, "fork-b", "")
		h.adapter.Expect("180")
		inA.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		contains(t, bye.Get("To"), "fork-a")
		h.service.Respond(bye, 200, "", "")
		inA.Request("INFO", "")
		h.adapter.ExpectOf("481", "INFO")
		h.service.Respond(inv, 200, "fork-b", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		inB := near.Early(h.adapter.Expect("200"))
		inB.Ack("")
		inB.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}

// The caller sends BYE to a fork that answers at the same moment. The fork's early answer was never acknowledged, and
// never will be. So the 200 passes at once, for the caller to end it (RFC 3261 section 15), and nothing waits for ever.
func TestByeToAForkCrosses200(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.Expect("INVITE")
		h.service.RespondReliably(inv, 183, "fork-a", uatest.Offer("127.0.0.1", farSDP, "sendrecv"), 1)
		inA := near.Early(h.adapter.Expect("183"))
		h.service.Respond(inv, 180, "fork-b", "")
		h.adapter.Expect("180")
		inA.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		h.service.Respond(inv, 200, "fork-a", "")
		h.service.Respond(bye, 481, "", "")
		h.service.Expect("ACK")
		inA.Invite = near.Invite
		inA.Established(h.adapter.Expect("200")).Ack("")
		h.hangUp(inA, "1 requested", "1 answered")
	})
}

// RFC 6228: a 199 ends one fork. It passes only to callers that support it.
func TestForkTerminated(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, knows := range []bool{false, true} {
			h := newVirtualTestBed(t)
			var extra []string
			if knows {
				extra = []string{"Supported: 199"}
			}
			near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"), extra...)
			inv := h.service.Expect("INVITE")
			if got := strings.Contains(inv.Get("Supported"), "199"); got != knows {
				t.Fatalf("Supported: %q", inv.Get("Supported"))
			}
			h.service.Respond(inv, 180, "fork-a", "")
			inA := near.Early(h.adapter.Expect("180"))
			h.service.Respond(inv, 199, "fork-a", "", `Reason: SIP;cause=486`)
			if knows {
				m := h.adapter.Expect("199")
				contains(t, m.Get("Reason"), "486")
				if !strings.HasSuffix(inA.Remote, tagOf(m)) {
					t.Fatalf("199 in another dialog: %s", m)
				}
			}
			h.agent.call(1).await(t, "the end of the fork",
				func(c *call) bool { return c.legs[media.ServiceSide].live() == 0 })
			inA.Request("INFO", "")
			h.adapter.ExpectOf("481", "INFO")
			h.service.Respond(inv, 486, "fork-b", "")
			h.service.Expect("ACK")
			near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
			h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			h.done()
		}
	})
}

// A fork that answers after its 199 is up, whatever the 199 said: its BYE ends the call.
func TestForkAnswersAfterItsEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far", "")
		h.adapter.Expect("180")
		h.service.Respond(inv, 199, "far", "")
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.service.Called(inv, "far").Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// Media follows the answer shown last until one fork is answered. Then that fork's answer applies, even if its 200 does
// not repeat it.
func TestMediaOfForks(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying)
	listen := func() *net.UDPConn {
		c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	at := func(c *net.UDPConn) int { return c.LocalAddr().(*net.UDPAddr).Port }
	own, voiceA, voiceB := listen(), listen(), listen()
	near := h.request("5550150", uatest.Offer("127.0.0.1", at(own), "sendrecv"), "Supported: 100rel")
	inv := h.service.Expect("INVITE")
	var relayed int
	say := func(fork string, voice *net.UDPConn) *uatest.Dialog {
		h.service.Respond(inv, 183, fork, uatest.Offer("127.0.0.1", at(voice), "sendrecv"), "Require: 100rel", "RSeq: 7")
		m := h.adapter.Expect("183")
		relayed = atoi(port(m.Body))
		d := near.Early(m)
		d.Request("PRACK", "", "RAck: "+m.Get("RSeq")+" "+num(near.Seq)+" INVITE")
		h.service.Respond(h.service.Expect("PRACK"), 200, "", "")
		h.adapter.ExpectOf("200", "PRACK")
		return d
	}
	hears := func(c *net.UDPConn) {
		t.Helper()
		rtp := append([]byte{0x80, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1}, make([]byte, 160)...)
		if _, err := own.WriteToUDP(rtp, &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: relayed}); err != nil {
			t.Fatal(err)
		}
		c.SetReadDeadline(time.Now().Add(testTimeout))
		if _, err := c.Read(make([]byte, 2000)); err != nil {
			t.Fatal(err)
		}
	}
	inA := say("fork-a", voiceA)
	hears(voiceA)
	say("fork-b", voiceB)
	hears(voiceB)
	h.service.Respond(inv, 200, "fork-a", "")
	h.service.Expect("ACK")
	inA.Established(h.adapter.Expect("200")).Ack("")
	hears(voiceA)
	inA.Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 near end cleared")
	h.done()
}

// A service that answers with ever new tags does not fill the memory. The fork that answers in the end is still
// accepted.
func TestTooManyForks(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		for i := range maxForks {
			h.service.Respond(inv, 180, "fork-"+num(i), "")
			h.adapter.Expect("180")
		}
		h.service.Respond(inv, 183, "one-more", far())
		h.service.Called(inv, "another").Request("INFO", "")
		h.service.ExpectOf("481", "INFO")
		h.adapter.ExpectNothing(h.toAdapter)
		h.service.Respond(inv, 200, "one-more", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		d := near.Early(h.adapter.Expect("200"))
		d.Ack("")
		d.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}

// Only while our first INVITE is unanswered may a request come from a fork that we do not know yet. Later a request
// with another tag is in no dialog of ours (RFC 3261 section 12.2.2), not even during a re-INVITE.
func TestRequestOfAnUnknownForkInAChange(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "")
		stranger := *c.far
		stranger.Local = "<sip:5550150@pbx.example>;tag=another"
		for _, method := range []string{"INFO", "UPDATE"} {
			stranger.Request(method, "")
			h.service.ExpectOf("481", method)
		}
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.Expect("200")
		c.near.Ack("")
		h.hangUp(c.near)
	})
}

// Before the first response of the called side there is no dialog to pass a request on in.
func TestRequestBeforeTheFirstResponse(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		n := h.request("5550150", near())
		inv := h.service.Expect("INVITE")
		c, tag := h.agent.call(1), ""
		c.runInMailbox(func() { tag = c.legs[media.AdapterSide].tag }) // our 100 may have it (RFC 3261 section 8.2.6.2)
		d := *n
		d.Remote += ";tag=" + tag
		d.Request("INFO", "")
		h.adapter.ExpectOf("491", "INFO")
		h.service.ExpectNone()
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		n.AckFailure(h.adapter.Expect("486"))
		h.machine.saw("1 requested", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.done()
	})
}
