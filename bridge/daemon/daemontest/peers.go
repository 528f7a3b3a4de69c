package daemontest

import (
	"fmt"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// Answering starts a SIP party on loopback that answers every request with one status, until the test ends.
func Answering(t *testing.T, status string) (address string) {
	t.Helper()
	return AnsweringFirst(t, status, -1)
}

// AnsweringFirst is like Answering, but answers only the given number of requests. -1 means all.
func AnsweringFirst(t *testing.T, status string, requests int) (address string) {
	t.Helper()
	p := uatest.New(t, "party")
	n := 0
	p.Serve(func(m uatest.Message) {
		if n != requests {
			n++
			Answer(p, m, status)
		}
	})
	return p.At.String()
}

// Answer answers a request with a status such as "200 OK". A 200 to a REGISTER confirms its Contact.
func Answer(p *uatest.Peer, m uatest.Message, status string) {
	p.T.Helper()
	p.Respond(m, codeOf(p.T, status), "millrace", "", "Contact: "+m.Get("Contact"), "Expires: 600")
}

func codeOf(t testing.TB, status string) int {
	code, _, _ := strings.Cut(status, " ")
	n, err := strconv.Atoi(code)
	require.NoError(t, err)
	return n
}

// Adapter is an adapter on loopback. It answers OPTIONS according to its hook state (RFC 3261 section 11.2), and every
// other request with 200. It can make one call.
type Adapter struct {
	peer *uatest.Peer

	mu     sync.Mutex
	code   int    // the answer to OPTIONS
	remote string // the To of the 200 that answers its call
}

// NewAdapter starts an adapter until the test ends.
func NewAdapter(t *testing.T) *Adapter {
	a := &Adapter{peer: uatest.New(t, "box-office"), code: 200}
	a.peer.Serve(a.take)
	return a
}

func (a *Adapter) take(m uatest.Message) {
	a.mu.Lock()
	defer a.mu.Unlock()
	code := 200
	switch _, method := m.CSeq(); {
	case m.Is("200") && method == "INVITE":
		a.remote = m.Get("To")
		return
	case m.IsResponse(), m.Is("ACK"):
		return
	case m.Is("OPTIONS"):
		code = a.code
	}
	a.peer.Respond(m, code, "port", "", "Server: Millrace 2.1")
}

// Addr returns the adapter's address.
func (a *Adapter) Addr() string { return a.peer.At.String() }

// Send sends a request of the adapter's call to the address to. remote is the value of the To header field.
func (a *Adapter) Send(to, method string, seq int, remote string) {
	at, err := netip.ParseAddrPort(to)
	require.NoError(a.peer.T, err)
	a.peer.Send(at, method+" sip:555-0151@"+to+" SIP/2.0", a.peer.Via(), "Max-Forwards: 70",
		"From: <sip:box-office@"+to+">;tag=port", "To: "+remote, "Call-ID: matinee",
		fmt.Sprintf("CSeq: %d %s", seq, method), a.peer.Contact(), "")
}

// Set sets the answer to OPTIONS.
func (a *Adapter) Set(status string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.code = codeOf(a.peer.T, status)
}

// Answered returns the To of the 200 that answered the adapter's call, or "" if none has.
func (a *Adapter) Answered() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.remote
}
