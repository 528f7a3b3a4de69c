package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision/dialplan"
)

// The transfers of RFC 3515, RFC 3891, RFC 4488, RFC 5057 and RFC 5589, from memory.

// refer sends the near end's REFER and returns the REFER at the service.
func (h *testBed) refer(near *uatest.Dialog, extra ...string) uatest.Message {
	h.t.Helper()
	near.Request("REFER", "", extra...)
	return h.service.Expect("REFER")
}

// A blind transfer (RFC 5589 section 6.1). The REFER names the number at the service's domain, and us as the referrer.
// The outcome returns in the adapter's dialog with the adapter's own id. The adapter sends BYE before the transfer
// ends.
func TestBlindTransfer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		c := h.incoming()
		// so that the CSeq numbers of both legs differ
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.service.Respond(h.service.Expect("INFO"), 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		c.near.Seq += 50 // and have two digits, which show their base
		refer := h.refer(c.near, "Refer-To: <sip:5550151@"+h.toAdapter.String()+"?Subject=free>",
			"Referred-By: <sip:somebody@millrace.example>", "X-Own: 1")
		is(t, refer, "Refer-To", "<sip:5550151@"+h.service.At.String()+">")
		is(t, refer, "Referred-By", "<sip:"+serviceUser+"@"+h.service.At.String()+">")
		contains(t, refer.Get("Contact"), h.toService.String())
		lacks(t, refer.String(), "X-Own")
		n, _ := refer.CSeq()
		id := num(n)
		if n == c.near.Seq {
			t.Fatal("both legs have the same CSeq numbers, so the test proves nothing")
		}
		// the first NOTIFY may come before the 202 (RFC 3515 section 2.4.4)
		sipfrag := []string{"Content-Type: message/sipfrag;version=2.0", "Event: refer;id=" + id}
		c.far.Request("NOTIFY", "SIP/2.0 100 Trying\r\nServer: of the PBX\r\n",
			append(sipfrag, "Subscription-State: active;expires=60")...)
		notify := h.adapter.Expect("NOTIFY")
		is(t, notify, "Event", "refer;id="+num(c.near.Seq))
		is(t, notify, "Subscription-State", "active;expires=60")
		is(t, notify, "Content-Type", "message/sipfrag;version=2.0")
		contains(t, notify.Get("Contact"), h.toAdapter.String())
		if notify.Body != "SIP/2.0 100 Trying\r\n" {
			t.Fatalf("sipfrag: %q", notify.Body)
		}
		h.adapter.Respond(notify, 200, "", "")
		h.service.ExpectOf("200", "NOTIFY")
		h.service.Respond(refer, 202, "", "")
		ok := h.adapter.ExpectOf("202", "REFER")
		contains(t, ok.Get("Contact"), h.toAdapter.String())
		// a 481 to a NOTIFY ends the subscription, not the call (RFC 5057 section 5.1)
		c.far.Request("NOTIFY", "SIP/2.0 180 Ringing\r\n", append(sipfrag, "Subscription-State: active")...)
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 481, "", "")
		h.service.ExpectOf("481", "NOTIFY")
		// the adapter hangs up; later NOTIFYs are answered
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		c.far.Request("NOTIFY", "SIP/2.0 180 Ringing\r\n", append(sipfrag, "Subscription-State: active")...)
		h.service.ExpectOf("200", "NOTIFY")
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
		c.far.Request("NOTIFY", "SIP/2.0 200 OK\r\n", append(sipfrag,
			"Subscription-State: terminated;reason=noresource")...)
		h.service.ExpectOf("200", "NOTIFY")
		c.far.Request("NOTIFY", "SIP/2.0 200 OK\r\n", append(sipfrag, "Subscription-State: terminated")...)
		h.service.ExpectOf("481", "NOTIFY")
		h.done()
	})
}

// An attended transfer. The service gets the other call's dialog as it knows it (RFC 3891 section 3, RFC 5589 section
// 7), for calls in both directions.
func TestAttendedTransfer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		first := h.incoming()
		near := h.request("5550151", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far2", "")
		ringing := h.adapter.Expect("180") // while it rings, early-only (RFC 3891 section 3)
		_, early, _ := strings.Cut(ringing.Get("To"), ";tag=")
		_, own, _ := strings.Cut(near.Local, ";tag=")
		refer := h.refer(first.near,
			"Refer-To: <"+near.Target+"?Replaces="+near.CallID+"%3bto-tag%3d"+early+"%3bfrom-tag%3d"+own+"%3bearly-only>")
		contains(t, refer.Get("Refer-To"), "%3Bto-tag%3Dfar2%3B")
		contains(t, refer.Get("Refer-To"), "%3Bearly-only>")
		h.service.Respond(refer, 486, "", "")
		h.adapter.ExpectOf("486", "REFER")
		h.service.Respond(inv, 200, "far2", uatest.Offer("127.0.0.1", farSDP, "sendrecv"),
			"Contact: <sip:5550151@"+h.service.At.String()+";x=y>")
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("2 requested", "2 answered")
		_, nearTag, _ := strings.Cut(near.Local, ";tag=")
		_, ourTag, _ := strings.Cut(near.Remote, ";tag=")
		_, serviceFrom, _ := strings.Cut(inv.Get("From"), ";tag=")
		want := "<sip:5550151@" + h.service.At.String() + ";x=y?Replaces=" + inv.Get("Call-ID") +
			"%3Bto-tag%3Dfar2%3Bfrom-tag%3D" + serviceFrom + ">"
		replaces := func(id, to, from string) string {
			return "Refer-To: <" + near.Target + "?Replaces=" + id + "%3Bto-tag%3D" + to + "%3Bfrom-tag%3D" + from + ">"
		}
		refer = h.refer(first.near, replaces(near.CallID, ourTag, nearTag))
		is(t, refer, "Refer-To", want)
		if refer.Get("Call-ID") != first.far.CallID {
			t.Fatalf("REFER in the wrong call: %s", refer)
		}
		h.service.Respond(refer, 202, "", "")
		h.adapter.ExpectOf("202", "REFER")

		// an unknown dialog, a dialog of another call, its own dialog: refused, and the call stays (RFC 5057)
		_, ownTag, _ := strings.Cut(first.near.Remote, ";tag=")
		_, ownFrom, _ := strings.Cut(first.near.Local, ";tag=")
		for _, wrong := range []string{replaces("no-such-call", ourTag, nearTag), replaces(near.CallID, ourTag, "other"),
			replaces(near.CallID, nearTag, ourTag), replaces(first.near.CallID, ownTag, ownFrom)} {
			first.near.Request("REFER", "", wrong)
			h.adapter.ExpectOf("403", "REFER")
		}
		first.near.Request("REFER", "", "Refer-To: <"+near.Target+"?Replaces=nothing>")
		h.adapter.ExpectOf("400", "REFER")

		// in the other direction: a transfer to the call that arrived; that call is answered, so early-only fails
		near.Request("REFER", "", strings.Replace(replaces(first.near.CallID, ownTag, ownFrom), ">", "%3Bearly-only>", 1))
		h.adapter.ExpectOf("403", "REFER")
		refer = h.refer(near, replaces(first.near.CallID, ownTag, ownFrom))
		_, theirTag, _ := strings.Cut(first.far.Local, ";tag=")
		_, serviceTag, _ := strings.Cut(first.far.Remote, ";tag=")
		is(t, refer, "Refer-To",
			"<sip:service@"+h.service.At.String()+"?Replaces="+first.far.CallID+"%3Bto-tag%3D"+theirTag+"%3Bfrom-tag%3D"+serviceTag+">")
		if refer.Get("Call-ID") != inv.Get("Call-ID") {
			t.Fatalf("REFER in the wrong call: %s", refer)
		}
		h.service.Respond(refer, 603, "", "")
		h.adapter.ExpectOf("603", "REFER")

		// The service ends both calls. Between the two clearings one call is on the line, so only the second clearing
		// opens the loop (invariant 1)
		first.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		second := h.service.Called(inv, "far2")
		second.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		h.done()
	})
}

// A service can join only calls of its own: a transfer to a call at the line's other service is refused.
func TestTransferToACallAtTheOtherService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		first := h.incoming()
		far := reserve.Call("sip:"+secondUser+"@"+h.toService.String(), "<sip:5550151@reserve.example>", h.toService, far())
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "second", near())
		h.adapter.Expect("ACK")
		far.Established(reserve.Expect("200")).Ack("")
		h.machine.saw("2 arrived", "2 answered")
		second := h.adapter.Called(inv, "second")
		for from, to := range map[*uatest.Dialog]*uatest.Dialog{first.near: second, second: first.near} {
			_, toTag, _ := strings.Cut(to.Remote, ";tag=")
			_, fromTag, _ := strings.Cut(to.Local, ";tag=")
			from.Request("REFER", "", "Refer-To: <sip:5550151@millrace.example?Replaces="+to.CallID+"%3Bto-tag%3D"+toTag+
				"%3Bfrom-tag%3D"+fromTag+">")
			h.adapter.ExpectOf("403", "REFER")
		}
		for _, one := range h.agent.up() {
			one.post(one.abandon)
		}
	})
}

// A call whose far end has left, or is being cleared, is not transferred any more.
func TestTransferOfACallThatEnds(t *testing.T) {
	t.Parallel()
	for name, ends := range map[string]func(h *testBed, c callPair){
		"BYE": func(h *testBed, c callPair) {
			c.far.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
		},
		"no answer": func(h *testBed, _ callPair) {
			c := h.agent.call(1)
			c.runInMailbox(func() { c.legs[media.ServiceSide].peerVanished(0) })
			h.service.Expect("BYE")
		},
	} {
		synctest.Test(t, func(t *testing.T) {
			// nobody clears the adapter's leg
			h := newVirtualTestBed(t, quickDateCheck, func(o *Options, _ *times) { o.Lines[0].Events = discarded{} })
			near := h.request("5550150", near())
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 200, "far", far())
			h.service.Expect("ACK")
			near.Established(h.adapter.Expect("200")).Ack("")
			c := callPair{near: near, far: h.service.Called(inv, "far")}
			h.service.Respond(h.refer(near, "Refer-To: <sip:5550151@millrace.example>"), 202, "", "")
			h.adapter.Expect("202")
			ends(h, c)
			near.Request("REFER", "", "Refer-To: <sip:5550151@millrace.example>")
			if m := h.adapter.Next(); !m.Is("491") {
				t.Errorf("%s: %s", name, m)
			}
			h.service.ExpectNone()
			if name == "BYE" { // the service may still report the transfer, and nothing else
				c.far.Request("NOTIFY", "", "Event: telephone-event", "Subscription-State: active")
				h.service.ExpectOf("481", "NOTIFY")
				h.adapter.ExpectNone()
			}
		})
	}
}

// If the service transfers by an INVITE with Replaces, that is a separate call here.
func TestReplacesFromService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		_, tag, _ := strings.Cut(c.far.Remote, ";tag=")
		_, from, _ := strings.Cut(c.far.Local, ";tag=")
		replaces := "Replaces: " + c.far.CallID + ";to-tag=" + tag + ";from-tag=" + from
		refused := h.arrive422(replaces, "Require: replaces")
		m := h.service.ExpectOf("420", "INVITE")
		is(t, m, "Unsupported", "replaces")
		refused.AckFailure(m)
		second := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), replaces, "Supported: replaces")
		inv := h.adapter.Expect("INVITE")
		lacks(t, inv.String(), "eplaces")
		h.adapter.Respond(inv, 180, "near2", "")
		h.service.Expect("180")
		h.machine.saw("2 arrived", "2 ringing")
		c.far.Request("BYE", "") // replaced, from the service's point of view
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		// call 2 is on the line, so the machine opens nothing
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		second.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		second.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near2", "")
		h.adapter.Respond(inv, 487, "near2", "")
		h.adapter.Expect("ACK")
		h.machine.saw("2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		h.done()
	})
}

// The outcome of a REFER says as much about the far end as that of any other request in the call. After no answer or
// 408 the service is asked about the call at once. A 481 may concern the call to be replaced, so OPTIONS is sent first.
func TestTransferTellsOfTheFarEnd(t *testing.T) {
	t.Parallel()
	for _, answer := range []int{0, 408, 481} {
		t.Run(num(answer), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t)
				c := h.incoming()
				first, _ := h.questioned("OPTIONS") // 10 s after the answer; the next check is due 2 min later
				h.service.Respond(first, 200, "", "")
				refer := h.refer(c.near, "Refer-To: <sip:5550151@"+h.toAdapter.String()+">")
				if answer > 0 {
					h.service.Respond(refer, answer, "", "")
				}
				h.adapter.ExpectOf("491", "REFER")
				asked := h.service.Next()
				if is(t, asked, "Call-ID", c.far.CallID); !asked.Is("OPTIONS") {
					t.Fatalf("got %s", asked)
				}
				h.service.Respond(asked, 481, "", "") // for a method that was answered with 2xx before
				h.service.Respond(h.service.Expect("BYE"), 481, "", "")
				h.cleared("service-lost")
			})
		})
	}
}

// During a transfer a NOTIFY of another event passes unchanged, once, beside those of the transfer.
func TestOtherEventsBesideATransfer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		h.service.Respond(h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>"), 202, "", "")
		h.adapter.ExpectOf("202", "REFER")
		for _, event := range []string{"telephone-event", "refer"} {
			c.far.Request("NOTIFY", "SIP/2.0 100 Trying\r\n", "Event: "+event, "Subscription-State: active",
				"Content-Type: message/sipfrag")
			m := h.adapter.Expect("NOTIFY")
			is(t, m, "Event", event)
			h.adapter.ExpectSilence(time.Millisecond)
			h.adapter.Respond(m, 200, "", "")
			h.service.ExpectOf("200", "NOTIFY")
		}
		h.hangUp(c.near)
	})
}

// Refused transfers leave the call up.
func TestTransfersRefused(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		plan, err := dialplan.New(dialplan.Options{Country: "GB", Deny: []string{"5550199"}})
		if err != nil {
			t.Fatal(err)
		}
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].Dial = plan })
		c := h.incoming()
		for _, one := range []struct{ code, fields string }{
			{"403", "Refer-To: <sip:5550199@pbx.example>"},
			{"403", "Refer-To: tel:5550199"},
			{"403", "Refer-To: <sip:5550151@pbx.example;method=BYE>"},
			{"403", "Refer-To: <http://5550151@pbx.example>"},
			{"403", "Refer-To: <mailto:5550151@pbx.example>"},
			{"403", "Refer-To: <sip:pbx.example>"},
			{"400", "X-None: 1"},
			{"400", "Refer-To: <sip:5550151@pbx.example>, <sip:5550152@pbx.example>"},
			{"400", "Refer-To: <sip:5550151@pbx.example"},
			{"400", "Refer-To: sip:5550199>5550151@pbx.example"},
			{"400", "Refer-To: <sip:5550199 @pbx.example>"},
			{"400", "Refer-To: <sip:5550199\t5550151@pbx.example>"},
			{"420", "Refer-To: <sip:5550151@pbx.example>\r\nRequire: nothing-known"},
		} {
			c.near.Request("REFER", "", one.fields)
			h.adapter.ExpectOf(one.code, "REFER")
		}
		for _, scheme := range []string{"sips", "sip"} {
			h.service.Respond(h.refer(c.near, "Refer-To: <"+scheme+":5550151@pbx.example>"), 486, "", "")
			h.adapter.ExpectOf("486", "REFER")
		}
		// norefersub passes in both directions (RFC 4488): no subscription is created
		refer := h.refer(c.near, "Refer-To: <sip:5550151@pbx.example>", "Refer-Sub: false", "Supported: norefersub")
		is(t, refer, "Refer-Sub", "false")
		is(t, refer, "Supported", "norefersub")
		h.service.Respond(refer, 200, "", "", "Refer-Sub: false")
		is(t, h.adapter.ExpectOf("200", "REFER"), "Refer-Sub", "false")
		c.far.Request("NOTIFY", "SIP/2.0 200 OK\r\n", "Event: refer", "Subscription-State: terminated",
			"Content-Type: message/sipfrag")
		h.service.ExpectOf("481", "NOTIFY")
		// the service cannot make the line call
		c.far.Request("REFER", "", "Refer-To: <sip:5550199@pbx.example>")
		lacks(t, h.service.ExpectOf("405", "REFER").Get("Allow"), "REFER")
		for _, p := range []*uatest.Peer{h.service, h.adapter} { // outside a dialog
			to := h.toService
			if p == h.adapter {
				to = h.toAdapter
			}
			id := p.NewID()
			target := "sip:" + serviceUser + "@" + to.String()
			p.Send(to, "REFER "+target+" SIP/2.0", p.Via(), "From: <sip:x@"+p.At.String()+">;tag="+id,
				"To: <"+target+">", "Call-ID: "+id,
				"CSeq: 1 REFER", "Max-Forwards: 70", p.Contact(), "Refer-To: <sip:5550151@pbx.example>", "")
			lacks(t, p.ExpectOf("405", "REFER").Get("Allow"), "REFER")
		}
		h.hangUp(c.near)

		h = newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].RefuseTransfer = true })
		c = h.incoming()
		c.near.Request("REFER", "", "Refer-To: <sip:5550151@pbx.example>")
		contains(t, h.adapter.ExpectOf("403", "REFER").Start, "Transfers Are Refused Here")
		c.near.Request("OPTIONS", "")
		lacks(t, h.adapter.ExpectOf("200", "OPTIONS").Get("Allow"), "REFER")
		h.hangUp(c.near)
	})
}

// Any Refer-To is rewritten to one URI in brackets.
func FuzzReferTo(f *testing.F) {
	for _, v := range []string{"<sip:5550151@pbx.example>", "sip:5550151@pbx.example;x=y",
		`"Bo" <sip:a@b?Replaces=1%3Bto-tag%3D2%3Bfrom-tag%3D3&X=y>`, "<tel:+445550151>",
		"<sip:5?5@b?Replaces=%zz>", "sip:a>b@c", "<sip:a@b>, <sip:c@d>", "<urn:service:sos>"} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, v string) {
		r := sip.NewRequest(sip.REFER, sip.Uri{})
		r.AppendHeader(sip.NewHeader("Refer-To", v))
		to, fault := readReferTo(r)
		if fault != "" {
			return
		}
		called := calledTowardsService(to.uri, sip.Uri{Scheme: "sip", Host: "pbx.example"})
		if u := called.String(); strings.ContainsAny(u, "<>\" \r\n") {
			t.Errorf("%q becomes %q", v, u)
		}
		if to.replaces != nil {
			if v := escaped(to.replaces.callID); strings.ContainsAny(v, "<>\" \r\n;?&=") {
				t.Errorf("Call-ID %q", v)
			}
		}
	})
}
