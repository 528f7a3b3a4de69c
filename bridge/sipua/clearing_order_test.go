package sipua

import (
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/supervision"
)

// atOnce is an Events that calls hook within Post, as the line runs its machine, and then passes the event on.
type atOnce struct {
	*machineStandIn
	hook func(supervision.Event)
}

func (a *atOnce) Post(ev supervision.Event) {
	a.hook(ev)
	a.machineStandIn.Post(ev)
}

// sentMessages notes the start of each message that the agent sends, in order.
type sentMessages struct {
	mu  sync.Mutex
	all []string
}

type notingSocket struct {
	endpoint.Packets
	sent *sentMessages
}

func (s notingSocket) WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error) {
	s.sent.mu.Lock()
	s.sent.all = append(s.sent.all, strings.Join(strings.Fields(string(b[:min(len(b), 40)]))[:2], " "))
	s.sent.mu.Unlock()
	return s.Packets.WriteToUDPAddrPort(b, to)
}

// notingTestBed is a virtual test bed whose line calls hook with each event.
func notingTestBed(t *testing.T, hook func(*testBed, supervision.Event)) (*testBed, *sentMessages) {
	sent := &sentMessages{}
	var h *testBed
	h = newVirtualTestBed(t, func(o *Options, _ *times) {
		open := o.packets
		o.packets = func(at netip.AddrPort) endpoint.Packets { return notingSocket{open(at), sent} }
		o.Lines[0].Events = &atOnce{o.Lines[0].Events.(*machineStandIn), func(ev supervision.Event) { hook(h, ev) }}
	})
	return h, sent
}

// The BYE to the adapter goes out before the 200 to the far end, because the opening waits for the adapter.
func TestAdapterIsClearedBeforeTheAnswer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, sent := notingTestBed(t, func(h *testBed, ev supervision.Event) {
			if ev.Kind == supervision.FarEndCleared {
				h.line.ClearAdapterLeg(ev.Call)
			}
		})
		c := h.incoming()
		sent.all = nil
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.atRest()
		if len(sent.all) != 2 || !strings.HasPrefix(sent.all[0], "BYE ") || sent.all[1] != "SIP/2.0 200" {
			t.Errorf("sent %q", sent.all)
		}
	})
}

// The far end's BYE gets its answer at once if the machine does not clear the adapter's leg, and if the BYE to the
// adapter may have to wait for a TCP peer that does not read.
func TestByeIsAnsweredWithoutTheAdapter(t *testing.T) {
	t.Parallel()
	for name, transport := range map[string]string{"the machine is in use": "UDP", "the adapter does not read": "TCP"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				goOn := make(chan struct{})
				h, _ := notingTestBed(t, func(h *testBed, ev supervision.Event) {
					if c := h.agent.call(ev.Call); ev.Kind == supervision.FarEndCleared && transport == "TCP" {
						c.post(func() { // as long as the BYE takes, which then goes over UDP as all in this network
							<-goOn
							c.legs[media.AdapterSide].transport = "UDP"
						})
					}
				})
				c := h.incoming()
				call := h.agent.call(1)
				call.runInMailbox(func() { call.legs[media.AdapterSide].transport = transport })
				c.far.Request("BYE", "")
				h.service.ExpectOf("200", "BYE")
				close(goOn)
				h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
				h.atRest()
			})
		})
	}
}

// The media ports of a call are freed while the line takes the report that the adapter's leg is cleared: neither waits
// for the other.
func TestPortsAreFreedBesideTheReport(t *testing.T) {
	t.Parallel()
	var reported, freed atomic.Bool
	var relay *media.Relay
	h := newTestBed(t, relaying, func(o *Options, _ *times) {
		relay = o.Media
		o.Lines[0].Events = &atOnce{o.Lines[0].Events.(*machineStandIn), func(ev supervision.Event) {
			if ev.Kind != supervision.AdapterLegCleared {
				return
			}
			for end := time.Now().Add(testTimeout); relay.Counts().Open > 0 && time.Now().Before(end); {
				<-time.After(time.Millisecond)
			}
			reported.Store(true)
			freed.Store(relay.Counts().Open == 0)
		}}
	})
	c := h.incoming()
	if relay.Counts().Open != 1 {
		t.Fatal("the call has no media")
	}
	c.far.Request("BYE", "")
	h.service.ExpectOf("200", "BYE")
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
	h.atRest()
	if !reported.Load() || !freed.Load() {
		t.Error("the ports were not freed before the report was taken")
	}
}
