package sipua

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/uatest"
)

// observed makes the agent log into *logs.
func observed(logs **observer.ObservedLogs) setting {
	return func(o *Options, _ *times) {
		core, seen := observer.New(zapcore.InfoLevel)
		*logs = seen
		o.Logger = zap.New(core)
	}
}

// A line with configured source addresses does not answer requests from others at all, not even with 100 (which an
// INVITE gets after 200 ms, RFC 3261 section 17.2.1). It logs them once.
func TestCallFromUnknownSource(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var logs *observer.ObservedLogs
		h := newVirtualTestBed(t, observed(&logs), func(o *Options, _ *times) {
			o.Lines[0].ServiceAllow = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}
		})
		stranger := h.join("stranger", "127.0.0.2")
		target := "sip:" + serviceUser + "@" + h.toService.String()
		stranger.Call(target, `"drop me" <sip:5550199@stranger.example>`, h.toService,
			uatest.Offer("127.0.0.2", farSDP, "sendrecv"))
		d := stranger.Call(target, "<sip:5550199@stranger.example>", h.toService, "")
		d.RequestSeq("OPTIONS", 9, "")
		d.RequestSeq("X\x1b[2J", 10, "")
		d.Remote += ";tag=guessed"
		d.RequestSeq("BYE", 11, "")
		eventually(t, "five dropped requests", func() bool { return h.agent.Counts().UnknownSources == 5 })
		select {
		case m := <-stranger.In:
			t.Fatalf("the stranger got %s", m)
		case <-time.After(250 * time.Millisecond): // the bubble's clock
		}
		lines := logs.FilterMessageSnippet("allow_from").All()
		if len(lines) != 1 {
			t.Fatalf("%d lines in the log", len(lines))
		}
		if text := fmt.Sprint(lines[0].ContextMap()); !strings.Contains(text, "127.0.0.2") ||
			strings.Contains(text, "drop me") {
			t.Fatalf("logged: %s", text)
		}
		h.incoming()
	})
}

// A line that registers is called by a token that only its service knows, from any address.
func TestCallByContactToken(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, func(o *Options, _ *times) {
			o.Lines[0].Register,
				o.Lines[0].Expires = true, 600e9
		})
		contact := uatest.URI(h.service.Expect("REGISTER").Get("Contact"))
		stranger := h.join("stranger", "127.0.0.2")
		d := stranger.Call(contact, "<sip:5550150@pbx.example>", h.toService, uatest.Offer("127.0.0.2", farSDP, "sendrecv"))
		stranger.Expect("100")
		inv := h.adapter.Expect("INVITE")
		d.Cancel()
		stranger.ExpectOf("200", "CANCEL")
		d.AckFailure(stranger.Expect("487"))
		h.adapter.Respond(inv, 100, "", "")
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "", "")
		h.adapter.Respond(inv, 487, "near", "")
		h.adapter.Expect("ACK")
		h.machine.saw("1 arrived", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		// The number alone does not suffice. Strangers are answered at a limited rate.
		const n = 40
		for range n {
			stranger.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550199@stranger.example>", h.toService,
				"")
		}
		eventually(t, "what is left of the stranger's calls",
			func() bool { return h.agent.Counts().UnknownSources+uint64(len(stranger.In)) >= n })
		if got := len(stranger.In); got < 1 || got > maxUnknownReplies+3 {
			t.Fatalf("%d of %d requests were answered", got, n)
		}
		for len(stranger.In) > 0 {
			stranger.Expect("404")
		}
	})
}

// Anybody who knows its number could call a line that does not register. So its source addresses must be configured.
func TestAccountWithoutRegistrationNeedsAnAddress(t *testing.T) {
	t.Parallel()
	o := Options{Lines: []LineOptions{{Name: "box-office", ServiceUser: serviceUser,
		ServiceSocket: Socket{Listen: netip.MustParseAddrPort("127.0.0.1:0"), UDP: true}}}}
	o.Lines[0].AdapterSocket = o.Lines[0].ServiceSocket
	o.Lines[0].Registrar.Host = "pbx.example"
	a, err := Start(o)
	if err == nil {
		a.Close()
		t.Fatal("it started")
	}
	for _, part := range []string{"box-office", "pbx.example", "addresses"} {
		contains(t, err.Error(), part)
	}
	o.Lines[0].ServiceProxy = "127.0.0.1:5060"
	if a, err = Start(o); err != nil {
		t.Fatal(err)
	}
	a.Close()
}

// An emergency call is accepted on a full line, and so is a call-back from the emergency centre (RFC 7090). Other calls
// get 486, so that the adapter does not use its second server. A place that became free is used again.
func TestCallLimitOfALine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, callbackWindow(time.Minute), func(o *Options, _ *times) { o.Lines[0].MaxCalls = 1 })
		talk := h.incoming()
		second := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
			uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		second.AckFailure(h.service.Expect("486"))
		h.machine.saw("2 refused: no-room")
		h.dial("5550152")
		h.adapter.Expect("486")
		h.machine.saw("3 requested", "3 far end cleared: no-room", "3 adapter leg cleared: confirmed")
		h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far", "") // it rang, so a call-back may follow
		h.adapter.Expect("180")
		h.service.Respond(inv, 486, "far", "")
		h.adapter.Expect("486")
		h.service.Expect("ACK")
		h.machine.saw("4 requested (emergency)", "4 far end cleared: bye", "4 adapter leg cleared: confirmed")
		h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), psapMark)
		h.adapter.Respond(h.adapter.Expect("INVITE"), 486, "near", "")
		h.service.Expect("486")
		h.adapter.Expect("ACK")
		h.machine.saw("5 arrived (emergency)", "5 near end cleared")
		n := h.agent.Counts()
		if n.TooManyCalls != 2 {
			t.Fatalf("%d calls were refused as too many", n.TooManyCalls)
		}
		if n.Registrar.Challenges != 1 || n.Endpoint.Servers == 0 { // the adapter's call, and lingering transactions
			t.Fatalf("counts: %+v", n)
		}
		talk.near.Request("BYE", "")
		h.adapter.Expect("200")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
		h.machine.saw("1 near end cleared")
		h.atRest()
		h.request("5550153", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Respond(h.service.Expect("INVITE"), 480, "far", "")
		h.adapter.Expect("480")
		h.machine.saw("6 requested")
	})
}
