//go:build linux

package figures

import (
	"bytes"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// party is a UDP socket that reads and writes the few SIP messages needed, without a library.
type party struct {
	conn *net.UDPConn
	at   netip.AddrPort
}

// newParty opens a party and gives its datagrams to handle, one after another.
func newParty(t testing.TB, addr netip.Addr, handle func(p *party, m []byte, from netip.AddrPort)) *party {
	t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(addr, 0)))
	require.NoError(t, err)
	require.NoError(t, c.SetReadBuffer(1<<20))
	p := &party{conn: c, at: c.LocalAddr().(*net.UDPAddr).AddrPort()}
	var reading sync.WaitGroup
	reading.Go(func() {
		buf := make([]byte, 65536)
		for {
			n, from, err := c.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			handle(p, buf[:n], from)
		}
	})
	t.Cleanup(func() { c.Close(); reading.Wait() })
	return p
}

func (p *party) send(m []byte, to netip.AddrPort) { _, _ = p.conn.WriteToUDPAddrPort(m, to) }

// headers returns the values of a header field.
func headers(m []byte, name string) []string {
	head, _, _ := bytes.Cut(m, []byte("\r\n\r\n"))
	var all []string
	for line := range bytes.SplitSeq(head, []byte("\r\n")) {
		if n, v, ok := bytes.Cut(line, []byte(":")); ok && len(n) == len(name) && strings.EqualFold(string(n), name) {
			all = append(all, string(bytes.TrimSpace(v)))
		}
	}
	return all
}

func header(m []byte, name string) string {
	if all := headers(m, name); len(all) > 0 {
		return all[0]
	}
	return ""
}

// first returns the first two words of a message.
func first(m []byte) (a, b string) {
	a, rest, _ := strings.Cut(string(m[:bytes.IndexByte(append(m[:len(m):len(m)], '\r'), '\r')]), " ")
	b, _, _ = strings.Cut(rest, " ")
	return a, b
}

// response answers a request. It adds tag to To if To has none.
func response(q []byte, status, tag, contact, body string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "SIP/2.0 %s\r\n", status)
	for _, v := range headers(q, "Via") {
		fmt.Fprintf(&b, "Via: %s\r\n", v)
	}
	to := header(q, "To")
	if !strings.Contains(to, ";tag=") {
		to += ";tag=" + tag
	}
	fmt.Fprintf(&b, "From: %s\r\nTo: %s\r\nCall-ID: %s\r\nCSeq: %s\r\n", header(q, "From"), to, header(q, "Call-ID"),
		header(q, "CSeq"))
	if contact != "" {
		fmt.Fprintf(&b, "Contact: <%s>\r\n", contact)
	}
	if body != "" {
		b.WriteString("Content-Type: application/sdp\r\n")
	}
	fmt.Fprintf(&b, "Content-Length: %d\r\n\r\n%s", len(body), body)
	return []byte(b.String())
}

// description returns the SDP (RFC 8866) of one G.711 stream.
func description(at netip.AddrPort) string {
	return fmt.Sprintf("v=0\r\no=- 1 1 IN IP4 %s\r\ns=-\r\nc=IN IP4 %s\r\nt=0 0\r\nm=audio %d RTP/AVP 0\r\n", at.Addr(),
		at.Addr(), at.Port())
}

// described returns the media address in an SDP description.
func described(m []byte) netip.AddrPort {
	var addr string
	var port uint16
	for line := range strings.Lines(string(m)) {
		_, _ = fmt.Sscanf(line, "c=IN IP4 %s", &addr)
		_, _ = fmt.Sscanf(line, "m=audio %d", &port)
	}
	a, err := netip.ParseAddr(addr)
	if err != nil {
		return netip.AddrPort{}
	}
	return netip.AddrPortFrom(a, port)
}

// call is the far end's state of a line's call.
type call struct {
	id     string
	to     string // with the daemon's tag
	target string // the daemon's Contact
}

// nearCall is an adapter's state of its line's call.
type nearCall struct {
	from, to string // of the INVITE; to includes our tag
	id       string
	target   string         // the daemon's Contact
	via      netip.AddrPort // where the INVITE came from
	answered time.Time      // just before its 200
}

// tally counts BYEs: those that each end sent, those of them that were answered with 200, and those that each end got.
type tally struct{ farSent, farAnswered, nearSent, nearAnswered, farGot, nearGot int }

// testPeers plays all SIP peers of the daemon. One socket is every adapter, and one is every far end.
type testPeers struct {
	t         testing.TB
	near, far *party
	daemon    netip.AddrPort    // its service side
	media     [2]netip.AddrPort // where adapters and far ends receive media
	up        func(line int, adapterSide, serviceSide netip.AddrPort)

	mu    sync.Mutex
	n     int // calls that far ends began
	rang  int // calls that came to adapters
	byes  tally
	nears map[int]nearCall
	calls map[int]call
	ports map[int]netip.AddrPort // the daemon's media port towards the adapter
	help  chan<- time.Time       // receives the arrival of the next emergency call; nil: received
	// helps is the number of emergency calls made. helped is the Call-ID, at the service, of the last one that arrived.
	helps  int
	helped string
	way    samples // from each adapter's 200 to its arrival at the far end
	// replies receives the 200 to each OPTIONS and the arrival of each emergency INVITE at the service, as far as there
	// is room. The test that asks reads them.
	replies chan reply
}

// reply is the answer to an OPTIONS, or the arrival of an emergency INVITE.
type reply struct {
	id string // the Call-ID of the OPTIONS, or emergencyReply
	at time.Time
}

const emergencyReply = "emergency"

func user(line int) string { return fmt.Sprintf("5550%03d", 100+line) }

func newTestPeers(t testing.TB, nearAddr, farAddr netip.Addr) *testPeers {
	x := &testPeers{t: t, calls: map[int]call{}, ports: map[int]netip.AddrPort{}, nears: map[int]nearCall{},
		replies: make(chan reply, 256)}
	x.near = newParty(t, nearAddr, x.atNear)
	x.far = newParty(t, farAddr, x.atFar)
	return x
}

func (x *testPeers) atNear(p *party, m []byte, from netip.AddrPort) {
	switch method, target := first(m); method {
	case "ACK":
	case "SIP/2.0":
		switch {
		case target == "200" && strings.HasSuffix(header(m, "CSeq"), "BYE"):
			x.count(func(b *tally) { b.nearAnswered++ })
		case target == "200" && strings.HasSuffix(header(m, "CSeq"), "OPTIONS"):
			x.replied(header(m, "Call-ID"))
		case target >= "300" && strings.HasSuffix(header(m, "CSeq"), "INVITE"):
			p.send(x.emergencyInvite("ACK", header(m, "Call-ID"), header(m, "From"), header(m, "To"), ""), from)
		}
	case "INVITE":
		var line int
		_, _ = fmt.Sscanf(target, "sip:seat-%d@", &line)
		x.mu.Lock()
		x.ports[line] = described(m)
		x.rang++
		x.nears[line] = nearCall{header(m, "From"), header(m, "To") + ";tag=near" + header(m, "Call-ID"),
			header(m, "Call-ID"), bracketed(header(m, "Contact")), from, time.Now()}
		x.mu.Unlock()
		p.send(response(m, "200 OK", "near"+header(m, "Call-ID"), "sip:near@"+p.at.String(), description(x.media[0])),
			from)
	default:
		if method == "BYE" {
			x.count(func(b *tally) { b.nearGot++ })
		}
		p.send(response(m, "200 OK", "near", "", ""), from)
	}
}

func (x *testPeers) count(what func(*tally)) {
	x.mu.Lock()
	defer x.mu.Unlock()
	what(&x.byes)
}

// bracketed returns the text between angle brackets.
func bracketed(contact string) string {
	return contact[strings.IndexByte(contact, '<')+1 : strings.IndexByte(contact, '>')]
}

// nearHangsUp makes the near end of a line clear its call.
func (x *testPeers) nearHangsUp(line int) {
	x.mu.Lock()
	c := x.nears[line]
	x.byes.nearSent++
	x.mu.Unlock()
	x.near.send(fmt.Appendf(nil,
		"BYE %s SIP/2.0\r\nVia: SIP/2.0/UDP %v;branch=z9hG4bKnear%s;rport\r\nMax-Forwards: 70\r\nFrom: %s\r\nTo: %s\r\n"+
			"Call-ID: %s\r\nCSeq: 1 BYE\r\nContent-Length: 0\r\n\r\n", c.target, x.near.at, c.id, c.to, c.from, c.id),
		c.via)
}

func (x *testPeers) atFar(p *party, m []byte, from netip.AddrPort) {
	method, code := first(m)
	if method == "INVITE" {
		x.emergencyArrived(m)
		p.send(response(m, "486 Busy Here", "far", "", ""), from)
		return
	}
	if method != "SIP/2.0" {
		if method == "BYE" {
			x.count(func(b *tally) { b.farGot++ })
		}
		if method != "ACK" {
			p.send(response(m, "200 OK", "far", "", ""), from)
		}
		return
	}
	if code == "200" && strings.HasSuffix(header(m, "CSeq"), "BYE") {
		x.count(func(b *tally) { b.farAnswered++ })
	}
	if code == "200" && strings.HasSuffix(header(m, "CSeq"), "OPTIONS") {
		x.replied(header(m, "Call-ID"))
	}
	if !strings.HasSuffix(header(m, "CSeq"), "INVITE") || code < "200" {
		return
	}
	if code != "200" {
		x.t.Errorf("a call was refused: %s", m)
		return
	}
	var line, n int
	id := header(m, "Call-ID")
	_, _ = fmt.Sscanf(id, "far-%d-%d", &line, &n)
	target := bracketed(header(m, "Contact"))
	x.mu.Lock()
	again := x.calls[line].id == id
	if !again {
		x.way = append(x.way, time.Since(x.nears[line].answered))
	}
	c := call{id, header(m, "To"), target}
	x.calls[line] = c
	adapterSide := x.ports[line]
	x.mu.Unlock()
	p.send(x.request("ACK", line, c, 1, ""), from)
	if !again {
		x.up(line, adapterSide, described(m))
	}
}

func (x *testPeers) request(method string, line int, c call, cseq int, body string) []byte {
	kind := ""
	if body != "" {
		kind = "Content-Type: application/sdp\r\n"
	}
	return fmt.Appendf(nil,
		"%s %s SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bK%s-%d%s;rport\r\nMax-Forwards: 70\r\nFrom: <sip:555-0199@%s>;tag=f%s\r\n"+
			"To: %s\r\nCall-ID: %s\r\nCSeq: %d %s\r\nContact: <sip:far@%s>\r\n%sContent-Length: %d\r\n\r\n%s",
		method, c.target, x.far.at, c.id, cseq, method, x.far.at, c.id, c.to, c.id, cseq, method, x.far.at, kind,
		len(body), body)
}

// call makes a far end call a line. up is called when the call is up.
func (x *testPeers) call(line int) {
	x.mu.Lock()
	x.n++
	target := fmt.Sprintf("sip:%s@%s", user(line), x.daemon)
	c := call{id: fmt.Sprintf("far-%d-%d", line, x.n), to: "<" + target + ">", target: target}
	x.mu.Unlock()
	x.far.send(x.request("INVITE", line, c, 1, description(x.media[1])), x.daemon)
}

func (x *testPeers) replied(id string) {
	select {
	case x.replies <- reply{id, time.Now()}:
	default: // more than the test wants
	}
}

// ways returns the times that the adapters' 200 took to the far ends since the last call.
func (x *testPeers) ways() samples {
	x.mu.Lock()
	defer x.mu.Unlock()
	w := x.way
	x.way = nil
	return w
}

// hangUp sends the far end's BYE and returns the instant just before that.
func (x *testPeers) hangUp(line int) time.Time {
	x.mu.Lock()
	bye := x.request("BYE", line, x.calls[line], 3, "") // an OPTIONS may have had 2
	x.byes.farSent++
	x.mu.Unlock()
	at := time.Now()
	x.far.send(bye, x.daemon)
	return at
}
