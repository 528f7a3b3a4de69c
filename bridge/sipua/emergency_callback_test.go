package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

const psapMark = "Priority: psap-callback" // RFC 7090 section 3 (from memory)

// discarded is a machine that discards its events.
type discarded struct{}

func (discarded) Post(supervision.Event) {}

// secondLine adds a second line, stage-door, whose adapter has an address of its own.
func secondLine(o *Options, _ *times) {
	l := o.Lines[0]
	l.Name, l.AdapterUser, l.ServiceUser, l.Events = "stage-door", "stage-door", "5550101", discarded{}
	l.AdapterFixed = &sip.Uri{Scheme: "sip", User: "stage-door", Host: "127.0.0.2", Port: 5060}
	o.Lines = append(o.Lines, l)
}

// oneCall limits the line to one ordinary call.
func oneCall(o *Options, _ *times) { o.Lines[0].MaxCalls = 1 }

// another calls the line with the call-back mark. The caller of another handles the response.
func (h *testBed) another() *uatest.Dialog {
	h.t.Helper()
	target := "sip:" + serviceUser + "@" + h.toService.String()
	return h.service.Call(target, "<sip:5550151@pbx.example>", h.toService, uatest.Offer("127.0.0.1", farSDP, "sendrecv"),
		psapMark)
}

func callbackWindow(d time.Duration) setting {
	return func(o *Options, _ *times) { o.CallbackWindow = d }
}

// marked calls the line with the call-back mark and checks the event for the machine.
func (h *testBed) marked(event string) (*uatest.Dialog, uatest.Message) {
	h.t.Helper()
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), psapMark)
	inv := h.adapter.Expect("INVITE")
	h.machine.saw(event)
	return far, inv
}

// reject rejects an offered call.
func (h *testBed) reject(far *uatest.Dialog, inv uatest.Message, event string) {
	h.t.Helper()
	h.adapter.Respond(inv, 486, "near", "")
	h.adapter.Expect("ACK")
	far.AckFailure(h.service.ExpectOf("486", "INVITE"))
	h.machine.saw(event)
	h.atRest()
}

// An unexpected call-back mark has no effect. The call takes one of the line's places, is refused during shutdown and
// reported as an ordinary call, and the adapter does not see the mark. Marked calls beyond the line's limit are
// refused.
func TestCallbackUnexpected(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck, callbackWindow(30*time.Minute), oneCall)
		far, inv := h.marked("1 arrived")
		lacks(t, inv.String(), "psap-callback")
		for i := range 3 {
			over := h.another()
			over.AckFailure(h.service.ExpectOf("486", "INVITE"))
			h.machine.saw(num(i+2) + " refused: no-room")
		}
		h.reject(far, inv, "1 near end cleared")
		h.agent.Drain()
		late := h.another()
		late.AckFailure(h.service.ExpectOf("503", "INVITE"))
	})
}

// The emergency centre may call back during an emergency call of any line, and until the window after it ends. Its call
// passes even if the line is full or the daemon is shutting down. The adapter sees the mark.
func TestCallbackInTheWindow(t *testing.T) {
	t.Parallel()
	for _, line := range []string{"box-office", "stage-door"} {
		t.Run(line, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				m := &memoryNetwork{}
				h := newTestBedIn(t, m, quickDateCheck, secondLine, callbackWindow(30*time.Minute), oneCall)
				caller := h.adapter
				if line == "stage-door" {
					caller = uatest.NewOn(t, "stage-door", m.network.Listen(netip.MustParseAddrPort("127.0.0.2:5060")))
				}
				near := h.ask(caller, "sip:999@"+h.toAdapter.String())
				caller.ExpectOf("100", "INVITE")
				emergency := h.service.Expect("INVITE")
				h.service.Respond(emergency, 180, "far", "") // and continues to ring
				caller.Expect("180")
				if line == "box-office" {
					h.machine.saw("1 requested (emergency)")
				}
				back, inv := h.marked("2 arrived (emergency)")
				contains(t, inv.Get("Priority"), "psap-callback")
				h.adapter.Respond(inv, 486, "near", "")
				h.adapter.Expect("ACK")
				back.AckFailure(h.service.ExpectOf("486", "INVITE"))
				h.machine.saw("2 near end cleared")
				h.service.Respond(emergency, 486, "far", "")
				near.AckFailure(caller.ExpectOf("486", "INVITE"))
				h.service.Expect("ACK")
				if line == "box-office" {
					h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
				}
				h.atRest()

				<-time.After(30*time.Minute - time.Second)
				busy := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv")) // the only ordinary call allowed
				ring := h.adapter.Expect("INVITE")
				h.machine.saw("3 arrived")
				h.agent.draining.Store(true)
				back, inv = h.marked("4 arrived (emergency)")
				h.agent.draining.Store(false)
				h.adapter.Respond(inv, 486, "near", "")
				h.adapter.Expect("ACK")
				back.AckFailure(h.service.ExpectOf("486", "INVITE"))
				h.machine.saw("4 near end cleared")
				h.reject(busy, ring, "3 near end cleared")

				<-time.After(2 * time.Second) // the call-back has not extended the window
				back, inv = h.marked("5 arrived")
				h.reject(back, inv, "5 near end cleared")
				// but the line's own window, in which its loop stays closed in a tuning session and no far end is taken
				// for vanished, begins again with the end of the call-back
				if !h.line.inCallbackWindow() {
					t.Fatal("the window of the line has ended")
				}
				if <-time.After(30*time.Minute - 2*time.Second); h.line.inCallbackWindow() {
					t.Fatal("the window of the line has not ended")
				}
			})
		})
	}
}

// Of many marked calls within the window, three count as call-backs. The others need a place like any call.
func TestCallbackLimit(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		// after a call before the start
		before := func(o *Options, _ *times) { o.CallbackUntil = time.Now().Add(time.Minute) }
		h := newVirtualTestBed(t, quickDateCheck, oneCall, before)
		far, inv := h.marked("1 arrived (emergency)")
		h.marked("2 arrived (emergency)")
		h.marked("3 arrived (emergency)")
		h.marked("4 arrived")
		over := h.another()
		over.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("5 refused: no-room")
		h.adapter.Respond(inv, 486, "near", "") // a call that has ended makes room
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("1 near end cleared")
		eventually(t, "the end of the first", func() bool { return h.line.callbacks.Load() == 2 })
		h.marked("6 arrived (emergency)")
		for _, c := range h.agent.up() {
			c.post(c.abandon)
		}
	})
}

// The mark is trusted at any time from a configured source, and from no other.
func TestCallbackFromConfiguredSource(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		sources := map[string]string{"127.0.0.1/32": "1 arrived (emergency)", "192.0.2.0/24": "1 arrived"}
		for source, event := range sources {
			h := newVirtualTestBed(t, quickDateCheck, func(o *Options, _ *times) {
				o.CallbackFrom = []netip.Prefix{netip.MustParsePrefix(source)}
			})
			far, inv := h.marked(event)
			h.reject(far, inv, "1 near end cleared")
		}
	})
}

// The mark counts in any of several Priority fields. Where it is not trusted, none of these fields passes.
func TestCallbackMark(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		values []string
		is     bool
	}{
		{nil, false}, {[]string{"urgent"}, false}, {[]string{"PSAP-Callback"}, true},
		{[]string{"normal", " psap-callback "}, true},
	} {
		r := sip.NewRequest(sip.INVITE, sip.Uri{})
		for _, v := range c.values {
			r.AppendHeader(sip.NewHeader("Priority", v))
		}
		if hasCallbackMark(r) != c.is {
			t.Errorf("%q: %v", c.values, !c.is)
		}
		if removeCallbackMark(r); (first(r, "Priority") == "urgent") != (len(c.values) == 1 && !c.is) ||
			hasCallbackMark(r) {
			t.Errorf("%q: %s was not removed", c.values, first(r, "Priority"))
		}
	}
}
