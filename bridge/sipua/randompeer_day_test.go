package sipua

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/supervision"
)

var (
	dayHours = flag.Int("day.hours", 1, "hours of virtual time in TestDayOfRandomCalls")
	dayLines = flag.Int("day.lines", 4, "lines in TestDayOfRandomCalls")
)

// eventLedger counts the events of a line and acts as its machine.
type eventLedger struct {
	line   *Line
	mu     sync.Mutex
	open   map[supervision.CallID]supervision.EventKind // how far each call got
	posted map[singleEvent]bool
	// what went wrong
	faults  []string
	calls   int
	cleared bool // the end of some call was posted
}

// singleEvent is an event that may be posted only once for a call.
type singleEvent struct {
	call supervision.CallID
	kind supervision.EventKind
}

func (l *eventLedger) Post(ev supervision.Event) {
	l.write(ev)
	switch ev.Kind {
	case supervision.CallArrived:
		l.line.Offer(ev.Call)
	case supervision.FarEndCleared:
		l.line.ClearAdapterLeg(ev.Call)
	case supervision.NearEndCleared, supervision.AdapterLost:
		l.line.ClearFarEnd(ev.Call)
	}
}

func (l *eventLedger) write(ev supervision.Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	known := l.open[ev.Call] != 0
	if l.posted == nil {
		l.posted = map[singleEvent]bool{}
	}
	if once := (singleEvent{ev.Call, ev.Kind}); l.posted[once] {
		l.faults = append(l.faults, "told twice: "+text(ev))
	} else {
		l.posted[once] = true
	}
	switch ev.Kind {
	case supervision.FarEndCleared, supervision.NearEndCleared, supervision.AdapterLost:
		l.cleared = true
	}
	switch ev.Kind {
	case supervision.CallArrived, supervision.CallRequested:
		l.calls++
		if known {
			l.faults = append(l.faults, fmt.Sprintf("call %d begins twice", ev.Call))
		}
		l.open[ev.Call] = ev.Kind
	case supervision.CallRinging, supervision.CallAnswered, supervision.FarEndCleared:
		if !known {
			l.faults = append(l.faults, fmt.Sprintf("call %d is not known: %s", ev.Call, text(ev)))
		}
	case supervision.NearEndCleared, supervision.AdapterLost, supervision.AdapterLegCleared:
		delete(l.open, ev.Call)
	}
}

// A day of calls in virtual time, in both directions: hold, hang-up from either end, busy, unanswered and cancelled
// calls, session timers, reliable provisional responses, transfers, crossing holds, adapters that restart, a service
// that is down for a 24th of the time, and one lost packet in 200. Nothing stays behind, and every end of a call is
// handled.
func TestDayOfRandomCalls(t *testing.T) {
	t.Parallel()
	hours, lines := *dayHours, *dayLines
	if testing.Short() {
		hours = 1
	}
	synctest.Test(t, func(t *testing.T) {
		dice := rand.New(rand.NewPCG(1, 2))
		var losing sync.Mutex
		pbxAt, began, whole := netip.MustParseAddrPort("192.0.2.2:5060"), time.Now(), time.Duration(hours)*time.Hour
		net := &endpointtest.Network{Lose: func(p endpointtest.Packet) bool {
			losing.Lock()
			defer losing.Unlock()
			if at := p.At.Sub(began); (p.From == pbxAt || p.To == pbxAt) && at > whole/2 && at < whole/2+whole/24 {
				return true
			}
			return dice.IntN(200) == 0
		}}
		host := netip.MustParseAddr("192.0.2.1")
		toAdapter, toService := netip.AddrPortFrom(host, 5060), netip.AddrPortFrom(host, 5070)
		o := Options{Realm: "millrace.example", Numbers: numbers(t)}
		o.packets = func(at netip.AddrPort) endpoint.Packets { return net.Listen(at) }
		var ledgers []*eventLedger
		for i := range lines {
			l := &eventLedger{open: map[supervision.CallID]supervision.EventKind{}}
			ledgers = append(ledgers, l)
			o.Lines = append(o.Lines, LineOptions{
				Name:          fmt.Sprintf("line-%d", i),
				AdapterSocket: Socket{Listen: toAdapter, UDP: true},
				ServiceSocket: Socket{Listen: toService, UDP: true},
				AdapterUser:   fmt.Sprintf("port-%d", i),
				AdapterFixed: &sip.Uri{Scheme: "sip", User: fmt.Sprintf("port-%d", i),
					Host: fmt.Sprintf("192.0.2.%d", 10+i), Port: 5060},
				Registrar:   sip.Uri{Scheme: "sip", Host: pbxAt.Addr().String(), Port: 5060},
				ServiceUser: fmt.Sprintf("55501%02d", i), ServiceSecret: serviceSecret, Register: true,
				Expires:        time.Hour,
				SessionExpires: 90 * time.Second, MaxCalls: 4, Events: l,
			})
		}
		agent, err := start(o, defaultTimes())
		if err != nil {
			t.Fatal(err)
		}
		pbx := newRandomPeer(t, net, "pbx", pbxAt, toService, 3)
		var ports []*randomPeer
		for i := range lines {
			ledgers[i].line = agent.Line(fmt.Sprintf("line-%d", i))
			ports = append(ports, newRandomPeer(t, net, fmt.Sprintf("port-%d", i),
				netip.AddrPortFrom(netip.AddrFrom4([4]byte{192, 0, 2, byte(10 + i)}), 5060), toAdapter, uint64(i)+10))
		}
		plan := rand.New(rand.NewPCG(4, 5))
		end := time.Now().Add(whole)
		for time.Now().Before(end) {
			<-time.After(time.Duration(plan.IntN(240000/lines)) * time.Millisecond)
			i := plan.IntN(lines)
			if plan.IntN(100) == 0 {
				ports[plan.IntN(lines)].restart()
			}
			if plan.IntN(2) == 0 {
				pbx.call(agent.Line(fmt.Sprintf("line-%d", i)).contactForTest(),
					fmt.Sprintf("<sip:55501%02d@pbx.example>", 50+plan.IntN(50)))
			} else {
				ports[i].call(fmt.Sprintf("sip:55501%02d@%s", 50+plan.IntN(50), toAdapter),
					fmt.Sprintf("<sip:port-%d@%s>", i, toAdapter))
			}
		}
		<-time.After(20 * time.Minute) // the last calls end by themselves
		synctest.Wait()
		calls, answered, lost, did := 0, 0, 0, pbx.callCounts
		for i, l := range ledgers {
			l.mu.Lock()
			calls += l.calls
			if len(l.faults) > 0 || len(l.open) > 0 {
				t.Errorf("line %d: %v; still open: %v", i, l.faults, l.open)
			}
			l.mu.Unlock()
			answered, lost = answered+ports[i].answered, lost+ports[i].lost
			did.add(ports[i].callCounts)
		}
		agent.mu.Lock()
		if n := len(agent.calls) + len(agent.dialogs) + len(agent.invites) + len(agent.merged); n != 0 {
			t.Errorf("left behind: %d calls, %d dialogs, %d invites, %d merged", len(agent.calls), len(agent.dialogs),
				len(agent.invites), len(agent.merged))
		}
		agent.mu.Unlock()
		if e := agent.Counts().Endpoint; e.Servers+e.Clients+e.Queues+e.Cancels != 0 {
			t.Errorf("the sockets still have state: %+v", e)
		}
		t.Logf("%d hours, %d lines: %d calls, %d answered; %d transactions of the peers without an answer", hours,
			lines, calls, answered+pbx.answered, lost+pbx.lost)
		t.Logf("the peers: %+v", did)
		if want := hours * 20; calls < want {
			t.Errorf("%d calls, want %d at least", calls, want)
		}
		if err := agent.Close(); err != nil {
			t.Error(err)
		}
		pbx.close()
		for _, p := range ports {
			p.close()
		}
	})
}

// contactForTest is the URI at which the service calls the line.
func (l *Line) contactForTest() string {
	contact, _, _ := l.Inbound()
	return strings.TrimSuffix(contact.String(), ";transport=udp")
}
