package daemontest

import (
	"fmt"
	"net"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Answering starts a SIP party on loopback that answers every request with one status, until the test ends.
func Answering(t *testing.T, status string) (address string) {
	t.Helper()
	return AnsweringFirst(t, status, -1)
}

// AnsweringFirst is like Answering, but answers only the given number of requests. -1 means all.
func AnsweringFirst(t *testing.T, status string, requests int) (address string) {
	t.Helper()
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	var done sync.WaitGroup
	t.Cleanup(func() { c.Close(); done.Wait() })
	keep := regexp.MustCompile(`(?m)^(Via|From|To|Call-ID|CSeq|Contact): .*\r\n`)
	untagged := regexp.MustCompile(`(?m)^(To: .*)\r\n`)
	done.Go(func() {
		b := make([]byte, 65536)
		for n := 0; ; n++ {
			size, from, err := c.ReadFrom(b)
			if err != nil {
				return
			}
			if n == requests {
				n-- // no answers from here on
				continue
			}
			head := strings.Join(keep.FindAllString(string(b[:size]), -1), "")
			head = untagged.ReplaceAllString(head, "$1;tag=millrace\r\n")
			_, _ = c.WriteTo([]byte("SIP/2.0 "+status+"\r\n"+head+"Expires: 600\r\nContent-Length: 0\r\n\r\n"), from)
		}
	})
	return c.LocalAddr().String()
}

// Adapter is an adapter on loopback. It answers OPTIONS according to its hook state (RFC 3261 section 11.2), and every
// other request with 200. It can make one call.
type Adapter struct {
	t    *testing.T
	conn net.PacketConn

	mu     sync.Mutex
	code   string // the answer to OPTIONS
	remote string // the To of the 200 that answers its call
	done   sync.WaitGroup
}

// NewAdapter starts an adapter until the test ends.
func NewAdapter(t *testing.T) *Adapter {
	c, err := net.ListenPacket("udp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &Adapter{t: t, conn: c, code: "200 OK"}
	p.done.Go(p.run)
	t.Cleanup(func() { c.Close(); p.done.Wait() })
	return p
}

func (p *Adapter) run() {
	keep := regexp.MustCompile(`(?m)^(Via|From|To|Call-ID|CSeq): .*\r\n`)
	to := regexp.MustCompile(`(?m)^To: (.*)\r\n`)
	b := make([]byte, 65536)
	for {
		size, from, err := p.conn.ReadFrom(b)
		if err != nil {
			return
		}
		text := string(b[:size])
		p.mu.Lock()
		code := p.code
		if strings.HasPrefix(text, "SIP/2.0 200") && strings.Contains(text, "INVITE") {
			p.remote = to.FindStringSubmatch(text)[1]
		}
		p.mu.Unlock()
		if strings.HasPrefix(text, "SIP/2.0") || strings.HasPrefix(text, "ACK") {
			continue
		}
		if !strings.HasPrefix(text, "OPTIONS") {
			code = "200 OK"
		}
		_, _ = p.conn.WriteTo([]byte("SIP/2.0 "+code+"\r\n"+strings.Join(keep.FindAllString(text, -1), "")+
			"Server: Millrace 2.1\r\nContent-Length: 0\r\n\r\n"), from)
	}
}

// Addr returns the adapter's address.
func (p *Adapter) Addr() string { return p.conn.LocalAddr().String() }

// Send sends a request of the adapter's call to the address to. remote is the value of the To header field.
func (p *Adapter) Send(to, method string, seq int, remote string) {
	at, err := net.ResolveUDPAddr("udp", to)
	require.NoError(p.t, err)
	_, err = p.conn.WriteTo(fmt.Appendf(nil,
		"%s sip:555-0151@%s SIP/2.0\r\nVia: SIP/2.0/UDP %s;branch=z9hG4bKmillrace%d%s\r\nMax-Forwards: 70\r\n"+
			"From: <sip:box-office@%s>;tag=port\r\nTo: %s\r\nCall-ID: matinee\r\nCSeq: %d %s\r\nContact: <sip:box-office@%s>\r\nContent-Length: 0\r\n\r\n",
		method, to, p.conn.LocalAddr(), seq, method, to, remote, seq, method, p.conn.LocalAddr()), at)
	require.NoError(p.t, err)
}

// Set sets the answer to OPTIONS.
func (p *Adapter) Set(code string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.code = code
}

// Answered returns the To of the 200 that answered the adapter's call, or "" if none has.
func (p *Adapter) Answered() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.remote
}
