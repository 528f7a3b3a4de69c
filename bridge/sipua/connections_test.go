package sipua

import (
	"flag"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// A complete incoming call with TCP on both sides, cleared by the far end.
func TestIncomingOverTCP(t *testing.T) {
	t.Parallel()
	h := streaming(t, relaying)
	c := h.incoming()
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The same for an outgoing call.
func TestOutgoingOverTCP(t *testing.T) {
	t.Parallel()
	h := streaming(t, relaying)
	c := h.outgoing()
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The adapter's connection closed during the call. The BYE goes to its Contact.
func TestAdapterConnectionGone(t *testing.T) {
	t.Parallel()
	h := streaming(t)
	c := h.outgoing()
	h.adapter.Connections.Drop(-1)
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
}

// The service's connection closes while the near end is being called. The answer goes to a new connection (RFC 3261
// section 18.2.2).
func TestServiceConnectionGoneWhileRinging(t *testing.T) {
	t.Parallel()
	h := streaming(t)
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 180, "near", "")
	ringing := h.service.Expect("180")
	h.service.Connections.Drop(-1)
	eventually(t, "the end of the connection",
		func() bool { return !h.line.service.ep.Connected(ringing.From.String()) })
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	far.Established(h.service.Expect("200")).Ack("")
	h.machine.saw("1 arrived", "1 ringing", "1 answered")
	far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
}

// The far end sends BYE and closes its connection. The clearing is posted even though the BYE cannot be answered.
func TestByeThenConnectionGone(t *testing.T) {
	t.Parallel()
	for range 20 {
		t.Run("", func(t *testing.T) {
			h := streaming(t)
			c := h.incoming()
			c.far.Request("BYE", "")
			h.service.Connections.Drop(-1)
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			h.atRest()
		})
	}
}

// The far end's BYE overtakes its 200. The call is answered and over.
func TestByeOvertakesAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		far := h.service.Called(inv, "far")
		far.Request("BYE", "")
		h.service.Next()
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested", "1 answered", "1 far end cleared: bye")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// A BYE with a wrong CSeq or no Max-Forwards left still ends the call.
func TestByeWithWrongCSeqOrMaxForwards(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		cseq int
		hops string
	}{{"lower CSeq", 0, "Max-Forwards: 70"}, {"no hops left", 9, "Max-Forwards: 0"}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t)
				call := h.incoming()
				far := call.far
				via := h.service.Via()
				h.service.Send(far.To, "BYE "+far.Target+" SIP/2.0", via, "From: "+far.Local, "To: "+far.Remote,
					"Call-ID: "+far.CallID,
					"CSeq: "+num(c.cseq)+" BYE", c.hops, "")
				h.service.Next()
				h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
				h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
				h.atRest()
			})
		})
	}
}

// talks sets up n calls from the service, one after the other, and returns their far ends by call number from 1.
func (h *testBed) talks(n int) []*uatest.Dialog {
	h.t.Helper()
	var far []*uatest.Dialog
	for i := range n {
		d := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		d.Established(h.service.Expect("200")).Ack("")
		h.machine.saw(num(i+1)+" arrived", num(i+1)+" answered")
		far = append(far, d)
	}
	return far
}

// A hundred far ends hang up at the same moment. Each clearing is answered and posted once, and each adapter leg is
// cleared.
func TestHundredByesAtOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		const n = 100
		h := newVirtualTestBed(t)
		far := h.talks(n)
		for _, d := range far {
			d.Request("BYE", "")
		}
		for range n {
			h.service.ExpectOf("200", "BYE")
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		}
		seen := map[string]int{}
		at := 0
		for range 2 * n {
			ev := <-h.machine.seen
			at++
			if seen[ev] != 0 {
				t.Fatalf("twice: %s", ev)
			}
			seen[ev] = at
		}
		for i := range n {
			cleared, confirmed := seen[num(i+1)+" far end cleared: bye"],
				seen[num(i+1)+" adapter leg cleared: confirmed"]
			if cleared == 0 || confirmed < cleared {
				t.Fatalf("call %d: cleared as event %d, its adapter leg as %d", i+1, cleared, confirmed)
			}
		}
		h.atRest()
	})
}

// The far end clears while only the ACK of the adapter's answered re-INVITE is outstanding.
func TestFarEndClearsBeforeAckOfHold(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.ExpectOf("200", "INVITE")
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.machine.saw("1 far end cleared: bye")
		bye := h.adapter.Expect("BYE")
		c.near.Ack("")
		h.adapter.Respond(bye, 200, "", "")
		h.machine.saw("1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// The adapter's binding ends during a call, as if it had expired. The BYE still reaches the adapter.
func TestBindingEndsInCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		h.register(h.adapter)
		c := h.incoming()
		h.registerFor(h.adapter, 0)
		if h.line.Status().Bound {
			t.Fatal("still bound")
		}
		far := h.service.Call("sip:"+serviceUser+"@"+h.toService.String(), "<sip:5550151@pbx.example>", h.toService, "")
		far.AckFailure(h.service.ExpectOf("480", "INVITE"))
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("2 refused: not-here", "1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// CANCEL and the offer come at the same time, many times. No call remains, and no adapter is left ringing.
func TestCancelCrossesOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.machine.keep.Store(true)
		for i := range 200 {
			id := supervision.CallID(i + 1)
			far := h.arrive("")
			h.machine.saw(num(i+1) + " arrived")
			offered := make(chan struct{}) // closed when the call was offered
			go func() { defer close(offered); h.line.Offer(id) }()
			far.Cancel()
			h.service.ExpectOf("200", "CANCEL")
			far.AckFailure(h.service.ExpectOf("487", "INVITE"))
			<-offered
			h.machine.saw(num(i+1) + " far end cleared: bye")
			h.line.ClearAdapterLeg(id)
			done := make(chan struct{}) // closed when the leg was cleared
			go func() {
				defer close(done)
				h.machine.saw(num(i+1) + " adapter leg cleared: confirmed")
			}()
			for cleared := false; !cleared; {
				select {
				case m := <-h.adapter.In:
					switch {
					case m.Is("INVITE"):
						h.adapter.Respond(m, 100, "", "")
						far.Invite = nil
						inv := m
						h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
						h.adapter.Respond(inv, 487, "near", "")
						h.adapter.Expect("ACK")
					}
				case <-done:
					cleared = true
				}
			}
		}
		h.atRest()
	})
}

// Two lines on one socket have calls with the same far end. Each BYE ends its own call.
func TestLinesWithOneFarEnd(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var m memoryNetwork
		second := m.newTestPeer(t, "second", "127.0.0.1")
		other := &machineStandIn{t: t, in: make(chan supervision.Event, 1000), seen: make(chan string, 1000),
			quit: make(chan struct{})}
		h := newTestBedIn(t, &m, func(o *Options, _ *times) {
			l := o.Lines[0]
			l.Name, l.AdapterUser, l.ServiceUser, l.Events = "stage-door", "stage-door", "5550101", other
			l.AdapterFixed = &sip.Uri{Scheme: "sip", User: "stage-door", Host: "127.0.0.1", Port: int(second.At.Port())}
			o.Lines = append(o.Lines, l)
		})
		other.line = h.agent.Line("stage-door")
		done := make(chan struct{}) // closed when the second machine has ended
		go func() { defer close(done); other.run() }()
		t.Cleanup(func() { close(other.quit); <-done })
		// one forked request: the same Call-ID, From tag and CSeq on both lines
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		fork := append([]string{}, far.Invite...)
		fork[0], fork[1] = "INVITE sip:5550101@"+h.toService.String()+" SIP/2.0", h.service.Via()
		h.service.Send(h.toService, fork...)
		h.service.Expect("100")
		ends := map[*uatest.Peer]*uatest.Dialog{}
		for _, p := range []*uatest.Peer{h.adapter, second} {
			inv := p.Expect("INVITE")
			p.Respond(inv, 200, p.Name, uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			p.Expect("ACK")
			d := *far
			d.Established(h.service.Expect("200")).Ack("")
			ends[p] = &d
		}
		h.machine.saw("1 arrived", "1 answered")
		other.saw("2 arrived", "2 answered")
		ends[second].Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		second.Respond(second.Expect("BYE"), 200, "", "")
		other.saw("2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		h.adapter.ExpectNothing(h.toAdapter)
		ends[h.adapter].Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

var manyCalls = flag.Int("calls", 100, "calls of TestNothingIsLeftAfterManyCalls")

// After many calls and 64*T1 nothing is left of them: no dialog, no INVITE, no goroutine.
func TestNothingIsLeftAfterManyCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(_ *Options, t *times) {
			t.t1, t.final = 25*time.Millisecond,
				1600*time.Millisecond
		})
		memory := func() uint64 {
			runtime.GC()
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		before := runtime.NumGoroutine()
		start := memory()
		for i := range *manyCalls {
			d := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, 180, "near", "")
			h.service.Expect("180")
			h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			h.adapter.Expect("ACK")
			d.Established(h.service.Expect("200")).Ack("")
			d.Request("BYE", "")
			h.service.ExpectOf("200", "BYE")
			h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
			n := num(i + 1)
			h.machine.saw(n+" arrived", n+" ringing", n+" answered", n+" far end cleared: bye",
				n+" adapter leg cleared: confirmed")
		}
		peak := memory()
		eventually(t, "the dialogs of ended calls", func() bool {
			h.agent.mu.Lock()
			defer h.agent.mu.Unlock()
			return len(h.agent.dialogs)+len(h.agent.invites)+len(h.agent.calls)+len(h.agent.merged) == 0
		})
		t.Logf("goroutines %d -> %d, heap %d -> %d -> %d KiB", before, runtime.NumGoroutine(), start>>10, peak>>10,
			memory()>>10)
	})
}

// A service that was down has returned. The next call passes at once.
func TestServiceComesBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.service.Expect("INVITE") // no response follows
		near.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
		h.machine.saw("1 requested", "1 far end cleared: service-lost", "1 adapter leg cleared: confirmed")
		near = h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("2 requested", "2 answered")
		h.service.Called(inv, "far").Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("2 far end cleared: bye", "2 adapter leg cleared: confirmed")
	})
}

// The connection to the service closes during an INVITE. The INVITE is sent again over a new connection.
func TestConnectionDiesUnderInvite(t *testing.T) {
	t.Parallel()
	h := streaming(t)
	h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Connections.Drop(0)
	uatest.ExpectRepeat(t, h.service, inv)
}

// The adapter registered over TCP and has since lost its connection. It still rings and is still probed, at its
// Contact.
func TestAdapterRingsAfterItsConnectionEnded(t *testing.T) {
	t.Parallel()
	h := streaming(t, registering)
	h.register(h.adapter)
	h.adapter.Connections.Drop(-1)
	dest := h.line.Status().Binding.Destination.String()
	eventually(t, "the end of the connection", func() bool { return !h.line.adapter.ep.Connected(dest) })
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 486, "near", "")
	h.adapter.Expect("ACK")
	far.AckFailure(h.service.ExpectOf("486", "INVITE"))
	h.machine.saw("1 arrived", "1 near end cleared")
	h.adapter.Connections.Drop(-1)
	at := h.adapter.At.String()
	eventually(t, "the end of the connection to the Contact", func() bool { return !h.line.adapter.ep.Connected(at) })
	h.line.Probe()
	h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "", "")
	h.machine.saw("probe: on hook")
}

// An emergency call rings as long as the centre lets it, past Timer C. It is not ended by a missing ACK after 64*T1.
// Only a BYE or the adapter's own 481 ends it.
func TestEmergencyCallOutlastsTimerC(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, shorter)
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far", "")
		h.adapter.Expect("180")
		h.service.ExpectSilence(400 * time.Millisecond) // Timer C is 300 ms here
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200"))
		h.service.ExpectSilence(500 * time.Millisecond) // 64*T1 is 400 ms here
		h.machine.saw("1 requested (emergency)", "1 answered")
		h.service.Called(inv, "far").Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// streaming returns a test bed with TCP on both sides.
func streaming(t testing.TB, settings ...setting) *testBed {
	adapter, service := uatest.NewTCP(t, "adapter"), uatest.NewTCP(t, "service")
	both := func(o *Options, _ *times) {
		for i := range o.Lines {
			l := &o.Lines[i]
			l.AdapterSocket.TCP, l.ServiceSocket.TCP = true, true
			if l.AdapterFixed != nil {
				l.AdapterFixed.UriParams.Add("transport", "tcp")
			}
			l.Registrar.UriParams.Add("transport", "tcp")
		}
	}
	return newTestBedOf(t, adapter, service, append([]setting{both}, settings...)...)
}
