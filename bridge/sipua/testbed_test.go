package sipua

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// TestMain shortens the transaction timers: T1 is 25 ms, so 64*T1 is 1.6 s (RFC 3261 section 17.1).
func TestMain(m *testing.M) {
	// the tests mostly wait, so more of them run in parallel unless -parallel is given
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	sip.SetTimers(25*time.Millisecond, 200*time.Millisecond, 250*time.Millisecond)
	goleak.VerifyTestMain(m)
}

const (
	adapterUser   = "box-office"
	adapterSecret = "footlights"
	serviceUser   = "5550100"
	serviceSecret = "limelight"
)

// machineStandIn stands in for the line's machine. It offers arriving calls, and answers a clearing on one side with a
// clearing on the other, each in a goroutine of its own, as the machine does.
type machineStandIn struct {
	t    testing.TB
	line *Line
	in   chan supervision.Event // wide enough for a whole test
	seen chan string
	// attempts are the AttemptEnded events, which saw leaves out
	attempts chan string
	// lates are the Late values of the far-end clearings
	lates chan time.Duration
	quit  chan struct{} // closed at the end of the test
	// keep suppresses the offer
	keep atomic.Bool
	// virtual: on a network in memory. Elsewhere the delay until this process reads a message appears in no event.
	virtual bool
}

func (d *machineStandIn) Post(ev supervision.Event) { d.in <- ev }

func (d *machineStandIn) run() {
	waiting := map[supervision.CallID]bool{}
	for {
		var ev supervision.Event
		select {
		case ev = <-d.in:
		case <-d.quit:
			return
		}
		if ev.Kind == supervision.AttemptEnded {
			d.attempts <- text(ev)
			continue
		}
		shown := ev
		if !d.virtual {
			shown.Late = 0
		}
		d.seen <- text(shown)
		switch ev.Kind {
		case supervision.CallArrived:
			if d.keep.Load() {
				waiting[ev.Call] = true
			} else {
				d.line.Offer(ev.Call)
			}
		case supervision.FarEndCleared:
			select {
			case d.lates <- ev.Late:
			default: // no test reads them
			}
			if !waiting[ev.Call] { // the machine forgets a call that it never offered
				d.line.ClearAdapterLeg(ev.Call)
			}
			if ev.Evidence == supervision.EvidenceShutdown || ev.Evidence == supervision.EvidenceNoRoom {
				d.line.ClearFarEnd(ev.Call)
			}
		case supervision.NearEndCleared, supervision.AdapterLost:
			d.line.ClearFarEnd(ev.Call)
		}
	}
}

func text(ev supervision.Event) string {
	switch ev.Kind {
	case supervision.CallArrived:
		return fmt.Sprintf("%d arrived%s", ev.Call, mark(ev))
	case supervision.CallRequested:
		return fmt.Sprintf("%d requested%s", ev.Call, mark(ev))
	case supervision.CallRinging:
		return fmt.Sprintf("%d ringing", ev.Call)
	case supervision.CallAnswered:
		return fmt.Sprintf("%d answered", ev.Call)
	case supervision.FarEndCleared:
		return fmt.Sprintf("%d far end cleared: %s", ev.Call, [...]string{"none", "bye", "dialog-event", "tone",
			"media-lost", "session-expired", "service-lost", "shutdown", "not-allowed", "no-room",
			"not-here"}[ev.Evidence]) + lateness(ev)
	case supervision.NearEndCleared:
		return fmt.Sprintf("%d near end cleared", ev.Call)
	case supervision.AdapterLost:
		return fmt.Sprintf("%d adapter lost", ev.Call)
	case supervision.AdapterLegCleared:
		return fmt.Sprintf("%d adapter leg cleared: %s", ev.Call,
			[...]string{"no answer", "confirmed", "unknown", "other"}[ev.Answer])
	case supervision.CallRefused:
		return fmt.Sprintf("%d refused%s: %s", ev.Call, mark(ev), ev.Evidence)
	case supervision.AdapterRefused, supervision.AdapterRegistered:
		return ev.Kind.String()
	case supervision.CallAdopted, supervision.AdapterLegHeard:
		return adoptionText(ev)
	case supervision.LeftOffHook:
		return "left off hook"
	case supervision.FlashReported:
		return fmt.Sprintf("%d flash", ev.Call)
	case supervision.SoundContested:
		return fmt.Sprintf("%d sound contested", ev.Call)
	case supervision.FarEndSilent:
		return fmt.Sprintf("%d far end silent", ev.Call)
	case supervision.SoundMissing:
		return fmt.Sprintf("%d sound missing", ev.Call)
	case supervision.AttemptEnded:
		return fmt.Sprintf("%d attempt ended: %d %s%s", ev.Call, ev.Code, ev.Progress,
			map[bool]string{true: " second"}[ev.Second])
	case supervision.ProbeAnswered:
		return "probe: " + [...]string{"unknown", "on hook", "off hook"}[ev.Hook]
	}
	return "something else"
}

func lateness(ev supervision.Event) string {
	if ev.Late == 0 {
		return ""
	}
	return fmt.Sprintf(" %v late", ev.Late.Round(100*time.Millisecond))
}

func mark(ev supervision.Event) string {
	s := ""
	if ev.Emergency {
		s = " (emergency)"
	}
	if ev.Number != supervision.NumberOrdinary {
		s += " number=" + ev.Number.String()
	}
	return s
}

// saw checks the next events.
func (d *machineStandIn) saw(want ...string) {
	d.t.Helper()
	for _, w := range want {
		select {
		case got := <-d.seen:
			if got != w {
				d.t.Fatalf("event %q, want %q", got, w)
			}
		case <-time.After(testTimeout):
			d.t.Fatalf("no event; want %q", w)
		}
	}
}

// testBed is one line between an adapter and a service.
type testBed struct {
	t       testing.TB
	agent   *Agent
	line    *Line
	machine *machineStandIn
	adapter *uatest.Peer
	service *uatest.Peer
	// the agent's addresses
	toAdapter, toService netip.AddrPort
	// adds a peer to the network in memory, if there is one
	join func(name, addr string) *uatest.Peer
}

type setting func(*Options, *times)

func relaying(o *Options, _ *times) { o.Lines[0].Relay = true }

// numbers returns the emergency numbers of the Millrace Playhouse's country.
func numbers(t testing.TB) *supervision.Numbers {
	n, err := supervision.NewNumbers(supervision.NumbersOptions{Country: "GB"})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func newTestBed(t testing.TB, settings ...setting) *testBed {
	t.Helper()
	return newTestBedOf(t, uatest.New(t, "adapter"), uatest.New(t, "service"), settings...)
}

// newVirtualTestBed returns a test bed on a network in memory, for a bubble of testing/synctest, where nothing is late.
// It relays no media.
func newVirtualTestBed(t testing.TB, settings ...setting) *testBed {
	t.Helper()
	return newTestBedIn(t, &memoryNetwork{}, settings...)
}

// memoryNetwork is the network of virtual test beds. Each of its sockets has a port of its own.
type memoryNetwork struct {
	network endpointtest.Network
	sockets uint16
}

func (m *memoryNetwork) listen(addr netip.Addr) *endpointtest.Socket {
	m.sockets++
	return m.network.Listen(netip.AddrPortFrom(addr, 5060+m.sockets))
}

// newTestPeer returns one more peer on the network.
func (m *memoryNetwork) newTestPeer(t testing.TB, name, addr string) *uatest.Peer {
	t.Helper()
	return uatest.NewOn(t, name, m.listen(netip.MustParseAddr(addr)))
}

func newTestBedIn(t testing.TB, m *memoryNetwork, settings ...setting) *testBed {
	t.Helper()
	virtual := func(o *Options, _ *times) {
		o.packets = func(at netip.AddrPort) endpoint.Packets { return m.listen(at.Addr()) }
		o.lookup = func(_ context.Context, _, host string) ([]netip.Addr, error) {
			return nil, &net.DNSError{Name: host, IsNotFound: true}
		}
	}
	h := newTestBedOf(t, m.newTestPeer(t, "adapter", "127.0.0.1"), m.newTestPeer(t, "service", "127.0.0.1"),
		append([]setting{virtual}, settings...)...)
	h.join = func(name, addr string) *uatest.Peer { return m.newTestPeer(t, name, addr) }
	return h
}

func newTestBedOf(t testing.TB, adapter, service *uatest.Peer, settings ...setting) *testBed {
	t.Helper()
	h := &testBed{t: t, adapter: adapter, service: service}
	h.machine = &machineStandIn{t: t, virtual: adapter.Conn == nil && adapter.Connections == nil,
		in: make(chan supervision.Event, 1000), seen: make(chan string, 1000), attempts: make(chan string, 1000),
		lates: make(chan time.Duration, 1000), quit: make(chan struct{})}
	local := netip.MustParseAddr("127.0.0.1")
	relay, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	if err != nil {
		t.Fatal(err)
	}
	o := Options{
		Realm: "millrace.example", Numbers: numbers(t), Media: relay, Logger: quiet(t),
		Lines: []LineOptions{{
			Name:          "box-office",
			AdapterSocket: Socket{Listen: netip.AddrPortFrom(local, 0), UDP: true},
			AdapterUser:   adapterUser, AdapterSecret: adapterSecret,
			AdapterFixed: &sip.Uri{Scheme: "sip", User: adapterUser, Host: "127.0.0.1",
				Port: int(h.adapter.At.Port())},
			ServiceSocket: Socket{Listen: netip.AddrPortFrom(local, 0), UDP: true},
			Registrar:     sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: int(h.service.At.Port())},
			ServiceUser:   serviceUser, ServiceSecret: serviceSecret,
			Events: h.machine,
		}},
	}
	times := defaultTimes()
	times.keepAlive, times.regEvents = 0, 0 // nothing at random times, unless a test asks for it
	for _, s := range settings {
		s(&o, &times)
	}
	if h.agent, err = start(o, times); err != nil {
		t.Fatal(err)
	}
	h.line = h.agent.Line("box-office")
	h.machine.line = h.line
	done := make(chan struct{}) // closed when the machine has ended
	go func() { defer close(done); h.machine.run() }()
	t.Cleanup(func() {
		if err := h.agent.Close(); err != nil {
			t.Error(err)
		}
		close(h.machine.quit)
		<-done
		if err := relay.Close(); err != nil {
			t.Error(err)
		}
	})
	st := h.line.Status()
	h.toAdapter, h.toService = st.AdapterAddr, st.ServiceAddr
	return h
}

// quiet logs through the test, which shows the log only if the test fails. A panic in one of our steps fails
// the test. The SIP library keeps the first logger for the whole process, and its TCP goroutines may outlast the test.
// Their log lines after its end are discarded.
func quiet(t testing.TB) *zap.Logger {
	w := &testWriter{t: t}
	t.Cleanup(w.end)
	return zap.New(zapcore.NewCore(zapcore.NewConsoleEncoder(zap.NewDevelopmentEncoderConfig()), zapcore.AddSync(w),
		zap.WarnLevel))
}

type testWriter struct {
	mu sync.Mutex
	t  testing.TB // nil after the end
}

func (w *testWriter) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.t != nil {
		w.t.Logf("%s", p)
		if bytes.Contains(p, []byte("stack")) {
			w.t.Errorf("a step of a call panicked")
		}
	}
	return len(p), nil
}

func (w *testWriter) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.t = nil
}

// arrive calls the line from the service.
func (h *testBed) arrive(sdp string, extra ...string) *uatest.Dialog {
	h.t.Helper()
	target := "sip:" + serviceUser + "@" + h.toService.String()
	d := h.service.Call(target, `"Bo Tree" <sip:5550150@pbx.example>`, h.toService, sdp, extra...)
	h.service.Expect("100")
	return d
}

// request makes a call from the adapter, with credentials.
func (h *testBed) request(number, sdp string, extra ...string) *uatest.Dialog {
	h.t.Helper()
	target := "sip:" + number + "@" + h.toAdapter.String()
	d := h.adapter.Call(target, `"Box Office" <sip:`+adapterUser+`@`+h.toAdapter.String()+`>`, h.toAdapter, sdp,
		extra...)
	if !slices.Contains([]string{"999", "112", "*67112"}, number) { // emergency calls are not challenged
		m := h.adapter.Expect("401")
		d.AckFailure(m)
		extra = append(extra, authorization(h.t, "Authorization", m.Get("WWW-Authenticate"), "INVITE", target,
			adapterUser, adapterSecret))
		d.Request("INVITE", sdp, extra...)
	}
	h.adapter.Expect("100")
	return d
}

// callPair is an answered call and both its ends.
type callPair struct{ far, near *uatest.Dialog }

const (
	farSDP  = 40000
	nearSDP = 40002
)

// callDirections set up an answered call each.
var callDirections = map[string]func(*testBed) callPair{
	"incoming": (*testBed).incoming, "outgoing": (*testBed).outgoing}

// incoming sets up an answered call from the service.
func (h *testBed) incoming() callPair {
	h.t.Helper()
	return h.incomingAs(1)
}

// incomingAs is incoming for the call number id.
func (h *testBed) incomingAs(id int) callPair {
	h.t.Helper()
	far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	inv := h.adapter.Expect("INVITE")
	h.adapter.Respond(inv, 180, "near", "")
	h.service.Expect("180")
	h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.adapter.Expect("ACK")
	far.Established(h.service.Expect("200")).Ack("")
	h.machine.saw(num(id)+" arrived", num(id)+" ringing", num(id)+" answered")
	return callPair{far: far, near: h.adapter.Called(inv, "near")}
}

// outgoing sets up an answered call from the adapter.
func (h *testBed) outgoing() callPair {
	h.t.Helper()
	near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	inv := h.service.Expect("INVITE")
	h.service.Respond(inv, 180, "far", "")
	h.adapter.Expect("180")
	h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
	h.service.Expect("ACK")
	near.Established(h.adapter.Expect("200")).Ack("")
	h.machine.saw("1 requested", "1 answered")
	return callPair{far: h.service.Called(inv, "far"), near: near}
}

// atRest waits until no call is up.
func (h *testBed) atRest() {
	h.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	defer cancel()
	h.agent.awaitNone(ctx)
	if n := h.line.Status().Calls; n != 0 {
		h.t.Fatalf("%d calls are still up", n)
	}
	eventually(h.t, "nothing kept of the calls", func() bool {
		h.agent.mu.Lock()
		defer h.agent.mu.Unlock()
		return h.line.ordinary.Load() == 0 && len(h.agent.merged) == 0 && len(h.agent.invites) == 0
	})
}

func contains(t testing.TB, text, part string) {
	t.Helper()
	if !strings.Contains(text, part) {
		t.Fatalf("no %q in %s", part, text)
	}
}

func lacks(t testing.TB, text, part string) {
	t.Helper()
	if strings.Contains(text, part) {
		t.Fatalf("%q in %s", part, text)
	}
}

// tightLimits leaves no media ports: the relay has one pair for each side (both sides have the same address here), and
// that pair is taken.
func tightLimits(t testing.TB, taken *[]*media.Session) setting {
	return func(o *Options, _ *times) {
		// no other test takes or frees ports at this address
		own := loopbacktest.Address(t)
		low := loopbacktest.Ports(t, own, 4)
		relay, err := media.New(media.Options{AdapterAddr: own, ServiceAddr: own, PortLow: low, PortHigh: low + 3})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { relay.Close() })
		for {
			s, err := relay.NewSession()
			if err != nil {
				break
			}
			*taken = append(*taken, s)
		}
		o.Media = relay
	}
}
