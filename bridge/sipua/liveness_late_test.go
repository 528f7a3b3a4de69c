package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// inside returns the service's next request, which has to be one of this method in the call.
func (h *testBed) inside(method string) uatest.Message {
	h.t.Helper()
	m := h.service.Expect(method)
	contains(h.t, m.Get("To"), ";tag=")
	return m
}

// outside returns the service's next request, which has to be OPTIONS outside calls.
func (h *testBed) outside() uatest.Message {
	h.t.Helper()
	m := h.service.Expect("OPTIONS")
	lacks(h.t, m.Get("To"), ";tag=")
	return m
}

// The service is asked outside the call about the request of a check that has no answer yet, and not about an earlier
// one.
func TestServiceIsAskedAboutTheLastRequest(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		h.incoming()
		m := h.inside("OPTIONS")
		<-time.After(short(2 * time.Second))
		h.service.Respond(m, 500, "", "")
		h.inside("INVITE")
		sent := time.Now()
		h.service.Respond(h.outside(), 200, "x", "")
		if after := time.Since(sent); after != short(4*time.Second) {
			t.Fatalf("asked after %v", after)
		}
		h.vanished(0)
		h.cleared("service-lost")
	})
}

// The service's answer outside the call comes after the request in the call was answered, so it shows nothing about
// the next request of the check.
func TestLateAnswerOutsideTheCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		h.incoming()
		m := h.inside("OPTIONS")
		late := h.outside()
		h.service.Respond(m, 500, "", "")
		h.inside("INVITE")
		h.service.Respond(late, 200, "x", "")
		h.questioned("INVITE") // without an answer it is sent a second time
		bye, _ := h.questioned("BYE")
		h.service.Respond(bye, 481, "", "")
		h.cleared("service-lost")
	})
}

// In contrast, a call whose check got a 2xx stays up, whatever answer outside the call comes later.
func TestLateAnswerAfterTheCheck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		h.inside("OPTIONS") // gets no answer
		h.service.Respond(h.outside(), 200, "x", "")
		m := h.inside("INVITE")
		late := h.outside()
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		h.service.Respond(late, 200, "x", "")
		synctest.Wait()
		h.service.ExpectSilence(short(10 * time.Second))
		h.hangUp(c.near)
	})
}

// Two requests without an answer, and a third that the service does not support, prove nothing. Only one unanswered
// request is sent a second time.
func TestThirdRequestIsRefused(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c, _ := h.answered(knowsUpdate)
		m, _ := h.questioned("UPDATE")
		h.service.Respond(m, 500, "", "")
		m, _ = h.questioned("OPTIONS")
		h.service.Respond(m, 500, "", "")
		m, _ = h.questioned("INVITE")
		h.service.Respond(m, 500, "", "")
		h.questioned("UPDATE")
		h.questioned("OPTIONS")
		m, _ = h.questioned("INVITE")
		h.service.Respond(m, 405, "", "")
		if m, after := h.questioned("UPDATE"); after < 10*time.Second {
			t.Fatalf("after %v: %s", after, m)
		} else {
			h.service.Respond(m, 200, "", "")
		}
		h.hangUp(c.near)
	})
}

// A silence that began in the call-back window starts no check at the window's end. The next check comes at its usual
// time.
func TestSilenceOfACallbackWindow(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := silences(t, func(o *Options, _ *times) { o.CallbackWindow = short(50 * time.Second) })
		c := h.incoming()
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 200, "", "")
		h.line.expectCallback()
		m, after := h.questioned("OPTIONS")
		if want := 155 * time.Second; after != want { // a look in the window at 45 s, and 2 min, less the first 10 s
			t.Fatalf("asked after %v, want %v", after, want)
		}
		h.service.Respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}

// An answer to a request in a call that is ending shows nothing about the adapter.
func TestUnknownCallThatEnds(t *testing.T) {
	t.Parallel()
	for _, byNearEnd := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			core, logged := observer.New(zap.WarnLevel)
			h.line.log = zap.New(core)
			talk := h.incoming()
			talk.far.Request("INFO", "")
			m := h.adapter.Expect("INFO")
			if byNearEnd {
				talk.near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				bye := h.service.Expect("BYE")
				h.adapter.Respond(m, 481, "", "")
				h.service.ExpectOf("491", "INFO")
				h.service.Respond(bye, 200, "", "")
				h.machine.saw("1 near end cleared")
			} else { // nothing receives reports any more
				c := h.agent.call(1)
				c.post(c.abandon)
				ours, theirs := h.adapter.Expect("BYE"), h.service.Expect("BYE")
				h.adapter.Respond(m, 481, "", "")
				h.service.ExpectOf("491", "INFO")
				h.adapter.Respond(ours, 200, "", "")
				h.service.Respond(theirs, 200, "", "")
			}
			h.atRest()
			if len(h.machine.seen) > 0 || logged.FilterMessage("one end of a call is gone").Len() > 0 {
				t.Fatalf("%d events; log %v", len(h.machine.seen), logged.All())
			}
		})
	}
}

// Nor does an answer to a check that was in progress when the near end hung up.
func TestCheckOfACallThatEnds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		core, logged := observer.New(zap.WarnLevel)
		h.line.log = zap.New(core)
		c := h.incoming()
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 200, "", "")
		m, _ = h.questioned("OPTIONS")
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		h.service.Respond(m, 481, "", "") // the service has answered OPTIONS before, so this would end the call
		synctest.Wait()
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
		if n := logged.FilterMessage("one end of a call is gone").Len(); n > 0 {
			t.Fatal(logged.All())
		}
	})
}

// The ends of an emergency call that rings are checked where their messages come from, even if the adapter's Contact
// does not lead there (behind an address translator).
func TestRingingEmergencyCallBehindATranslator(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		target := "sip:999@" + h.toAdapter.String()
		id := h.adapter.NewID()
		h.adapter.Send(h.toAdapter, "INVITE "+target+" SIP/2.0", h.adapter.Via(), "From: <sip:"+adapterUser+
			"@millrace.example>;tag="+id, "To: <"+target+">", "Call-ID: "+id, "CSeq: 1 INVITE", "Max-Forwards: 70",
			"Contact: <sip:"+adapterUser+"@192.0.2.9>", "Content-Type: application/sdp", near())
		h.adapter.ExpectOf("100", "INVITE")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		h.adapter.Expect("180")
		c := h.agent.call(1)
		c.runInMailbox(c.checkEnds)
		m := h.adapter.Expect("OPTIONS")
		if !strings.Contains(m.Start, "@192.0.2.9") {
			t.Fatalf("%s", m)
		}
		h.adapter.Respond(m, 200, "x", "")
		h.service.Respond(h.service.Expect("OPTIONS"), 200, "x", "")
		c.post(c.abandon)
		h.adapter.ExpectOf("503", "INVITE")
		h.service.Respond(h.service.Expect("CANCEL"), 200, "psap", "")
		h.service.Respond(inv, 487, "psap", "")
		h.service.Expect("ACK")
		h.machine.saw("1 requested (emergency)")
		c.await(t, "the end", func(c *call) bool { return c.legs[media.AdapterSide].state == legOver })
		h.atRest()
	})
}

// A check uses UPDATE only where the service allows it, and a re-INVITE only if the service has a description of ours
// that can be sent again. A method that the service does not support is left out.
func TestMethodsOfACheck(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		updates, described bool
		none               sip.RequestMethod // not supported
		want               []sip.RequestMethod
	}{
		{false, false, "", []sip.RequestMethod{sip.OPTIONS}},
		{true, false, "", []sip.RequestMethod{sip.UPDATE, sip.OPTIONS}},
		{false, true, "", []sip.RequestMethod{sip.OPTIONS, sip.INVITE}},
		{true, true, "", []sip.RequestMethod{sip.UPDATE, sip.OPTIONS, sip.INVITE}},
		{true, true, sip.UPDATE, []sip.RequestMethod{sip.OPTIONS, sip.INVITE}},
		{true, true, sip.OPTIONS, []sip.RequestMethod{sip.UPDATE, sip.INVITE}},
		{true, true, sip.INVITE, []sip.RequestMethod{sip.UPDATE, sip.OPTIONS}},
	} {
		l := still().legs[media.ServiceSide]
		l.session.updates = c.updates
		l.learnSupport(c.none, supportNone)
		if c.described {
			l.c.path.sentDescriptions[media.ServiceSide].body = []byte("v=0\r\n")
		}
		require.Equal(t, c.want, l.methods(), "%+v", c)
	}
}

// A method that got 481 or no answer in a call that is up, as another method shows, is not tried again: some services
// answer every OPTIONS in a dialog with 481.
func TestMethodThatFailsInACallThatIsUp(t *testing.T) {
	t.Parallel()
	for _, code := range []int{481, 0} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			c := h.incoming()
			if m, _ := h.questioned("OPTIONS"); code > 0 {
				h.service.Respond(m, code, "", "")
			}
			for range 2 {
				m, _ := h.questioned("INVITE")
				h.service.Respond(m, 200, "", far())
				h.service.ExpectAfter("OPTIONS", "ACK")
			}
			h.hangUp(c.near)
		})
	}
}

// A check begins early enough for a third request only if neither of the first two methods has been answered with 2xx
// in this call.
func TestTimeOfTheNextCheck(t *testing.T) {
	t.Parallel()
	for confirmed, want := range map[sip.RequestMethod]time.Duration{
		sip.UPDATE: 120 * time.Second, sip.OPTIONS: 120 * time.Second, sip.INVITE: 88 * time.Second,
	} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			c, _ := h.answered(knowsUpdate)
			one := h.agent.call(1)
			one.runInMailbox(func() { one.legs[media.ServiceSide].learnSupport(confirmed, supportConfirmed) })
			for _, method := range []string{"UPDATE", "OPTIONS", "INVITE"} {
				m, _ := h.questioned(method)
				h.service.Respond(m, 500, "", "")
			}
			m, after := h.questioned("UPDATE")
			if after != want {
				t.Errorf("%s: asked after %v, want %v", confirmed, after, want)
			}
			h.service.Respond(m, 200, "", "")
			h.hangUp(c.near)
		})
	}
}
