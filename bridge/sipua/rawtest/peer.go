// Package rawtest is a SIP peer for tests that sends and reads messages as text over one UDP socket or TCP connection.
// Tests may send malformed messages with it. It shares no code with the daemon or with package uatest, so that an error
// in one of the two peers does not blind every test, and it uses no SIP library.
package rawtest

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// peerTimeout bounds every wait of the tests. Only a failing test waits that long.
const peerTimeout = 5 * time.Second

// Peer is one connection: a connected UDP socket, or a TCP connection. Reading is for one goroutine, sending for any.
type Peer struct {
	t    testing.TB
	Conn net.Conn
	In   *bufio.Reader // TCP
	buf  []byte        // UDP
}

// New returns a peer on a connection that its caller closes.
func New(t testing.TB, conn net.Conn) *Peer {
	p := &Peer{t: t, Conn: conn, buf: make([]byte, 65536)}
	if _, ok := conn.(*net.TCPConn); ok {
		p.In = bufio.NewReader(conn)
	}
	return p
}

// Addr returns the peer's own address.
func (p *Peer) Addr() string { return p.Conn.LocalAddr().String() }

// Network returns "UDP" or "TCP", as in a Via.
func (p *Peer) Network() string { return strings.ToUpper(p.Conn.LocalAddr().Network()) }

// CRLF turns the lines of a test into lines of a message.
func CRLF(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(strings.TrimLeft(s, "\n"), "\r\n", "\n"), "\n", "\r\n")
}

// Send sends a text as it is.
func (p *Peer) Send(text string) {
	p.t.Helper()
	_, err := io.WriteString(p.Conn, text)
	require.NoError(p.t, err)
}

// Read reads one message. On TCP it ends where its Content-Length says (RFC 3261 section 18.3); empty lines before it
// are skipped.
func (p *Peer) Read() (Message, error) {
	if p.In == nil {
		n, err := p.Conn.Read(p.buf)
		return Message(p.buf[:n]), err
	}
	var head strings.Builder
	for {
		line, err := p.In.ReadString('\n')
		if err != nil {
			return "", err
		}
		if line != "\r\n" {
			head.WriteString(line)
		} else if head.Len() > 0 {
			break
		}
	}
	length, _ := strconv.Atoi(Message(head.String()).Get("Content-Length"))
	body := make([]byte, length)
	_, err := io.ReadFull(p.In, body)
	return Message(head.String() + "\r\n" + string(body)), err
}

// Next returns the next message, "" if none arrives within d.
func (p *Peer) Next(d time.Duration) string {
	p.Conn.SetReadDeadline(time.Now().Add(d))
	m, err := p.Read()
	if err != nil {
		return ""
	}
	return string(m)
}

// Expect reads a message that begins with start.
func (p *Peer) Expect(start string) Message {
	p.t.Helper()
	m := p.Next(peerTimeout)
	for strings.HasPrefix(m, "SIP/2.0 100 ") && start != "SIP/2.0 100" && start != "SIP/2.0 " {
		// Skip the 100 of a slow answer (RFC 3261 section 17.2.1); whether it comes depends on the machine.
		m = p.Next(peerTimeout)
	}
	if !strings.HasPrefix(m, start) {
		p.t.Fatalf("want %q, got %q", start, m)
	}
	return Message(m)
}

// ExpectSilence fails if anything arrives within d.
func (p *Peer) ExpectSilence(d time.Duration) {
	p.t.Helper()
	if m := p.Next(d); m != "" {
		p.t.Fatalf("unexpected: %s", m)
	}
}

// Message is the text of one message.
type Message string

// All returns the values of all header fields of that name.
func (m Message) All(name string) (values []string) {
	head, _, _ := strings.Cut(string(m), "\r\n\r\n")
	for line := range strings.SplitSeq(head, "\r\n") {
		if n, v, ok := strings.Cut(line, ":"); ok && strings.EqualFold(strings.TrimSpace(n), name) {
			values = append(values, strings.TrimSpace(v))
		}
	}
	return values
}

// Get returns the value of the first header field of that name, "" if there is none.
func (m Message) Get(name string) string {
	if all := m.All(name); len(all) > 0 {
		return all[0]
	}
	return ""
}

// Code returns the status code of a response, 0 for a request.
func (m Message) Code() int {
	var n int
	_, _ = fmt.Sscanf(string(m), "SIP/2.0 %d", &n)
	return n
}

// Tag returns the To tag.
func (m Message) Tag() string {
	_, tag, _ := strings.Cut(m.Get("To"), ";tag=")
	return tag
}

// Request is a request from the stage door to the workshop, with all that a valid one contains. ToTag, More (header
// lines, each with its end) and Body may be empty; Branch and Seq have defaults.
type Request struct {
	Method, CallID, Branch, ToTag string
	Seq                           int
	More, Body                    string
}

// Text returns the text of a request.
func (p *Peer) Text(r Request) string {
	if r.Branch == "" {
		r.Branch = r.CallID + r.Method
	}
	if r.Seq == 0 {
		r.Seq = 1
	}
	to := ""
	if r.ToTag != "" {
		to = ";tag=" + r.ToTag
	}
	return CRLF(fmt.Sprintf(`
%[1]s sip:stage-door@127.0.0.1 SIP/2.0
Via: SIP/2.0/%[2]s %[3]s;branch=z9hG4bK%[4]s
Max-Forwards: 70
From: "Stage Door" <sip:5550101@millrace.example>;tag=near
To: <sip:5550102@millrace.example>%[5]s
Call-ID: %[6]s
CSeq: %[7]d %[1]s
Contact: <sip:5550101@%[3]s>
%[8]sContent-Length: %[9]d

%[10]s`, r.Method, p.Network(), p.Addr(), r.Branch, to, r.CallID, r.Seq, r.More, len(r.Body), r.Body))
}

// Answer returns a response to a request that the peer received.
func Answer(m Message, code int, tag string) string {
	to := m.Get("To")
	if tag != "" && !strings.Contains(to, "tag=") {
		to += ";tag=" + tag
	}
	return CRLF(fmt.Sprintf(`
SIP/2.0 %d Whatever
Via: %s
From: %s
To: %s
Call-ID: %s
CSeq: %s
Contact: <sip:%s@127.0.0.1>
Content-Length: 0

`, code, m.Get("Via"), m.Get("From"), to, m.Get("Call-ID"), m.Get("CSeq"), tag))
}
