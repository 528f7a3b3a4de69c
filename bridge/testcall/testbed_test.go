package testcall

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge"
	"clearback/bridge/media"
	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/sipua"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// TestMain shortens the transaction timers: T1 is 25 ms, so that 64*T1 is 1.6 s (RFC 3261 section 17.1).
func TestMain(m *testing.M) {
	sip.SetTimers(25*time.Millisecond, 200*time.Millisecond, 250*time.Millisecond)
	goleak.VerifyTestMain(m)
}

// testTimeout limits every wait of the tests. Only a failing test waits for so long.
const testTimeout = 10 * time.Second

var loopback = netip.MustParseAddr("127.0.0.1")

// testAdapter is an adapter with a key system behind it. It has a SIP peer and an RTP socket. It answers each call as
// set by its fields. It keeps the call on hold until the contact was open for as long as the line card needs.
type testAdapter struct {
	t     *testing.T
	peer  *uatest.Peer
	sound *net.UDPConn
	open  func() []time.Duration // returns the interruptions that the contact was asked for
	seen  chan string            // methods of requests; large enough for a test
	said  chan uatest.Message    // responses; large enough for a test

	mu              sync.Mutex
	answer          int           // the status for an INVITE; 0: it keeps ringing
	release         time.Duration // the release time of the card; 0: no opening clears the hold
	clearsItself    bool          // the hold clears with the BYE, without an opening
	ignoresBye      bool          // BYE is not answered
	offHook         bool
	openings        int // interruptions before the hold
	invite          uatest.Message
	answersOnCancel bool // the call is answered just as the CANCEL arrives
}

// newTestAdapter returns an adapter. open returns the interruptions that the line's contact was asked for.
func newTestAdapter(t *testing.T, open func() []time.Duration) *testAdapter {
	t.Helper()
	b := &testAdapter{t: t, peer: uatest.New(t, "box"), open: open, seen: make(chan string, 1000),
		said: make(chan uatest.Message, 1000), answer: 200}
	sound, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	b.sound = sound
	b.peer.Serve(b.take)
	t.Cleanup(func() { b.sound.Close() })
	return b
}

func (b *testAdapter) take(m uatest.Message) {
	method, _, _ := strings.Cut(m.Start, " ")
	b.mu.Lock()
	defer b.mu.Unlock()
	switch method {
	case "SIP/2.0":
		b.said <- m
		return
	case "INVITE":
		b.invite = m
		b.respond(m, 180, "")
		if b.answer > 0 {
			b.answerLocked(b.answer)
		}
	case "BYE":
		if !b.ignoresBye {
			b.respond(m, 200, "")
		}
		if b.clearsItself {
			b.offHook = false
		}
	case "CANCEL":
		b.respond(m, 200, "")
		if b.answersOnCancel {
			b.answerLocked(200)
		} else {
			b.answerLocked(487)
		}
	case "OPTIONS":
		code := 200
		if b.held() {
			code = 486
		}
		b.respond(m, code, "")
	}
	b.seen <- method
}

// held reports whether the key system still holds the line.
func (b *testAdapter) held() bool {
	for _, d := range b.open()[b.openings:] {
		if b.release > 0 && d >= b.release {
			b.offHook = false
		}
	}
	return b.offHook
}

func (b *testAdapter) answerLocked(code int) {
	body := ""
	if code == 200 {
		b.offHook, b.openings = true, len(b.open())
		body = b.sdp("sendrecv")
	}
	b.respond(b.invite, code, body)
}

func (b *testAdapter) sdp(direction string) string {
	return uatest.Offer(loopback.String(), b.sound.LocalAddr().(*net.UDPAddr).Port, direction)
}

func (b *testAdapter) respond(m uatest.Message, code int, body string) {
	b.peer.Respond(m, code, "near", body)
}

// request sends a request in the dialog of the call that the adapter was offered.
func (b *testAdapter) request(method string, seq int, body string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.peer.Called(b.invite, "near").RequestSeq(method, seq, body)
}

// awaitResponse waits for the response to the adapter's request of that number.
func (b *testAdapter) awaitResponse(seq int, method string) uatest.Message {
	b.t.Helper()
	for {
		select {
		case m := <-b.said:
			if m.Get("CSeq") == fmt.Sprint(seq, " ", method) {
				return m
			}
		case <-time.After(testTimeout):
			b.t.Fatalf("no answer to %s came", method)
		}
	}
}

// dial asks for a call, which is a seizure.
func (b *testAdapter) dial(number string, to netip.AddrPort) {
	b.peer.Call("sip:"+number+"@"+to.String(), "<sip:box@"+b.peer.At.String()+">", to, b.sdp("sendrecv"))
}

// awaitRequest waits for a request of that method.
func (b *testAdapter) awaitRequest(method string) {
	b.t.Helper()
	for {
		select {
		case got := <-b.seen:
			if got == method {
				return
			}
		case <-time.After(testTimeout):
			b.t.Fatalf("no %s came", method)
		}
	}
}

// testBed is one line in service: the real user agent, the real line with its machine, a fake contact, and the
// testAdapter.
type testBed struct {
	t       *testing.T
	adapter *testAdapter
	agent   *sipua.Agent
	line    *bridge.Line
	contact *relaytest.Fake
	logged  *observer.ObservedLogs
	session *Session
	notes   notes
}

// notes passes each CallInfo on to the session, as the daemon does.
type notes struct {
	mu  sync.Mutex
	to  *Session
	all []callrecord.CallInfo
}

func (n *notes) take(note callrecord.CallInfo) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.to != nil {
		note.Test = n.to.Owns(note)
		n.to.CallInfo(note)
	}
	n.all = append(n.all, note)
}

// lateness begins to measure how late the machine wakes sleeping goroutines. The function that it returns gives the
// longest delay so far. Times that a test measures can be late by as much on a busy machine.
func lateness(t *testing.T) func() time.Duration {
	t.Helper()
	var mu sync.Mutex
	var most time.Duration
	due := time.Now()
	look := func() { mu.Lock(); defer mu.Unlock(); most = max(most, time.Since(due)) }
	quit, done := make(chan struct{}), make(chan struct{}) // each closed once
	go func() {
		defer close(done)
		for {
			mu.Lock()
			due = time.Now().Add(5 * time.Millisecond)
			wait := time.NewTimer(time.Until(due))
			mu.Unlock()
			select {
			case <-wait.C:
				look()
			case <-quit:
				wait.Stop()
				return
			}
		}
	}()
	t.Cleanup(func() { close(quit); <-done })
	return func() time.Duration {
		look() // the machine may be late at this moment
		mu.Lock()
		defer mu.Unlock()
		return most
	}
}

// requireMeasured checks the length of the last opening. late is how late the machine was. If a line does not learn in
// time that the loop is closed, it closes the loop itself, and then the opening has no measured length. Here only a
// busy machine can cause that.
func (h *testBed) requireMeasured(asked, measured, late time.Duration) {
	h.t.Helper()
	if measured != 0 {
		require.InDelta(h.t, asked.Seconds(), measured.Seconds(), 0.05+2*late.Seconds())
		return
	}
	calls := h.contact.Calls()
	require.Equal(h.t, "close", calls[len(calls)-1].Name, "not measured, and the line did not close it")
	require.Greater(h.t, late, 20*time.Millisecond, "not measured, on a machine that was not late")
}

func policy() supervision.Policy {
	p := supervision.DefaultPolicy()
	p.Interval, p.Lead, p.GuardTime, p.OnHookRecognition = 250*time.Millisecond, 100*time.Millisecond,
		100*time.Millisecond, 400*time.Millisecond
	p.MaxInterval, p.ProbeTrusted, p.Watch = 600*time.Millisecond, true, 0
	return p
}

func newTestBed(t *testing.T, change ...func(*supervision.Policy, *sipua.LineOptions)) *testBed {
	t.Helper()
	h := &testBed{t: t, contact: relaytest.NewFake(relay.KindOneshot)}
	h.adapter = newTestAdapter(t, func() []time.Duration {
		var all []time.Duration
		for _, c := range h.contact.Calls() {
			if c.Name == "interrupt" {
				all = append(all, c.Interruption.Duration)
			}
		}
		return all
	})
	core, logged := observer.New(zap.DebugLevel)
	h.logged = logged
	log := zap.New(core)
	relayer, err := media.New(media.Options{AdapterAddr: loopback, ServiceAddr: loopback, PortLow: 30000,
		PortHigh: 39999})
	require.NoError(t, err)
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{Country: "GB"})
	require.NoError(t, err)
	p := policy()
	o := sipua.LineOptions{
		Name: "box-office", AdapterSocket: sipua.Socket{Listen: netip.AddrPortFrom(loopback, 0), UDP: true},
		AdapterUser:   "box",
		AdapterFixed:  &sip.Uri{Scheme: "sip", User: "box", Host: "127.0.0.1", Port: int(h.adapter.peer.At.Port())},
		ServiceSocket: sipua.Socket{Listen: netip.AddrPortFrom(loopback, 0), UDP: true},
		Registrar:     sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: 9}, ServiceUser: "5550100",
		ServiceProxy: "127.0.0.1:9", // nothing of a trial may be sent there
		Relay:        true,
	}
	for _, c := range change {
		c(&p, &o)
	}
	h.line = bridge.NewLine(bridge.LineOptions{Name: "box-office", Policy: p, Contact: h.contact, Epoch: time.Now(),
		Logger: log})
	o.Events = h.line
	h.agent, err = sipua.Start(sipua.Options{Lines: []sipua.LineOptions{o}, Realm: "millrace.example", Numbers: numbers,
		Media: relayer, Logger: log, CallInfo: h.notes.take})
	require.NoError(t, err)
	h.line.Start(h.agent.Line("box-office"))
	h.session, err = Begin(Options{Name: "box-office", Line: h.line, Port: h.agent.Line("box-office"), Bind: loopback,
		Logger: log})
	require.NoError(t, err)
	h.notes.mu.Lock()
	h.notes.to = h.session
	h.notes.mu.Unlock()
	t.Cleanup(func() {
		require.NoError(t, h.session.End())
		h.adapter.mu.Lock()
		h.adapter.ignoresBye = false
		h.adapter.mu.Unlock()
		require.NoError(t, h.agent.Close())
		h.line.Stop()
		require.NoError(t, relayer.Close())
	})
	return h
}

// set changes the fields of the testAdapter.
func (h *testBed) set(f func(b *testAdapter)) {
	h.adapter.mu.Lock()
	defer h.adapter.mu.Unlock()
	f(h.adapter)
}

func (h *testBed) toAdapter() netip.AddrPort { return h.agent.Line("box-office").Status().AdapterAddr }

// What the contact may do instead of opening.
var (
	errFake     = relay.ErrUnreachable
	unreachable = relaytest.Step{Outcome: relay.Refused, Err: relay.ErrUnreachable}
	silent      = relaytest.Step{Outcome: relay.Unknown}
	refused     = relaytest.Step{Outcome: relay.Refused}
	none        = relaytest.Step{Outcome: relay.Refused, Err: relay.ErrNoContact}
)
