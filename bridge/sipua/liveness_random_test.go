package sipua

import (
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

var (
	vanishingCalls   = flag.Int("vanishing.calls", 120, "calls in TestRandomVanishingFarEnds")
	vanishingSockets = flag.Int("vanishing.sockets", 0, "calls in TestVanishingFarEndsOnSockets, which takes 3 min")
)

// In these tests all times are shortened by the same factor as T1.
func short(d time.Duration) time.Duration {
	return time.Duration(float64(d) * float64(sip.T1) / float64(500*time.Millisecond))
}

// shortened returns the user agent's real times, shortened.
func shortened() times {
	t := defaultTimes()
	for _, d := range []*time.Duration{
		&t.t1, &t.t2, &t.final, &t.ringing, &t.silence, &t.silenceAfterLoss, &t.emergencySilence, &t.recoveryProbe,
		&t.atRestPoll, &t.resubscribe, &t.probe, &t.retryAfter,
		&t.second, &t.emergencyLiveness, &t.firstLivenessCheck, &t.livenessEvery, &t.livenessEveryWithMedia, &t.fresh,
		&t.mediaSilence, &t.silenceReport, &t.recoveryDelay,
	} {
		*d = short(*d)
	}
	return t
}

// span is a period of a call, counted from its answer, in unshortened time.
type span struct{ from, to time.Duration }

// farSocket is a peer's socket, in memory or a real one.
type farSocket interface {
	Read() (endpointtest.Packet, bool)
	WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error)
	Addr() netip.AddrPort
	Close() error
}

// udpSocket is a real socket that loses packets.
type udpSocket struct {
	*net.UDPConn
	lose func() bool
}

func (s udpSocket) Addr() netip.AddrPort { return s.LocalAddr().(*net.UDPAddr).AddrPort() }

func (s udpSocket) Read() (endpointtest.Packet, bool) {
	for b := make([]byte, 65535); ; {
		n, from, err := s.ReadFromUDPAddrPort(b)
		if errors.Is(err, net.ErrClosed) {
			return endpointtest.Packet{}, false
		}
		if err == nil && !s.lose() {
			return endpointtest.Packet{From: from, Data: b[:n]}, true
		}
	}
}

func (s udpSocket) WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error) {
	if s.lose() {
		return len(b), nil
	}
	return s.UDPConn.WriteToUDPAddrPort(b, to)
}

// randomService is a call in progress. The peers keep no transaction state: a retransmission gets the same answer as
// the first.
type randomService struct {
	farCall
	service, adapter  farSocket
	toService, toHome netip.AddrPort
	all               sync.WaitGroup
	answered          atomic.Pointer[time.Time]

	mu       sync.Mutex
	cseq     int
	far      []string // From, To and Call-ID of the far end's requests
	target   string
	cleared  time.Duration // when the call was cleared, and by what
	evidence supervision.Evidence
	line     *Line
	call     supervision.CallID // the answered call
	up       chan struct{}      // closed when the call is up
}

// now is the time since the answer, unshortened.
func (w *randomService) now() time.Duration {
	at := w.answered.Load()
	if at == nil {
		return 0
	}
	return time.Duration(float64(time.Since(*at)) * float64(500*time.Millisecond) / float64(sip.T1))
}

// Post acts as the line's machine.
func (w *randomService) Post(ev supervision.Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch ev.Kind {
	case supervision.CallArrived:
		w.line.Offer(ev.Call)
	case supervision.CallAnswered:
		now := time.Now()
		w.answered.Store(&now)
		w.call = ev.Call
		close(w.up)
	case supervision.FarEndCleared:
		if ev.Call == w.call { // an earlier INVITE may have come too late
			w.cleared, w.evidence = w.now(), ev.Evidence
		}
		w.line.ClearAdapterLeg(ev.Call)
	case supervision.NearEndCleared, supervision.AdapterLost:
		w.line.ClearFarEnd(ev.Call)
	}
}

func (w *randomService) session() []string {
	if w.timer == "" {
		return nil
	}
	return []string{"Session-Expires: 1800;refresher=" + w.timer, "Require: timer"}
}

// inCall returns the service's response to a request in the call.
func (w *randomService) inCall(method string) (code int, late time.Duration) {
	now := w.now()
	switch {
	case method == "OPTIONS" && w.options != 200 && w.options != 408:
		return w.options, 0
	case now >= w.dies:
		code = w.after
	case w.refuses:
		code = 500
	case method == "OPTIONS":
		code = w.options
	case method == "UPDATE" && !w.updates:
		code = 405
	default:
		code = 200
	}
	if code == 408 && w.late {
		late = short(30 * time.Second)
	}
	return code, late
}

func (w *randomService) reply(s farSocket, m uatest.Message, code int, body string, extra ...string) {
	lines := append(m.Response(code, "Far", "peer"), "Contact: <sip:peer@"+s.Addr().String()+">")
	if w.updates {
		lines = append(lines, knowsUpdate)
	} else {
		lines = append(lines, "Allow: INVITE, ACK, BYE, CANCEL, OPTIONS")
	}
	w.write(s, m.From, append(lines, extra...), body)
}

func (w *randomService) write(s farSocket, to netip.AddrPort, lines []string, body string) {
	_, _ = s.WriteToUDPAddrPort([]byte(uatest.Text(lines, body)), to) // the socket may be closed
}

// serve runs the service.
func (w *randomService) serve() {
	for {
		p, ok := w.service.Read()
		if !ok {
			return
		}
		m := uatest.Parse(string(p.Data), p.From)
		method := strings.Fields(m.Start)[0]
		within := strings.Contains(m.Get("To"), ";tag=")
		switch {
		case method == "ACK" && !w.arrived:
			w.mu.Lock()
			w.far = []string{"From: " + m.Get("To"), "To: " + m.Get("From"), "Call-ID: " + m.Get("Call-ID")}
			w.mu.Unlock()
		case method == "ACK":
		case method == "SIP/2.0":
			if _, of := m.CSeq(); of == "INVITE" && m.Is("200") {
				w.established(m)
			}
		case !within && method == "INVITE":
			w.mu.Lock()
			w.target = uatest.URI(m.Get("Contact"))
			w.mu.Unlock()
			w.reply(w.service, m, 200, far(), w.session()...)
		case !within:
			w.reply(w.service, m, 200, "", "Contact: "+m.Get("Contact")+";expires=3600")
		default:
			code, late := w.inCall(method)
			body, extra := "", []string(nil)
			if code == 200 && method == "INVITE" {
				body = far()
			}
			if code == 200 && (method == "INVITE" || method == "UPDATE") {
				extra = w.session()
			}
			if code > 0 {
				time.AfterFunc(late, func() { w.reply(w.service, m, code, body, extra...) })
			}
		}
	}
}

// established acknowledges a 200.
func (w *randomService) established(m uatest.Message) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.far, w.target = []string{"From: " + m.Get("From"), "To: " + m.Get("To"), "Call-ID: " + m.Get("Call-ID")},
		uatest.URI(m.Get("Contact"))
	n, _ := m.CSeq()
	w.requestLocked("ACK", n, "")
}

func (w *randomService) requestLocked(method string, n int, body string, extra ...string) {
	w.write(w.service, w.toService, append(append([]string{method + " " + w.target + " SIP/2.0",
		fmt.Sprintf("Via: SIP/2.0/UDP %s;branch=z9hG4bK%s%d", w.service.Addr(), method, n),
		fmt.Sprintf("CSeq: %d %s", n, method),
		"Max-Forwards: 70", "Contact: <sip:peer@" + w.service.Addr().String() + ">"}, w.far...), extra...), body)
}

// refresh plays a far end that refreshes the session twice as often as required, since it does not retransmit.
func (w *randomService) refresh(end <-chan struct{}) {
	for {
		select {
		case <-end:
			return
		case <-time.After(short(300 * time.Second)):
		}
		w.mu.Lock()
		if w.now() < w.dies && w.target != "" {
			w.cseq++
			w.requestLocked("UPDATE", 100+w.cseq, "", "Supported: timer", "Session-Expires: 1800;refresher=uac")
		}
		w.mu.Unlock()
	}
}

// adapterLoop runs the adapter.
func (w *randomService) adapterLoop() {
	for {
		p, ok := w.adapter.Read()
		if !ok {
			return
		}
		m := uatest.Parse(string(p.Data), p.From)
		switch {
		case m.Is("ACK"):
		case m.Is("INVITE"):
			w.reply(w.adapter, m, 200, near())
		case !strings.HasPrefix(m.Start, "SIP/2.0"):
			w.reply(w.adapter, m, 200, "")
		case m.Is("200"):
			if n, of := m.CSeq(); of == "INVITE" {
				w.write(w.adapter, w.toHome, []string{"ACK " + uatest.URI(m.Get("Contact")) + " SIP/2.0",
					"Via: SIP/2.0/UDP " + w.adapter.Addr().String() + ";branch=z9hG4bKack", "From: " + m.Get("From"),
					"To: " + m.Get("To"),
					"Call-ID: " + m.Get("Call-ID"), fmt.Sprintf("CSeq: %d ACK", n), "Max-Forwards: 70"}, "")
			}
		}
	}
}

func listenUDP(t *testing.T, lose func() bool) farSocket {
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	return udpSocket{c, lose}
}

func peerURI(user string, s farSocket) *sip.Uri {
	return &sip.Uri{Scheme: "sip", User: user, Host: s.Addr().Addr().String(), Port: int(s.Addr().Port())}
}

// invite sends the first INVITE.
func (w *randomService) invite() {
	if w.arrived {
		w.mu.Lock()
		w.far = []string{"From: <sip:5550150@192.0.2.2>;tag=peer", "To: <sip:5550100@192.0.2.1>", "Call-ID: arriving"}
		w.target = w.line.contactForTest()
		extra := []string{"Supported: timer"}
		if w.timer != "" {
			extra = append(extra, "Session-Expires: 1800;refresher="+map[string]string{"uac": "uas",
				"uas": "uac"}[w.timer])
		}
		if w.updates {
			extra = append(extra, knowsUpdate)
		}
		w.requestLocked("INVITE", 1, far(), extra...)
		w.mu.Unlock()
	} else {
		w.write(w.adapter, w.toHome, []string{"INVITE sip:5550150@" + w.toHome.String() + " SIP/2.0",
			"Via: SIP/2.0/UDP " + w.adapter.Addr().String() + ";branch=z9hG4bKfirst",
			"From: <sip:box-office@192.0.2.1>;tag=home", "To: <sip:5550150@192.0.2.1>", "Call-ID: leaving",
			"CSeq: 1 INVITE", "Max-Forwards: 70",
			"Contact: <sip:box-office@" + w.adapter.Addr().String() + ">"}, near())
	}
}

// run plays the call to its end. begun, if not nil, is called when the call is up.
func (f farCall) run(t *testing.T, begun func()) {
	sockets := begun != nil
	w := &randomService{farCall: f, up: make(chan struct{})}
	cut := func() bool {
		at := w.now()
		return at > w.cut.from && at < w.cut.to
	}
	var memory endpointtest.Network
	memory.Lose = func(p endpointtest.Packet) bool {
		return (p.From == w.service.Addr() || p.To == w.service.Addr()) && cut()
	}
	at := func(port uint16) netip.AddrPort { return netip.AddrPortFrom(netip.MustParseAddr("192.0.2.1"), port) }
	w.service, w.adapter = memory.Listen(netip.MustParseAddrPort("192.0.2.2:5060")),
		memory.Listen(netip.MustParseAddrPort("192.0.2.10:5060"))
	if sockets {
		at = func(uint16) netip.AddrPort { return netip.MustParseAddrPort("127.0.0.1:0") }
		w.service, w.adapter = listenUDP(t, cut), listenUDP(t, func() bool { return false })
	}
	o := Options{Realm: "millrace.example", Numbers: numbers(t), Logger: quiet(t), Lines: []LineOptions{{
		Name: "box-office", AdapterSocket: Socket{Listen: at(5060), UDP: true},
		ServiceSocket: Socket{Listen: at(5070), UDP: true},
		AdapterUser:   adapterUser, AdapterFixed: peerURI(adapterUser, w.adapter),
		Registrar:   *peerURI("", w.service),
		ServiceUser: serviceUser, ServiceSecret: serviceSecret, SessionExpires: 30 * time.Minute, MaxCalls: 4,
		Events: w,
	}}}
	if !sockets {
		o.packets = func(at netip.AddrPort) endpoint.Packets { return memory.Listen(at) }
	}
	o.reception = func(_ supervision.CallID, side media.Side) time.Time {
		if at := w.now(); w.relayed && side == media.ServiceSide && at > 0 {
			return w.answered.Load().Add(short(w.heard(at)))
		}
		return time.Time{}
	}
	agent, err := start(o, shortened())
	if err != nil {
		t.Fatal(err)
	}
	w.line = agent.Line("box-office")
	w.toHome, w.toService = w.line.Status().AdapterAddr, w.line.Status().ServiceAddr
	w.all.Go(w.serve)
	w.all.Go(w.adapterLoop)
	for up := false; !up; { // sent again until it is answered; a loss on a busy machine is no failure
		w.invite()
		select {
		case <-w.up:
			up = true
		case <-time.After(8 * sip.T1):
		}
	}
	slack := time.Duration(0)
	if sockets {
		begun()
		slack = 20 * time.Second // one real second, for a busy machine
	}
	end := make(chan struct{}) // closed when the far end stops refreshing
	if w.timer == "uas" {
		w.all.Go(func() { w.refresh(end) })
	}
	<-time.After(short(min(w.due(), 3000*time.Second) + slack + 5*time.Second))
	w.mu.Lock()
	switch cleared := w.evidence != supervision.EvidenceNone; {
	case cleared && w.cleared < w.dies:
		t.Errorf("a call that was up was ended after %v (%v): %+v", w.cleared, w.evidence, f)
	case !cleared && w.dies != never:
		t.Errorf("the hold stayed: %+v", f)
	case cleared && w.cleared > w.due()+slack:
		t.Errorf("ended after %v, which is too late: %+v", w.cleared, f)
	}
	w.mu.Unlock()
	close(end)
	if err := agent.Close(); err != nil {
		t.Error(err)
	}
	_ = w.service.Close()
	_ = w.adapter.Close()
	w.all.Wait()
}

// Far ends vanish. Services become unreachable or restart, and answer checks of a call in every way. No hold remains
// 200 s after its far end vanished, or after the service returned. No call ends whose far end is there.
func TestRandomVanishingFarEnds(t *testing.T) {
	t.Parallel()
	for i := range *vanishingCalls {
		dice := rand.New(rand.NewPCG(uint64(i), 13))
		t.Run(num(i), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { drawCall(dice).run(t, nil) })
		})
	}
}

// The same on real sockets and the real clock, all calls at once, with times shortened to a twentieth. The calls begin
// one after another: an INVITE that is not read within 200 ms counts as unanswered.
func TestVanishingFarEndsOnSockets(t *testing.T) {
	if *vanishingSockets == 0 {
		t.Skip("-vanishing.sockets 200 runs it")
	}
	var all sync.WaitGroup
	for i := range *vanishingSockets {
		up := make(chan struct{}) // closed when the call is up
		all.Go(func() { drawCall(rand.New(rand.NewPCG(uint64(i), 14))).run(t, func() { close(up) }) })
		<-up
	}
	all.Wait()
}
