// Package uatest is a SIP user agent for tests. It sends what a test says, and returns what arrives, one message after
// another. It uses one socket for all remote addresses. It shares no code with the daemon and uses no SIP library.
package uatest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// peerTimeout bounds every wait of the tests. Only a failing test waits that long.
const peerTimeout = 20 * time.Second

// Peer is one party on a UDP socket, a socket in memory, or TCP. It returns each message once, without retransmissions.
// Its methods are for one goroutine, except Respond, Send and NewID.
type Peer struct {
	T     testing.TB
	Name  string       // the user of its Contact
	Conn  *net.UDPConn // nil on TCP and in memory
	proto string       // for the Via
	// Out sends a text as it is.
	Out         func(text []byte, to netip.AddrPort) error
	At          netip.AddrPort // its own address
	Connections *Connections   // nil on UDP
	In          chan Message   // wide enough for a whole test
	// serial distinguishes this peer from one of an earlier test, whose port it may have been given.
	serial uint32
	n      atomic.Uint32
	// Repeats counts the retransmissions received.
	Repeats atomic.Uint32
}

// New returns a peer on UDP at 127.0.0.1.
func New(t testing.TB, name string) *Peer {
	t.Helper()
	return NewAt(t, name, net.IPv4(127, 0, 0, 1))
}

// NewAt returns a peer at another loopback address.
func NewAt(t testing.TB, name string, ip net.IP) *Peer {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: ip})
	if err != nil {
		t.Fatal(err)
	}
	p := &Peer{T: t, Name: name, Conn: conn, proto: "UDP", At: conn.LocalAddr().(*net.UDPAddr).AddrPort(),
		In: make(chan Message, 1000), serial: rand.Uint32()}
	p.Out = func(text []byte, to netip.AddrPort) error {
		_, err := conn.WriteToUDPAddrPort(text, to)
		return err
	}
	p.listen(conn.ReadFromUDPAddrPort, conn.Close)
	return p
}

// NewOn returns a peer on a network in memory, for a bubble of testing/synctest.
func NewOn(t testing.TB, name string, s *endpointtest.Socket) *Peer {
	t.Helper()
	p := &Peer{T: t, Name: name, proto: "UDP", At: s.Addr(), In: make(chan Message, 1000), serial: rand.Uint32()}
	p.Out = func(text []byte, to netip.AddrPort) error {
		_, err := s.WriteToUDPAddrPort(text, to)
		return err
	}
	p.listen(s.ReadFromUDPAddrPort, s.Close)
	return p
}

// listen reads until the end of the test.
func (p *Peer) listen(read func([]byte) (int, netip.AddrPort, error), end func() error) {
	done := make(chan struct{}) // closed when the reader has ended
	go func() {
		defer close(done)
		seen := map[string]bool{}
		buf := make([]byte, 65536)
		for {
			n, from, err := read(buf)
			if err != nil {
				return
			}
			text := string(buf[:n])
			if strings.TrimSpace(text) == "" {
				continue
			}
			if seen[text] {
				p.Repeats.Add(1)
				continue
			}
			seen[text] = true
			if m := Parse(text, from); !p.isStray(m) {
				p.In <- m
			}
		}
	}()
	p.T.Cleanup(func() { _ = end(); <-done })
}

// isStray reports whether a message answers a request of an earlier peer at the same port.
func (p *Peer) isStray(m Message) bool {
	var peer, n uint32
	_, branch, _ := strings.Cut(m.Get("Via"), "branch=z9hG4bK"+p.Name+"-"+strconv.Itoa(int(p.At.Port()))+"-")
	read, _ := fmt.Sscanf(branch, "%d-%d", &peer, &n)
	return strings.HasPrefix(m.Start, "SIP/2.0 ") && read == 2 && peer != p.serial
}

// Serve gives each message to handle, one after another, until the test ends. It takes the place of Next and Expect.
func (p *Peer) Serve(handle func(Message)) {
	stop, done := make(chan struct{}), make(chan struct{}) // each closed once, at the end of the test
	go func() {
		defer close(done)
		for {
			select {
			case m := <-p.In:
				handle(m)
			case <-stop:
				return
			}
		}
	}()
	p.T.Cleanup(func() { close(stop); <-done })
}

// Next returns the next message that is not a retransmission.
func (p *Peer) Next() Message {
	p.T.Helper()
	select {
	case m := <-p.In:
		return m
	case <-time.After(peerTimeout):
		p.T.Fatalf("%s: nothing came", p.Name)
		return Message{}
	}
}

// Expect returns the next message, and fails if it is not the expected one.
func (p *Peer) Expect(what string) Message {
	p.T.Helper()
	m := p.Next()
	for m.Is("100") && what != "100" {
		// a 100 comes first if the answer is late (RFC 3261 section 17.2.1); here that depends on the machine's speed
		m = p.Next()
	}
	if !m.Is(what) {
		p.T.Fatalf("%s: want %s, got %s", p.Name, what, m)
	}
	return m
}

// ExpectOf is Expect for a response to the given method.
func (p *Peer) ExpectOf(code, method string) Message {
	p.T.Helper()
	m := p.Expect(code)
	if _, got := m.CSeq(); got != method {
		p.T.Fatalf("%s: want %s to %s, got %s", p.Name, code, method, m)
	}
	return m
}

// ExpectNothing fails if a message is unread. It sends a request of its own. When that is answered, everything sent
// earlier has arrived.
func (p *Peer) ExpectNothing(agent netip.AddrPort) {
	p.T.Helper()
	via, id := p.Via(), p.NewID()
	_, branch, _ := strings.Cut(strings.TrimSuffix(via, ";rport"), "branch=")
	p.Send(agent, "OPTIONS sip:"+agent.String()+" SIP/2.0", via,
		"From: <sip:test@"+p.At.String()+">;tag="+id, "To: <sip:"+agent.String()+">", "Call-ID: "+id, "CSeq: 1 OPTIONS",
		"Max-Forwards: 70", "")
	for {
		m := p.Next()
		if strings.Contains(m.Get("Via"), branch) {
			return
		}
		p.T.Fatalf("%s: should have nothing to read, got %s", p.Name, m)
	}
}

// NewID returns a new Call-ID or tag. Safe for concurrent use.
func (p *Peer) NewID() string {
	return fmt.Sprintf("%s-%d-%d-%d", p.Name, p.At.Port(), p.serial, p.n.Add(1))
}

// Via returns a Via header line with a new branch.
func (p *Peer) Via() string {
	return "Via: SIP/2.0/" + p.proto + " " + p.At.String() + ";branch=z9hG4bK" + p.NewID() + ";rport"
}

// Contact returns the Contact header line.
func (p *Peer) Contact() string {
	if p.Connections != nil {
		return "Contact: <sip:" + p.Name + "@" + p.At.String() + ";transport=tcp>"
	}
	return "Contact: <sip:" + p.Name + "@" + p.At.String() + ">"
}

// Send sends the lines as a message. The last one is the body.
func (p *Peer) Send(to netip.AddrPort, lines ...string) {
	p.T.Helper()
	text := Text(lines[:len(lines)-1], lines[len(lines)-1])
	if err := p.Out([]byte(text), to); err != nil {
		p.T.Fatalf("%s: %v", p.Name, err)
	}
}

// Respond answers req. It adds the To tag if it is missing.
func (p *Peer) Respond(req Message, code int, tag, body string, extra ...string) {
	p.T.Helper()
	lines := req.Response(code, "Said "+p.Name, tag)
	if code > 100 && code < 300 && !slices.ContainsFunc(extra,
		func(h string) bool { return strings.HasPrefix(h, "Contact:") }) {
		lines = append(lines, p.Contact())
	}
	lines = append(append(lines, extra...), body)
	p.Send(req.From, lines...)
}

// ExpectRepeat waits for a retransmission, identical or with a new branch.
func ExpectRepeat(t testing.TB, p *Peer, first Message) {
	t.Helper()
	deadline := time.After(peerTimeout)
	poll := time.NewTicker(5 * time.Millisecond)
	defer poll.Stop()
	for {
		select {
		case m := <-p.In:
			_, want := first.CSeq()
			if _, got := m.CSeq(); got != want || m.Get("Call-ID") != first.Get("Call-ID") {
				t.Fatalf("%s: want a retransmission, got %s", p.Name, m)
			}
			return
		case <-poll.C:
			if p.Repeats.Load() > 0 {
				return
			}
		case <-deadline:
			t.Fatalf("%s: no retransmission came", p.Name)
		}
	}
}

// ExpectNone fails if any message has come. For a bubble of testing/synctest.
func (p *Peer) ExpectNone() {
	p.T.Helper()
	if synctest.Wait(); len(p.In) > 0 {
		p.T.Fatalf("%s got %s", p.Name, p.Next())
	}
}

// ExpectSilence fails if p gets anything within d.
func (p *Peer) ExpectSilence(d time.Duration) {
	p.T.Helper()
	select {
	case m := <-p.In:
		p.T.Fatalf("%s: should have nothing to read, got %s", p.Name, m)
	case <-time.After(d):
	}
}

// ExpectFinal returns the final response to an INVITE. A 100 may come before it (RFC 3261 section 17.2.1).
func (p *Peer) ExpectFinal(code string) Message {
	p.T.Helper()
	m := p.Next()
	if m.Is("100") && code != "100" {
		m = p.Next()
	}
	if _, method := m.CSeq(); !m.Is(code) || method != "INVITE" {
		p.T.Fatalf("%s: want %s to INVITE, got %s", p.Name, code, m)
	}
	return m
}

// ExpectAfter skips all messages of the kind skip and returns the next of the kind want.
func (p *Peer) ExpectAfter(skip, want string) Message {
	p.T.Helper()
	m := p.Next()
	for m.Is(skip) {
		m = p.Next()
	}
	if !m.Is(want) {
		p.T.Fatalf("%s: want %s, got %s", p.Name, want, m)
	}
	return m
}

// RespondReliably sends a reliable provisional response with RSeq n (RFC 3262).
func (p *Peer) RespondReliably(req Message, code int, tag, body string, n int) {
	p.T.Helper()
	p.Respond(req, code, tag, body, "Require: 100rel", "RSeq: "+strconv.Itoa(n))
}

// RespondUntagged sends a response without a To tag, as an RFC 2543 proxy may.
func (p *Peer) RespondUntagged(req Message, code int) {
	p.T.Helper()
	p.Send(req.From, "SIP/2.0 "+strconv.Itoa(code)+" Said "+p.Name, "Via: "+req.Get("Via"), "From: "+req.Get("From"),
		"To: "+req.Get("To"), "Call-ID: "+req.Get("Call-ID"),
		"CSeq: "+req.Get("CSeq"), "")
}

// ContactAs returns the Contact of a fork.
func (p *Peer) ContactAs(user string) string {
	return "Contact: <sip:" + user + "@" + p.At.String() + ">"
}
