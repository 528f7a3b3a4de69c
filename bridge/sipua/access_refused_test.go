package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision/callrecord"
)

// A call that arrives without a registered adapter is recorded with its caller, and logged at most once a minute.
func TestCallWithoutAdapterIsReported(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		notes := make(chan callrecord.CallInfo, 20)
		h := newVirtualTestBed(t, registering, observed(&logs), func(o *Options,
			_ *times) {
			o.CallInfo = func(n callrecord.CallInfo) { notes <- n }
		})
		call := func(code string) {
			far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
				uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			far.AckFailure(h.service.ExpectOf(code, "INVITE"))
		}
		call("480")
		h.machine.saw("1 refused: not-here")
		synctest.Wait()
		if n := <-notes; n.Call != 1 || n.Party.Number != "5550151" || n.Direction != callrecord.Incoming {
			t.Fatalf("noted: %+v", n)
		}
		call("480")
		h.machine.saw("2 refused: not-here")
		lines := logs.FilterMessage("a call from the service was refused")
		if lines.Len() != 1 || lines.All()[0].ContextMap()["code"] != int64(480) {
			t.Fatalf("logged: %v", lines.All())
		}
		time.Sleep(refusedEvery) // the bubble's clock
		h.agent.Drain()
		call("503")
		h.machine.saw("3 refused: shutdown")
		if got := logs.FilterMessage("a call from the service was refused").All(); len(got) != 2 ||
			got[1].ContextMap()["since_the_last_line"] != int64(2) {
			t.Fatalf("logged: %v", got)
		}
	})
}

// A flood of refused calls does not fill the record, with or without the call-back mark. Call-backs from the emergency
// centre have a limit of their own.
func TestReportsOfRefusedCallsAreLimited(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering,
			func(o *Options, _ *times) { o.CallbackFrom = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")} })
		far := "sip:" + serviceUser + "@" + h.toService.String()
		for range maxUnknownReplies + 5 {
			d := h.service.Call(far, "<sip:5550151@pbx.example>", h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			d.AckFailure(h.service.ExpectOf("480", "INVITE"))
			synctest.Wait() // the record follows the answer
		}
		for i := range maxUnknownReplies {
			h.machine.saw(num(i+1) + " refused: not-here")
		}
		for range maxUnknownReplies + 5 {
			d := h.service.Call(far, "<sip:5550199@pbx.example>", h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"),
				psapMark)
			d.AckFailure(h.service.ExpectOf("480", "INVITE"))
			synctest.Wait() // the record follows the answer
		}
		for i := range maxUnknownReplies {
			h.machine.saw(num(maxUnknownReplies+6+i) + " refused (emergency): not-here")
		}
		if len(h.machine.seen) > 0 {
			t.Fatalf("more: %q", <-h.machine.seen)
		}
	})
}

// The line learns that its adapter uses a wrong password, and later that it has registered.
func TestRefusedAdapterIsReported(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		target, auth := "sip:"+h.toAdapter.String(), "Subject: none yet"
		for n := range 2 {
			h.adapter.Send(h.toAdapter, "REGISTER "+target+" SIP/2.0", h.adapter.Via(), "From: <"+target+">;tag=1",
				"To: <"+target+">", "Call-ID: 1",
				"CSeq: "+num(n+1)+" REGISTER", "Max-Forwards: 70", h.adapter.Contact(), auth, "")
			auth = authorization(t, "Authorization", h.adapter.Expect("401").Get("WWW-Authenticate"), "REGISTER",
				target, adapterUser, "mistyped")
		}
		h.machine.saw("adapter-refused")
		h.register(h.adapter)
		h.machine.saw("adapter-registered")
	})
}

// An adapter that registers at the service's port can be told from one that sends nothing, even where requests from its
// address get no answer.
func TestRegisterAtTheServicesPort(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		target := "sip:" + h.toService.String()
		for n, at := range []string{"127.0.0.1", "127.0.0.2"} { // the first is the service's too
			adapter := h.join(adapterUser, at)
			adapter.Send(h.toService, "REGISTER "+target+" SIP/2.0", adapter.Via(),
				"From: <sip:"+adapterUser+"@"+h.toService.String()+">;tag=1", "To: <"+target+">", "Call-ID: 1",
				"CSeq: "+num(n+1)+" REGISTER", "Max-Forwards: 70", adapter.Contact(), "")
			if n == 0 {
				adapter.Expect("405")
			}
			synctest.Wait()
			r := h.line.Status().Refusal
			if r.Why != "REGISTER came to the service's port" || r.From != adapter.At || r.Challenged {
				t.Fatalf("refused: %+v", r)
			}
		}
	})
}
