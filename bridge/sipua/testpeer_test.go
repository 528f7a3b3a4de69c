package sipua

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/icholy/digest"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// testTimeout bounds every wait of the tests. Only a failing test waits that long.
const testTimeout = 5 * time.Second

// testPeer is one hand-written party on a UDP socket, or on TCP (newTCPTestPeer). It returns each message once, without
// retransmissions. It shares no code with the code under test.
type testPeer struct {
	t     testing.TB
	name  string
	conn  *net.UDPConn // nil on TCP
	proto string       // for the Via
	out   func(text []byte, to netip.AddrPort) error
	at    netip.AddrPort
	hangs *tcpConns    // nil on UDP
	in    chan message // wide enough for a whole test
	// serial tells this peer from one of an earlier test, whose port it may have been given.
	serial uint32
	n      atomic.Uint32
	// repeats counts the retransmissions received.
	repeats atomic.Uint32
}

type message struct {
	start   string
	headers []string // "Name: value"
	body    string
	from    netip.AddrPort
}

// lastPeer is the serial number of the last peer.
var lastPeer atomic.Uint32

func newTestPeer(t testing.TB, name string) *testPeer {
	t.Helper()
	return newTestPeerAt(t, name, net.IPv4(127, 0, 0, 1))
}

// newTestPeerAt returns a peer at another loopback address.
func newTestPeerAt(t testing.TB, name string, ip net.IP) *testPeer {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: ip})
	if err != nil {
		t.Fatal(err)
	}
	p := &testPeer{t: t, name: name, conn: conn, proto: "UDP", at: conn.LocalAddr().(*net.UDPAddr).AddrPort(),
		in: make(chan message, 1000), serial: lastPeer.Add(1)}
	p.out = func(text []byte, to netip.AddrPort) error {
		_, err := conn.WriteToUDPAddrPort(text, to)
		return err
	}
	p.listen(conn.ReadFromUDPAddrPort, conn.Close)
	return p
}

// newTestPeerOn returns a peer on a network in memory, for a bubble of testing/synctest.
func newTestPeerOn(t testing.TB, name string, s *endpointtest.Socket) *testPeer {
	t.Helper()
	p := &testPeer{t: t, name: name, proto: "UDP", at: s.Addr(), in: make(chan message, 1000), serial: lastPeer.Add(1)}
	p.out = func(text []byte, to netip.AddrPort) error {
		_, err := s.WriteToUDPAddrPort(text, to)
		return err
	}
	p.listen(s.ReadFromUDPAddrPort, s.Close)
	return p
}

// listen reads until the end of the test.
func (p *testPeer) listen(read func([]byte) (int, netip.AddrPort, error), end func() error) {
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
				p.repeats.Add(1)
				continue
			}
			seen[text] = true
			if m := parse(text, from); !p.isStray(m) {
				p.in <- m
			}
		}
	}()
	p.t.Cleanup(func() { _ = end(); <-done })
}

// isStray reports whether a message answers a request of an earlier peer at the same port.
func (p *testPeer) isStray(m message) bool {
	var peer, n uint32
	_, branch, _ := strings.Cut(m.get("Via"), "branch=z9hG4bK"+p.name+"-"+strconv.Itoa(int(p.at.Port()))+"-")
	read, _ := fmt.Sscanf(branch, "%d-%d", &peer, &n)
	return strings.HasPrefix(m.start, "SIP/2.0 ") && read == 2 && peer != p.serial
}

func parse(text string, from netip.AddrPort) message {
	head, body, _ := strings.Cut(text, "\r\n\r\n")
	lines := strings.Split(head, "\r\n")
	return message{start: lines[0], headers: lines[1:], body: body, from: from}
}

func (m message) all(name string) []string {
	var values []string
	for _, h := range m.headers {
		n, v, _ := strings.Cut(h, ":")
		if strings.EqualFold(strings.TrimSpace(n), name) {
			values = append(values, strings.TrimSpace(v))
		}
	}
	return values
}

func (m message) get(name string) string {
	if v := m.all(name); len(v) > 0 {
		return v[0]
	}
	return ""
}

// is reports whether m is a request of that method or a response of that code.
func (m message) is(what string) bool {
	f := strings.Fields(m.start)
	return len(f) > 1 && (f[0] == what || (f[0] == "SIP/2.0" && f[1] == what))
}

func (m message) cseq() (n int, method string) {
	f := strings.Fields(m.get("CSeq"))
	n, _ = strconv.Atoi(f[0])
	return n, f[1]
}

func (m message) String() string {
	return m.start + "\n" + strings.Join(m.headers, "\n") + "\n\n" + m.body
}

// uri returns the text in angle brackets.
func uri(v string) string {
	_, v, _ = strings.Cut(v, "<")
	v, _, _ = strings.Cut(v, ">")
	return v
}

// next returns the next message that is not a retransmission.
func (p *testPeer) next() message {
	p.t.Helper()
	select {
	case m := <-p.in:
		return m
	case <-time.After(testTimeout):
		p.t.Fatalf("%s: nothing came", p.name)
		return message{}
	}
}

// expect returns the next message, and fails if it is not the expected one.
func (p *testPeer) expect(what string) message {
	p.t.Helper()
	m := p.next()
	for m.is("100") && what != "100" {
		// a 100 comes first if the answer is late (RFC 3261 section 17.2.1); here that depends on the machine's speed
		m = p.next()
	}
	if !m.is(what) {
		p.t.Fatalf("%s: want %s, got %s", p.name, what, m)
	}
	return m
}

// expectOf is expect for a response to the given method.
func (p *testPeer) expectOf(code, method string) message {
	p.t.Helper()
	m := p.expect(code)
	if _, got := m.cseq(); got != method {
		p.t.Fatalf("%s: want %s to %s, got %s", p.name, code, method, m)
	}
	return m
}

// nothing fails if a message is unread. It sends a request of its own. When that is answered, everything sent earlier
// has arrived.
func (p *testPeer) nothing(agent netip.AddrPort) {
	p.t.Helper()
	via, id := p.via(), p.id()
	_, branch, _ := strings.Cut(strings.TrimSuffix(via, ";rport"), "branch=")
	p.send(agent, "OPTIONS sip:"+agent.String()+" SIP/2.0", via,
		"From: <sip:test@"+p.at.String()+">;tag="+id, "To: <sip:"+agent.String()+">", "Call-ID: "+id, "CSeq: 1 OPTIONS",
		"Max-Forwards: 70", "")
	for {
		m := p.next()
		if strings.Contains(m.get("Via"), branch) {
			return
		}
		p.t.Fatalf("%s: should have nothing to read, got %s", p.name, m)
	}
}

func (p *testPeer) id() string {
	return fmt.Sprintf("%s-%d-%d-%d", p.name, p.at.Port(), p.serial, p.n.Add(1))
}

func (p *testPeer) via() string {
	return "Via: SIP/2.0/" + p.proto + " " + p.at.String() + ";branch=z9hG4bK" + p.id() + ";rport"
}

func (p *testPeer) contact() string {
	if p.hangs != nil {
		return "Contact: <sip:" + p.name + "@" + p.at.String() + ";transport=tcp>"
	}
	return "Contact: <sip:" + p.name + "@" + p.at.String() + ">"
}

// send sends the lines as a message. The last one is the body.
func (p *testPeer) send(to netip.AddrPort, lines ...string) {
	p.t.Helper()
	body := lines[len(lines)-1]
	head := strings.Join(lines[:len(lines)-1], "\r\n") + "\r\n"
	if body != "" && !strings.Contains(head, "Content-Type:") {
		head += "Content-Type: application/sdp\r\n"
	}
	text := head + fmt.Sprintf("Content-Length: %d\r\n\r\n%s", len(body), body)
	if err := p.out([]byte(text), to); err != nil {
		p.t.Fatalf("%s: %v", p.name, err)
	}
}

// respond answers req. It adds the To tag if it is missing.
func (p *testPeer) respond(req message, code int, tag, body string, extra ...string) {
	p.t.Helper()
	lines := []string{fmt.Sprintf("SIP/2.0 %d Said %s", code, p.name)}
	for _, v := range req.all("Via") {
		lines = append(lines, "Via: "+v)
	}
	for _, v := range req.all("Record-Route") {
		lines = append(lines, "Record-Route: "+v)
	}
	to := req.get("To")
	if !strings.Contains(to, ";tag=") && code > 100 {
		to += ";tag=" + tag
	}
	lines = append(lines, "From: "+req.get("From"), "To: "+to, "Call-ID: "+req.get("Call-ID"), "CSeq: "+req.get("CSeq"))
	if code > 100 && code < 300 && !slices.ContainsFunc(extra,
		func(h string) bool { return strings.HasPrefix(h, "Contact:") }) {
		lines = append(lines, p.contact())
	}
	lines = append(append(lines, extra...), body)
	p.send(req.from, lines...)
}

// peerDialog is a dialog as a peer sees it.
type peerDialog struct {
	p             *testPeer
	id            string
	local, remote string // From and To of our requests
	target        string
	to            netip.AddrPort
	cseq          int
	invite        []string // the INVITE, for CANCEL
	routes        []string
}

// called returns the dialog of a received INVITE that was answered with tag.
func (p *testPeer) called(inv message, tag string) *peerDialog {
	return &peerDialog{p: p, id: inv.get("Call-ID"), local: inv.get("To") + ";tag=" + tag, remote: inv.get("From"),
		target: uri(inv.get("Contact")), to: inv.from, routes: inv.all("Record-Route")}
}

// call sends an INVITE.
func (p *testPeer) call(target, from string, to netip.AddrPort, sdp string, extra ...string) *peerDialog {
	p.t.Helper()
	id := p.id()
	d := &peerDialog{p: p, id: id, local: from + ";tag=" + id, remote: "<" + target + ">", target: target, to: to}
	d.request("INVITE", sdp, extra...)
	return d
}

// request sends a request with the next CSeq number.
func (d *peerDialog) request(method, body string, extra ...string) {
	d.p.t.Helper()
	d.cseq++
	d.requestSeq(method, d.cseq, body, extra...)
}

func (d *peerDialog) requestSeq(method string, cseq int, body string, extra ...string) {
	d.p.t.Helper()
	via := d.p.via()
	lines := []string{method + " " + d.target + " SIP/2.0", via}
	for _, r := range d.routes {
		lines = append(lines, "Route: "+r)
	}
	lines = append(lines, "From: "+d.local, "To: "+d.remote, "Call-ID: "+d.id, fmt.Sprintf("CSeq: %d %s", cseq, method),
		"Max-Forwards: 70", d.p.contact())
	lines = append(append(lines, extra...), body)
	if method == "INVITE" {
		d.invite = lines
	}
	d.p.send(d.to, lines...)
}

// cancel cancels the last INVITE.
func (d *peerDialog) cancel() {
	d.p.t.Helper()
	lines := []string{strings.Replace(d.invite[0], "INVITE", "CANCEL", 1)}
	for _, h := range d.invite[1 : len(d.invite)-1] {
		if strings.HasPrefix(h, "CSeq:") {
			h = strings.Replace(h, "INVITE", "CANCEL", 1)
		}
		if name, _, _ := strings.Cut(h, ":"); slices.Contains([]string{"Via", "From", "To", "Call-ID", "CSeq",
			"Max-Forwards"}, name) {
			lines = append(lines, h)
		}
	}
	d.p.send(d.to, append(lines, "")...)
}

// established takes tag and target from a response.
func (d *peerDialog) established(res message) *peerDialog {
	d.remote = res.get("To")
	d.target = uri(res.get("Contact"))
	d.routes = res.all("Record-Route")
	slices.Reverse(d.routes)
	return d
}

// ack acknowledges the 200 to the last INVITE.
func (d *peerDialog) ack(body string) {
	d.p.t.Helper()
	n := 0
	for _, h := range d.invite {
		if strings.HasPrefix(h, "CSeq:") {
			fmt.Sscanf(h, "CSeq: %d", &n)
		}
	}
	d.requestSeq("ACK", n, body)
}

// nack acknowledges a failure, in the INVITE's own transaction.
func (d *peerDialog) nack(res message) {
	d.p.t.Helper()
	n, _ := res.cseq()
	d.p.send(d.to, "ACK "+strings.Fields(d.invite[0])[1]+" SIP/2.0", d.invite[1], "From: "+d.local,
		"To: "+res.get("To"),
		"Call-ID: "+d.id, fmt.Sprintf("CSeq: %d ACK", n), "Max-Forwards: 70", "")
}

// authorization answers a challenge (RFC 7616).
func authorization(t testing.TB, header, value, method, target, user, password string) string {
	t.Helper()
	chal, err := digest.ParseChallenge(value)
	if err != nil {
		t.Fatal(err)
	}
	cred, err := digest.Digest(chal, digest.Options{Method: method, URI: target, Username: user, Password: password,
		Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	return header + ": " + cred.String()
}

// offer is a session description of one G.711 stream.
func offer(addr string, port int, direction string) string {
	return fmt.Sprintf("v=0\r\no=- 1 1 IN IP4 %s\r\ns=-\r\nc=IN IP4 %s\r\nt=0 0\r\nm=audio %d RTP/AVP 0 101\r\na=rtpmap:101 telephone-event/8000\r\na=%s\r\n",
		addr, addr, port, direction)
}

func num(n int) string { return strconv.Itoa(n) }

// port is the port of the first m= line.
func port(sdp string) string {
	_, after, _ := strings.Cut(sdp, "m=audio ")
	p, _, _ := strings.Cut(after, " ")
	return p
}

// repeated waits for a retransmission, identical or with a new branch.
func repeated(t testing.TB, p *testPeer, first message) {
	t.Helper()
	deadline := time.After(testTimeout)
	poll := time.NewTicker(5 * time.Millisecond)
	defer poll.Stop()
	for {
		select {
		case m := <-p.in:
			_, want := first.cseq()
			if _, got := m.cseq(); got != want || m.get("Call-ID") != first.get("Call-ID") {
				t.Fatalf("%s: want a retransmission, got %s", p.name, m)
			}
			return
		case <-poll.C:
			if p.repeats.Load() > 0 {
				return
			}
		case <-deadline:
			t.Fatalf("%s: no retransmission came", p.name)
		}
	}
}

func atoi(s string) int { n, _ := strconv.Atoi(s); return n }

// credentials checks a digest response with the password (RFC 7616 section 3.4.1).
func credentials(t testing.TB, m message, header, method string) {
	t.Helper()
	c, err := digest.ParseCredentials(m.get(header))
	if err != nil {
		t.Fatalf("%s: %v in %s", header, err, m)
	}
	want, err := digest.Digest(&digest.Challenge{Realm: c.Realm, Nonce: c.Nonce, Algorithm: c.Algorithm,
		QOP: []string{"auth"}},
		digest.Options{Method: method, URI: c.URI, Username: serviceUser, Password: serviceSecret, Count: c.Nc,
			Cnonce: c.Cnonce})
	if err != nil || c.Response != want.Response {
		t.Fatalf("wrong answer to the challenge (%v): %s", err, m)
	}
}
