package sipua

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// While calls are blocked, an ordinary call goes nowhere: neither to the service nor (after a 503) to the adapter's
// second server.
func TestOutboundBlock(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var told []string
		h := newVirtualTestBed(t, quickDateCheck)
		stop := h.line.BlockOutbound(func(number string, emergency bool) {
			mu.Lock()
			defer mu.Unlock()
			told = append(told, fmt.Sprint(number, " ", emergency))
		})
		near := h.dial("5550151")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("1 requested", "1 near end cleared")
		h.service.ExpectNothing(h.toService)

		near = h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		contains(t, inv.Start, "sip:999@")
		h.service.Respond(inv, 486, "psap", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("2 requested (emergency)", "2 far end cleared: bye", "2 adapter leg cleared: confirmed")

		// arriving calls are not blocked
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.Respond(h.adapter.Expect("INVITE"), 486, "near", "")
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("3 arrived", "3 near end cleared")

		stop()
		stop()
		near = h.request("5550151", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Respond(h.service.Expect("INVITE"), 486, "far", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("4 requested", "4 far end cleared: bye")
		mu.Lock()
		defer mu.Unlock()
		if want := []string{"5550151 false", "999 true"}; !slices.Equal(told, want) {
			t.Errorf("told %q, want %q", told, want)
		}
	})
}

// The machine learns of an emergency call before the trials do. Otherwise the end of a trial's call could still open
// the loop.
func TestMachineLearnsOfAnEmergencyCallBeforeTheTestCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		defer h.line.BlockOutbound(func(string,
			bool) {
			h.machine.Post(supervision.Event{Kind: supervision.LeftOffHook})
		})()
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Respond(h.service.Expect("INVITE"), 486, "psap", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("1 requested (emergency)", "left off hook", "1 far end cleared: bye")
	})
}

// Ending one block does not end a second one.
func TestTwoOutboundBlocks(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		stop := h.line.BlockOutbound(func(string, bool) {})
		h.line.BlockOutbound(func(string, bool) {})
		stop()
		near := h.dial("5550151")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.service.ExpectNothing(h.toService)
	})
}

// The call that an adapter makes when the line is left off hook goes nowhere and is no seizure. An emergency number is
// never taken for that number.
func TestLeftOffHook(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, func(o *Options, _ *times) { o.Lines[0].OffHookNumber = "5550199" })
		h.dial("5550199")
		h.adapter.ExpectOf("486", "INVITE")
		h.machine.saw("left off hook")
		h.dial("55501990") // another number: only an ordinary call
		h.adapter.Expect("100")
		contains(t, h.service.Expect("INVITE").Start, "sip:55501990@")
		h.machine.saw("1 requested")
	})
}

func TestLeftOffHookIsNoEmergency(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, func(o *Options, _ *times) { o.Lines[0].OffHookNumber = "999" })
		h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Expect("INVITE")
		h.machine.saw("1 requested (emergency)")
	})
}

// Our own far end can call the line like the service, from any address.
func TestInboundTestCall(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, quickDateCheck, func(o *Options, _ *times) {
		o.Lines[0].Register, o.Lines[0].Expires = true, 600e9
		o.Lines[0].ServiceSocket.Listen = netip.MustParseAddrPort("0.0.0.0:0")
		o.Lines[0].ServiceSocket.Advertise = "sbc.millrace.example"
	})
	reg := h.service.Expect("REGISTER")
	h.service.Respond(reg, 200, "reg", "", "Contact: "+reg.Get("Contact")+";expires=600")
	eventually(t, "the registration", func() bool { return h.line.Status().Service.Registered })
	contact, at, transport := h.line.Inbound()
	told := uatest.URI(reg.Get("Contact"))
	_, told, _ = strings.Cut(told, "@")
	if user, where, _ := strings.Cut(contact.String(), "@"); where != told || transport != "UDP" ||
		strings.Contains(reg.String(), user) || len(user) < 20 {
		t.Fatalf("inbound at %s by %s, the service got %s", contact.String(), transport, told)
	}
	if want := netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), h.toService.Port()); at != want {
		t.Fatalf("inbound at %v, want %v", at, want)
	}
	own := uatest.New(t, "own")
	far := own.Call(contact.String(), `"clearback trial" <sip:5550100@`+own.At.String()+">", at,
		uatest.Offer("127.0.0.1", farSDP, "sendrecv"),
		"Record-Route: <sip:"+own.At.String()+";lr>")
	own.Expect("100")
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	far.Established(own.Expect("200"))
	far.Ack("")
	h.machine.saw("1 arrived", "1 answered")
	// the near end's BYE goes to the far end that called, not to the service
	h.adapter.Called(inv, "near").Request("BYE", "")
	h.adapter.ExpectOf("200", "BYE")
	own.Respond(own.Expect("BYE"), 200, "", "")
	h.machine.saw("1 near end cleared")
}
