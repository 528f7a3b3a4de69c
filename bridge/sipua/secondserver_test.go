package sipua

import (
	"context"
	"errors"
	"net/netip"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
)

// ended is a context that has ended, so that a silence that should be refused does not last.
var ended = func() context.Context {
	ctx, end := context.WithCancel(context.Background())
	end()
	return ctx
}()

// silent is a silence of the test bed's line.
type silent struct {
	h    *testBed
	stop context.CancelFunc
	end  chan Silence // what StaySilent returned
}

// beSilent begins a silence. The adapter has registered.
func (h *testBed) beSilent() *silent {
	h.t.Helper()
	ctx, stop := context.WithCancel(h.t.Context())
	q := &silent{h: h, stop: stop, end: make(chan Silence, 1)} // one result
	go func() {
		s, err := h.line.StaySilent(ctx)
		if err != nil {
			h.t.Error(err)
		}
		q.end <- s
	}()
	synctest.Wait()
	if _, ok := h.line.Silence(); !ok {
		h.t.Fatal("no silence began")
	}
	return q
}

// ended returns what was seen in the silence, which has to have ended by itself for the given reason.
func (q *silent) ended(why SilenceEnd) Silence {
	q.h.t.Helper()
	synctest.Wait()
	if _, ok := q.h.line.Silence(); ok {
		q.h.t.Fatal("the silence lasts")
	}
	s := <-q.end
	if s.End != why {
		q.h.t.Fatalf("the silence ended with %q, want %q", s.End, why)
	}
	return s
}

// lasts checks that the silence lasts, and that nobody got an answer.
func (q *silent) lasts(peers ...*uatest.Peer) {
	q.h.t.Helper()
	synctest.Wait()
	if _, ok := q.h.line.Silence(); !ok {
		q.h.t.Fatalf("the silence has ended: %+v", <-q.end)
	}
	for _, p := range peers {
		if n := len(p.In); n > 0 {
			q.h.t.Fatalf("%s got an answer: %s", p.Name, <-p.In)
		}
	}
}

// askAs sends a request outside a dialog from a peer, as the given user, and returns its lines.
func (h *testBed) askAs(p *uatest.Peer, method, user, target, to string, extra ...string) []string {
	h.t.Helper()
	lines := slices.Concat([]string{method + " sip:" + target + "@" + h.toAdapter.String() + " SIP/2.0", p.Via(),
		"From: <sip:" + user + "@" + h.toAdapter.String() + ">;tag=" + p.NewID(), "To: <sip:" + target + "@" +
			h.toAdapter.String() + ">" + to, "Call-ID: " + p.NewID(), "CSeq: 1 " + method, "Max-Forwards: 70",
		p.Contact()}, extra, []string{""})
	p.Send(h.toAdapter, lines...)
	return lines
}

// The adapter of a silent line gets no answer to anything, goes to its second server and makes a call there. After the
// silence it registers here again.
func TestSilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		second := h.join("second", "127.0.0.9")
		h.register(h.adapter)
		q := h.beSilent()
		for _, method := range []string{"REGISTER", "OPTIONS", "SUBSCRIBE", "INFO", "CANCEL"} {
			h.askAs(h.adapter, method, adapterUser, adapterUser, "")
		}
		h.askAs(h.adapter, "BYE", adapterUser, adapterUser, ";tag=nobody")
		<-time.After(10 * time.Second) // a CANCEL first waits for its INVITE
		h.askAs(h.adapter, "INVITE", adapterUser, "5550150", "")
		<-time.After(time.Second) // no 100 either
		q.lasts(h.adapter)

		call := h.adapter.Call("sip:5550150@"+second.At.String(), "<sip:5550101@pbx.example>", second.At, "")
		second.Respond(second.Expect("INVITE"), 200, "far", "")
		call.Established(h.adapter.Expect("200")).Ack("")
		second.Expect("ACK")

		<-time.After(150 * time.Second) // the registration expires
		h.askAs(h.adapter, "OPTIONS", "ping", "", "")
		q.lasts(h.adapter)
		last := time.Now()
		q.stop()
		s := q.ended(SilenceStopped)
		if s.Unanswered != 8 || !s.Last.Equal(last) {
			t.Errorf("seen: %+v", s)
		}
		h.register(h.adapter)
		if !h.line.Status().Bound {
			t.Error("the adapter is not back")
		}
		q = h.beSilent() // again
		q.stop()
		q.ended(SilenceStopped)
	})
}

// Others get their answers while a line is silent: the adapters of other lines, even at the same address, strangers,
// and the service.
func TestSilenceOfOneLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering, secondLine)
		h.register(h.adapter)
		q := h.beSilent()
		other, stranger := h.join("other", "127.0.0.2"), h.join("stranger", "127.0.0.3")
		h.askAs(h.adapter, "REGISTER", "stage-door", "stage-door", "")
		h.adapter.Expect("401")
		h.askAs(other, "OPTIONS", "stage-door", "stage-door", "")
		other.Expect("200")
		h.askAs(stranger, "REGISTER", "nobody", "nobody", "")
		stranger.Expect("401")
		h.service.ExpectNothing(h.toService)
		if _, err := h.agent.Line("stage-door").StaySilent(ended); err == nil {
			t.Error("two lines are silent at once")
		}
		h.askAs(stranger, "REGISTER", adapterUser, adapterUser, "") // the adapter, after its NAT has changed
		q.lasts(h.adapter, stranger)
		q.stop()
		q.ended(SilenceStopped)
	})
}

// A call for help is put through at once, from anywhere and however it is dialled, and ends the silence (SAFETY.md
// S121).
func TestCallForHelpEndsTheSilence(t *testing.T) {
	t.Parallel()
	for name, number := range map[string]string{"emergency number": "999", "behind an unlisted prefix": "9112"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, registering)
				h.register(h.adapter)
				q := h.beSilent()
				<-time.After(time.Minute)
				began := time.Now()
				h.request(number, uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
				h.service.Respond(h.service.Expect("INVITE"), 486, "far", "")
				if took := time.Since(began); took > 100*time.Millisecond {
					t.Errorf("the call was put through after %s", took)
				}
				q.ended(SilenceEmergency)
			})
		})
	}
}

// A call for help on another line ends the silence, since the emergency centre may call back on this one.
func TestCallForHelpOnAnotherLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering, secondLine, callbackWindow(30*time.Minute))
		h.register(h.adapter)
		q := h.beSilent()
		other := h.join("stage-door", "127.0.0.2")
		target := "sip:999@" + h.toAdapter.String()
		d := other.Call(target, "<sip:stage-door@"+h.toAdapter.String()+">", h.toAdapter,
			uatest.Offer("127.0.0.2", nearSDP, "sendrecv"))
		m := other.Next()
		if m.Is("401") {
			d.AckFailure(m)
			d.Request("INVITE", uatest.Offer("127.0.0.2", nearSDP, "sendrecv"),
				authorization(t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", target, "stage-door",
					adapterSecret))
		}
		invite := h.service.Expect("INVITE")
		h.service.Respond(invite, 180, "far", "")
		h.service.Respond(invite, 486, "far", "")
		q.ended(SilenceEmergency)
		h.service.Expect("ACK")
		if _, err := h.line.StaySilent(ended); err == nil {
			t.Error("silent in the call-back window of another line")
		}
	})
}

// An ordinary call that the adapter still makes here after 15 s is put through. It ends the silence: the adapter did
// not go elsewhere.
func TestAdapterStillCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		q := h.beSilent()
		h.askAs(h.adapter, "INVITE", adapterUser, "5550150", "") // given up soon
		<-time.After(14 * time.Second)
		invite := h.askAs(h.adapter, "INVITE", adapterUser, "5550150", "")
		for _, pause := range []time.Duration{500, 1000, 2000, 4000, 7499} { // the last is early by 0.5 s
			<-time.After(pause * time.Millisecond)
			h.adapter.Send(h.toAdapter, invite...)
			q.lasts(h.adapter)
		}
		h.askAs(h.adapter, "INVITE", adapterUser, "5550151", "") // another call meanwhile
		<-time.After(time.Millisecond)
		h.adapter.Send(h.toAdapter, invite...)
		h.adapter.Expect("401")
		if s := q.ended(SilenceStillCalled); s.Unanswered != 8 {
			t.Errorf("seen: %+v", s)
		}
	})
}

// A silence keeps eight calls apart. The ninth ends it.
func TestManyCallsEndTheSilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		q := h.beSilent()
		for range maxSilentCalls {
			h.askAs(h.adapter, "INVITE", adapterUser, "5550150", "")
			q.lasts(h.adapter)
		}
		h.askAs(h.adapter, "INVITE", adapterUser, "5550150", "")
		h.adapter.Expect("401")
		q.ended(SilenceStillCalled)
	})
}

// Over TCP an INVITE is not retransmitted, so it is answered at once.
func TestAdapterStillCallsOverTCP(t *testing.T) {
	t.Parallel()
	for transport, silent := range map[string]bool{"UDP": true, "TCP": false} {
		req, id := sip.NewRequest(sip.INVITE, sip.Uri{}), sip.CallIDHeader("matinee")
		req.AppendHeader(&id)
		req.SetTransport(transport)
		q := &silence{over: make(chan struct{}), calls: map[string]time.Time{}}
		if got := q.take(&endpoint.Request{Request: req}, time.Now()); got != silent || (q.seen.End == "") != silent {
			t.Errorf("%s: silent %v", transport, got)
		}
	}
}

// Where one socket serves both sides, a call from the service may have a caller of the adapter's name.
func TestArrivingCallAtASharedSocket(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering, func(o *Options, _ *times) {
			at := netip.MustParseAddrPort("127.0.0.1:5090")
			o.Lines[0].AdapterSocket.Listen, o.Lines[0].ServiceSocket.Listen = at, at
		})
		h.register(h.adapter)
		q := h.beSilent()
		h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:"+adapterUser+"@pbx.example>", h.toService,
			uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.Expect("INVITE")
		q.ended(SilenceCallArrived)
	})
}

// A call from the service rings the line and ends the silence. In the call the adapter gets its answers.
func TestArrivingCallEndsTheSilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		q := h.beSilent()
		p := h.incoming()
		q.ended(SilenceCallArrived)
		if _, err := h.line.StaySilent(ended); err == nil {
			t.Error("silent in a call")
		}
		p.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		h.service.Respond(h.service.Expect("BYE"), 200, "", "")
	})
}

// Once the registration has expired, a call from the service is refused. It ends the silence, so that the adapter can
// register for the next one.
func TestRefusedCallEndsTheSilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		q := h.beSilent()
		<-time.After(150 * time.Second)
		q.lasts(h.adapter)
		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService,
			uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		far.AckFailure(h.service.ExpectOf("480", "INVITE"))
		q.ended(SilenceCallArrived)
		h.register(h.adapter)
	})
}

// A line whose loop is not at rest is not silenced.
func TestNoSilenceUnlessAtRest(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesOff, registering)
		h.register(h.adapter)
		if _, err := h.line.StaySilent(ended); !errors.Is(err, errNotAtRest) {
			t.Errorf("not at rest: %v", err)
		}
		rest.Store(true)
		if _, err := h.line.StaySilent(ended); err != nil {
			t.Error(err)
		}
	})
}

// In a silence the adapter gets no requests either, and its subscription is not refreshed. A look at its hook state
// says nothing: it may be in a call that went elsewhere.
func TestNoRequestsInASilence(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, rest := waiting(t, MessagesPass, registering)
		rest.Store(true)
		h.register(h.adapter)
		sub, granted := h.subscribe("message-summary", "Expires: 600")
		sub.Established(granted)
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 200, "", "")
		q := h.beSilent()
		h.notify(summaryText)
		h.service.ExpectOf("200", "NOTIFY")
		sub.Request("SUBSCRIBE", "", "Event: message-summary", "Expires: 600")
		h.line.Probe()
		h.machine.saw("probe: unknown")
		h.quietly()
		q.lasts(h.adapter)
		q.stop()
		if s := q.ended(SilenceStopped); s.Unanswered != 1 {
			t.Errorf("seen: %+v", s)
		}
		h.adapter.Respond(h.adapter.Expect("NOTIFY"), 200, "", "")
	})
}

// Without a registered adapter there is nothing to test.
func TestNoSilenceWithoutAnAdapter(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		if _, err := h.line.StaySilent(ended); err == nil {
			t.Error("silent to nobody")
		}
	})
}
