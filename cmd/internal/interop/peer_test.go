//go:build linux

package interop

import (
	"crypto/md5"
	"encoding/hex"
	"fmt"
	"net"
	"net/netip"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// peer is a SIP peer on a UDP socket or a TCP connection. Beyond what rawtest does, it finds the message that a test
// waits for among those that arrive in any order, and repeats its requests. It can send malformed messages.
type peer struct {
	t      testing.TB
	name   string
	conn   net.Conn
	at     netip.AddrPort // its own address
	to     netip.AddrPort // the daemon's address
	in     chan message   // messages that have arrived; room for all of a test
	unread []message      // messages that have arrived but were not taken yet
	sent   int            // number for branches, tags and Call-IDs
	last   string         // its unanswered request, which is repeated (RFC 3261 section 17.1: T1 is 500 ms)
	all    *[]*peer       // all peers of the test bed
}

// peerRoom is the number of messages that a peer may leave unread.
const peerRoom = 4096

// peer returns a peer at an address of this test's network. Port 0 means any port. to is a port of the daemon.
func (r *testBed) peer(name string, host byte, port, to int) *peer {
	r.t.Helper()
	own := netip.AddrPortFrom(placeOf(host), uint16(port))
	c, err := net.DialUDP("udp4", net.UDPAddrFromAddrPort(own),
		net.UDPAddrFromAddrPort(netip.MustParseAddrPort(at(to))))
	require.NoError(r.t, err)
	require.NoError(r.t, c.SetReadBuffer(4<<20))
	return r.newPeer(name, c, c.LocalAddr().(*net.UDPAddr).AddrPort(), c.RemoteAddr().(*net.UDPAddr).AddrPort())
}

// peerTCP is like peer, but opens a TCP connection to the daemon.
func (r *testBed) peerTCP(name string, host byte, to int) *peer {
	r.t.Helper()
	c, err := net.DialTCP("tcp4", net.TCPAddrFromAddrPort(netip.AddrPortFrom(placeOf(host), 0)),
		net.TCPAddrFromAddrPort(netip.MustParseAddrPort(at(to))))
	require.NoError(r.t, err)
	return r.newPeer(name, c, c.LocalAddr().(*net.TCPAddr).AddrPort(), c.RemoteAddr().(*net.TCPAddr).AddrPort())
}

func (r *testBed) newPeer(name string, c net.Conn, own, to netip.AddrPort) *peer {
	p := &peer{t: r.t, name: name, conn: c, at: own, to: to, in: make(chan message, peerRoom), all: &r.peers}
	r.peers = append(r.peers, p)
	var reading sync.WaitGroup
	reading.Go(func() {
		defer close(p.in)
		for raw := rawtest.New(r.t, c); ; {
			text, err := raw.Read()
			if err != nil && !isTemporary(err) {
				return
			}
			if text == "" {
				continue
			}
			select {
			case p.in <- message{at: time.Now(), text: string(text)}:
			default: // no test leaves that many unread
			}
		}
	})
	r.t.Cleanup(func() { c.Close(); reading.Wait() })
	return p
}

// isTemporary reports whether reading can continue. The next read reports a datagram that reached no socket
// (ECONNREFUSED, udp(7)).
func isTemporary(err error) bool { return strings.Contains(err.Error(), "connection refused") }

func (p *peer) transport() string {
	if _, ok := p.conn.(*net.TCPConn); ok {
		return "TCP"
	}
	return "UDP"
}

func (p *peer) send(text string) {
	p.t.Helper()
	if _, err := p.conn.Write([]byte(text)); err != nil && !isTemporary(err) {
		require.NoError(p.t, err, "%s cannot send", p.name)
	}
}

// next returns the first message that matches, among those not taken yet and those that still arrive.
func (p *peer) next(what string, fits func(message) bool) message {
	p.t.Helper()
	if i := slices.IndexFunc(p.unread, fits); i >= 0 {
		m := p.unread[i]
		p.unread = slices.Delete(p.unread, i, i+1)
		return m
	}
	limit := time.NewTimer(10 * time.Second)
	defer limit.Stop()
	repeat := time.NewTicker(500 * time.Millisecond)
	defer repeat.Stop()
	for {
		select {
		case m, ok := <-p.in:
			require.True(p.t, ok, "%s waits for %s, but its connection has ended", p.name, what)
			if fits(m) {
				return m
			}
			p.unread = append(p.unread, m)
		case <-repeat.C:
			for _, other := range *p.all {
				if other.last != "" && other.transport() == "UDP" {
					other.send(other.last)
				}
			}
		case <-limit.C:
			p.t.Fatalf("%s waits for %s; it has %v", p.name, what, p.unread)
		}
	}
}

// expect returns the next request of a method, or the next response, whose start line begins with begin and whose CSeq
// names method.
func (p *peer) expect(begin, method string) message {
	p.t.Helper()
	return p.next(begin+" of "+method, func(m message) bool { return m.is(begin, method) })
}

func (m message) is(begin, method string) bool {
	return strings.HasPrefix(m.text, begin) && strings.HasSuffix(m.header("CSeq"), " "+method)
}

// arrived returns all messages that have arrived and were not taken.
func (p *peer) arrived() []message {
	for {
		select {
		case m, ok := <-p.in:
			if ok {
				p.unread = append(p.unread, m)
				continue
			}
		default:
		}
		return p.unread
	}
}

// none checks that no message that has arrived matches.
func (p *peer) none(begin, method string) {
	p.t.Helper()
	for _, m := range p.arrived() {
		if m.is(begin, method) {
			p.t.Fatalf("%s got what it should not:\n%s", p.name, m.text)
		}
	}
}

// replies answers a request. It adds the tag to a To that has none.
func (p *peer) replies(q message, status, tag string, more ...string) {
	p.t.Helper()
	to, body := q.header("To"), ""
	if !strings.Contains(to, ";tag=") && tag != "" {
		to += ";tag=" + tag
	}
	var b strings.Builder
	fmt.Fprintf(&b, "SIP/2.0 %s\r\n", status)
	for _, via := range q.headers("Via") {
		fmt.Fprintf(&b, "Via: %s\r\n", via)
	}
	fmt.Fprintf(&b, "From: %s\r\nTo: %s\r\nCall-ID: %s\r\nCSeq: %s\r\nContact: <sip:%s@%s;transport=%s>\r\n",
		q.header("From"), to, q.header("Call-ID"), q.header("CSeq"),
		p.name, p.at, strings.ToLower(p.transport()))
	for _, line := range more {
		if strings.HasPrefix(line, "v=0") {
			body = line
			line = "Content-Type: application/sdp"
		}
		b.WriteString(line + "\r\n")
	}
	fmt.Fprintf(&b, "Content-Length: %d\r\n\r\n%s", len(body), body)
	p.send(b.String())
}

// headers returns the values of all header fields of that name.
func (m message) headers(name string) []string { return rawtest.Message(m.text).All(name) }

// body returns what follows the head.
func (m message) body() string {
	_, body, _ := strings.Cut(m.text, "\r\n\r\n")
	return body
}

// media returns the media address in a session description (RFC 8866 sections 5.7 and 5.14).
func (m message) media(t testing.TB) netip.AddrPort {
	t.Helper()
	host, port := describedHost.FindStringSubmatch(m.body()), describedPort.FindStringSubmatch(m.body())
	require.True(t, host != nil && port != nil, "no session description in %s", m.text)
	return netip.MustParseAddrPort(host[1] + ":" + port[1])
}

var (
	describedHost = regexp.MustCompile(`(?m)^c=IN IP4 ([0-9.]+)`)
	describedPort = regexp.MustCompile(`(?m)^m=audio ([0-9]+)`)
	contactURI    = regexp.MustCompile(`<([^>]*)>`)
)

// described returns a session description with one stream of G.711.
func described(at netip.AddrPort) string {
	return fmt.Sprintf("v=0\r\no=millrace 1 1 IN IP4 %[1]s\r\ns=-\r\nc=IN IP4 %[1]s\r\nt=0 0\r\nm=audio %[2]d RTP/AVP 0\r\na=rtpmap:0 PCMU/8000\r\n",
		at.Addr(), at.Port())
}

// callSide is one side of a call. The call may be an attack, without a real peer.
type callSide struct {
	p        *peer
	uri      string // the Request-URI of its requests
	from, to string
	callID   string
	cseq     int
	branch   string // the branch of its last request
}

// begins returns a call to a URI for which nothing has been sent yet. user is the claimed caller.
func (p *peer) begins(user, uri string) *callSide {
	p.sent++
	id := fmt.Sprintf("%s-%d-%d", p.name, p.at.Port(), p.sent)
	to := uri
	if strings.ContainsAny(uri, "<>\"") {
		to = "sip:anybody@" + p.to.String()
	}
	return &callSide{p: p, uri: uri, from: fmt.Sprintf("<sip:%s@%s>;tag=t%s", user, p.to, id), to: "<" + to + ">",
		callID: id}
}

// request sends a request with the next CSeq number. ACK and CANCEL use the last number.
func (c *callSide) request(method string, more ...string) {
	c.p.t.Helper()
	if method != "ACK" && method != "CANCEL" {
		c.cseq++
	}
	if method != "CANCEL" {
		c.p.sent++
		c.branch = fmt.Sprintf("z9hG4bK%s-%d-%d", c.p.name, c.p.at.Port(), c.p.sent)
	}
	text := c.text(method, more...)
	if c.p.last = ""; method != "ACK" {
		c.p.last = text
	}
	c.p.send(text)
}

// text returns a request as it is sent, with the call's present CSeq number and branch.
func (c *callSide) text(method string, more ...string) string {
	var b strings.Builder
	body := ""
	fmt.Fprintf(&b, "%s %s SIP/2.0\r\nVia: SIP/2.0/%s %s;branch=%s;rport\r\nMax-Forwards: 70\r\n", method, c.uri,
		c.p.transport(), c.p.at, c.branch)
	fmt.Fprintf(&b, "From: %s\r\nTo: %s\r\nCall-ID: %s\r\nCSeq: %d %s\r\n", c.from, c.to, c.callID, c.cseq, method)
	if !slices.ContainsFunc(more, func(line string) bool { return strings.HasPrefix(line, "Contact:") }) {
		fmt.Fprintf(&b, "Contact: <sip:%s@%s;transport=%s>\r\n", c.p.name, c.p.at, strings.ToLower(c.p.transport()))
	}
	for _, line := range more {
		if strings.HasPrefix(line, "v=0") {
			body = line
			line = "Content-Type: application/sdp"
		}
		b.WriteString(line + "\r\n")
	}
	fmt.Fprintf(&b, "Content-Length: %d\r\n\r\n%s", len(body), body)
	return b.String()
}

// mine reports whether a message belongs to this call.
func (c *callSide) mine(m message) bool { return m.header("Call-ID") == c.callID }

// response returns the next final response to the call's request of a method.
func (c *callSide) response(method string) message {
	c.p.t.Helper()
	m := c.p.next("a final response to "+method, func(m message) bool {
		return c.mine(m) && m.is("SIP/2.0 ", method) && !strings.HasPrefix(m.text, "SIP/2.0 1")
	})
	c.p.last = ""
	return m
}

// expect returns the call's next message that matches.
func (c *callSide) expect(begin, method string) message {
	c.p.t.Helper()
	return c.p.next(begin+" of "+method, func(m message) bool { return c.mine(m) && m.is(begin, method) })
}

// refused acknowledges a final response other than 2xx (RFC 3261 section 17.1.1.3: with the branch of the INVITE) and
// returns its status code.
func (c *callSide) refused(m message) string {
	c.p.t.Helper()
	to := c.to
	c.to = m.header("To")
	c.p.send(c.text("ACK"))
	c.to = to
	return m.code()
}

// code returns the status code of a response.
func (m message) code() string { return strings.Fields(m.text)[1] }

// up takes the dialog's data from a 200 and acknowledges it.
func (c *callSide) up(ok message) message {
	c.p.t.Helper()
	require.True(c.p.t, strings.HasPrefix(ok.text, "SIP/2.0 200"), "no 200, but %s", ok.text)
	c.to = ok.header("To")
	c.uri = contactURI.FindStringSubmatch(ok.header("Contact"))[1]
	c.request("ACK")
	return ok
}

// taken returns the called side of a call whose INVITE was answered with that tag.
func (p *peer) taken(invite message, tag string) *callSide {
	return &callSide{p: p, uri: contactURI.FindStringSubmatch(invite.header("Contact"))[1], from: invite.header("To") +
		";tag=" + tag, to: invite.header("From"), callID: invite.header("Call-ID")}
}

// registration returns a line's registration by this peer. register makes and refreshes it.
func (p *peer) registration(line string) *callSide {
	c := p.begins(line, "sip:"+p.to.String())
	c.to = "<sip:" + line + "@" + p.to.String() + ">"
	return c
}

// register registers, with the password if challenged, and returns the final status code.
func (c *callSide) register() string {
	c.p.t.Helper()
	c.request("REGISTER", "Expires: 600")
	m := c.response("REGISTER")
	if m.code() == "401" {
		line, _, _ := strings.Cut(strings.TrimPrefix(c.to, "<sip:"), "@")
		c.request("REGISTER", "Expires: 600", answersChallenge(m, "REGISTER", c.uri, line, password))
		m = c.response("REGISTER")
	}
	return m.code()
}

var challengePart = regexp.MustCompile(`(realm|nonce|qop)="?([^",]*)"?`)

// answersChallenge returns a header line with the digest of RFC 7616 for a challenge. The test computes it itself.
func answersChallenge(challenge message, method, uri, user, secret string) string {
	part := map[string]string{}
	for _, m := range challengePart.FindAllStringSubmatch(challenge.header("WWW-Authenticate"), -1) {
		part[m[1]] = m[2]
	}
	hash := func(s string) string { sum := md5.Sum([]byte(s)); return hex.EncodeToString(sum[:]) }
	a1, a2 := hash(user+":"+part["realm"]+":"+secret), hash(method+":"+uri)
	if part["qop"] == "" {
		return fmt.Sprintf(`Authorization: Digest username="%s", realm="%s", nonce="%s", uri="%s", response="%s", algorithm=MD5`,
			user, part["realm"], part["nonce"], uri, hash(a1+":"+part["nonce"]+":"+a2))
	}
	return fmt.Sprintf(`Authorization: Digest username="%s", realm="%s", nonce="%s", uri="%s", response="%s", algorithm=MD5, cnonce="c", nc=00000001, qop=auth`,
		user, part["realm"], part["nonce"], uri, hash(a1+":"+part["nonce"]+":00000001:c:auth:"+a2))
}
