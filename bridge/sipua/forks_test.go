package sipua

import (
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
)

// done ends a test: no call is up, and no peer has an unexpected message.
func (h *testBed) done() {
	h.t.Helper()
	h.atRest()
	h.adapter.nothing(h.toAdapter)
	h.service.nothing(h.toService)
	select {
	case ev := <-h.machine.seen:
		h.t.Fatalf("unexpected event %q", ev)
	default:
	}
}

// tagOf returns the To tag.
func tagOf(m message) string {
	_, tag, _ := strings.Cut(m.get("To"), ";tag=")
	return tag
}

// early returns the dialog that a provisional response creates.
func (d *peerDialog) early(res message) *peerDialog {
	one := *d
	return one.established(res)
}

// contactAt returns the Contact of a fork.
func (p *testPeer) contactAt(user string) string {
	return "Contact: <sip:" + user + "@" + p.at.String() + ">"
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
	near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.expect("INVITE")
	h.service.respond(inv, 183, "fork-a", offer("127.0.0.1", farSDP, "sendrecv"), h.service.contactAt("a"))
	a := h.adapter.expect("183")
	h.service.respond(inv, 183, "fork-b", offer("127.0.0.1", farSDP+2, "sendrecv"), h.service.contactAt("b"))
	b := h.adapter.expect("183")
	if tagOf(a) == tagOf(b) || tagOf(a) == "" || tagOf(b) == "" {
		t.Fatalf("tags of two forks: %q and %q", tagOf(a), tagOf(b))
	}
	inA, inB := near.early(a), near.early(b)
	for _, c := range []struct {
		d    *peerDialog
		fork string
	}{{inB, "b"}, {inA, "a"}, {inB, "b"}} {
		c.d.request("INFO", "")
		info := h.service.expect("INFO")
		contains(t, info.get("To"), "tag=fork-"+c.fork)
		contains(t, info.start, "sip:"+c.fork+"@")
		h.service.respond(info, 200, "", "")
		h.adapter.expectOf("200", "INFO")
	}
	// and in the other direction
	farA, farB := h.service.called(inv, "fork-a"), h.service.called(inv, "fork-b")
	farB.request("INFO", "")
	info := h.adapter.expect("INFO")
	if !strings.Contains(info.get("From"), tagOf(b)) {
		t.Fatalf("INFO of fork b comes in another dialog: %s", info)
	}
	is(t, info, "CSeq", "2 INFO")
	h.adapter.respond(info, 200, "", "")
	h.service.expectOf("200", "INFO")
	// the first fork answers
	h.service.respond(inv, 200, "fork-a", offer("127.0.0.1", farSDP, "sendrecv"), h.service.contactAt("a"))
	h.service.expect("ACK")
	ok := h.adapter.expect("200")
	if tagOf(ok) != tagOf(a) {
		t.Fatalf("the 200 has tag %q, its fork had %q", tagOf(ok), tagOf(a))
	}
	inA.established(ok).ack("")
	inB.request("INFO", "")
	h.adapter.expectOf("481", "INFO")
	farB.request("INFO", "")
	h.service.expectOf("481", "INFO")
	farB.request("BYE", "")
	h.service.expectOf("481", "BYE")
	farA.request("BYE", "")
	h.service.expectOf("200", "BYE")
	bye := h.adapter.expect("BYE")
	contains(t, bye.get("From"), tagOf(a))
	h.adapter.respond(bye, 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.done()
}

// The second fork answers. The 200 has its tag, and the call continues in its dialog.
func TestSecondForkAnswered(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "fork-a", "")
		a := h.adapter.expect("180")
		h.service.respond(inv, 180, "fork-b", "")
		b := h.adapter.expect("180")
		h.service.respond(inv, 200, "fork-b", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		ok := h.adapter.expect("200")
		if tagOf(ok) != tagOf(b) {
			t.Fatalf("the 200 has tag %q, its fork had %q", tagOf(ok), tagOf(b))
		}
		inA, inB := near.early(a), near.early(ok)
		inA.ack("") // in the wrong dialog, so without effect
		inA.request("BYE", "")
		h.adapter.expectOf("481", "BYE")
		inB.ack("")
		inB.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		contains(t, bye.get("To"), "fork-b")
		h.service.respond(bye, 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}

// The caller sends BYE to one of two forks. Only that fork ends (RFC 3261 section 15).
func TestByeToOneFork(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "fork-a", "")
		inA := near.early(h.adapter.expect("180"))
		h.service.respond(inv, 180, "fork-b", "")
		h.adapter.expect("180")
		inA.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		contains(t, bye.get("To"), "fork-a")
		h.service.respond(bye, 200, "", "")
		inA.request("INFO", "")
		h.adapter.expectOf("481", "INFO")
		h.service.respond(inv, 200, "fork-b", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		inB := near.early(h.adapter.expect("200"))
		inB.ack("")
		inB.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
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
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), "Supported: 100rel")
		inv := h.service.expect("INVITE")
		h.service.reliably(inv, 183, "fork-a", offer("127.0.0.1", farSDP, "sendrecv"), 1)
		inA := near.early(h.adapter.expect("183"))
		h.service.respond(inv, 180, "fork-b", "")
		h.adapter.expect("180")
		inA.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		bye := h.service.expect("BYE")
		h.service.respond(inv, 200, "fork-a", "")
		h.service.respond(bye, 481, "", "")
		h.service.expect("ACK")
		inA.invite = near.invite
		inA.established(h.adapter.expect("200")).ack("")
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
			near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"), extra...)
			inv := h.service.expect("INVITE")
			if got := strings.Contains(inv.get("Supported"), "199"); got != knows {
				t.Fatalf("Supported: %q", inv.get("Supported"))
			}
			h.service.respond(inv, 180, "fork-a", "")
			inA := near.early(h.adapter.expect("180"))
			h.service.respond(inv, 199, "fork-a", "", `Reason: SIP;cause=486`)
			if knows {
				m := h.adapter.expect("199")
				contains(t, m.get("Reason"), "486")
				if !strings.HasSuffix(inA.remote, tagOf(m)) {
					t.Fatalf("199 in another dialog: %s", m)
				}
			}
			h.agent.call(1).await(t, "the end of the fork",
				func(c *call) bool { return c.legs[media.ServiceSide].live() == 0 })
			inA.request("INFO", "")
			h.adapter.expectOf("481", "INFO")
			h.service.respond(inv, 486, "fork-b", "")
			h.service.expect("ACK")
			near.nack(h.adapter.expectOf("486", "INVITE"))
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
		inv := h.service.expect("INVITE")
		h.service.respond(inv, 180, "far", "")
		h.adapter.expect("180")
		h.service.respond(inv, 199, "far", "")
		h.service.respond(inv, 200, "far", far())
		h.service.expect("ACK")
		near.established(h.adapter.expect("200")).ack("")
		h.service.called(inv, "far").request("BYE", "")
		h.service.expectOf("200", "BYE")
		h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
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
	near := h.request("5550150", offer("127.0.0.1", at(own), "sendrecv"), "Supported: 100rel")
	inv := h.service.expect("INVITE")
	var relayed int
	say := func(fork string, voice *net.UDPConn) *peerDialog {
		h.service.respond(inv, 183, fork, offer("127.0.0.1", at(voice), "sendrecv"), "Require: 100rel", "RSeq: 7")
		m := h.adapter.expect("183")
		relayed = atoi(port(m.body))
		d := near.early(m)
		d.request("PRACK", "", "RAck: "+m.get("RSeq")+" "+num(near.cseq)+" INVITE")
		h.service.respond(h.service.expect("PRACK"), 200, "", "")
		h.adapter.expectOf("200", "PRACK")
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
	h.service.respond(inv, 200, "fork-a", "")
	h.service.expect("ACK")
	inA.established(h.adapter.expect("200")).ack("")
	hears(voiceA)
	inA.request("BYE", "")
	h.adapter.expectOf("200", "BYE")
	h.service.respond(h.service.expect("BYE"), 200, "", "")
	h.machine.saw("1 requested", "1 answered", "1 near end cleared")
	h.done()
}

// A service that answers with ever new tags does not fill the memory. The fork that answers in the end is still
// accepted.
func TestTooManyForks(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.expect("INVITE")
		for i := range maxForks {
			h.service.respond(inv, 180, "fork-"+num(i), "")
			h.adapter.expect("180")
		}
		h.service.respond(inv, 180, "one-more", "")
		h.service.called(inv, "another").request("INFO", "")
		h.service.expectOf("481", "INFO")
		h.adapter.nothing(h.toAdapter)
		h.service.respond(inv, 200, "one-more", offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.expect("ACK")
		d := near.early(h.adapter.expect("200"))
		d.ack("")
		d.request("BYE", "")
		h.adapter.expectOf("200", "BYE")
		h.service.respond(h.service.expect("BYE"), 200, "", "")
		h.machine.saw("1 requested", "1 answered", "1 near end cleared")
		h.done()
	})
}
