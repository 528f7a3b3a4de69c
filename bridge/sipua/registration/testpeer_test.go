package registration

import (
	"flag"
	"fmt"
	"net"
	"net/netip"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/icholy/digest"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/rawtest"
)

// The tests use a T1 of 25 ms. It is set once, before any endpoint opens.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "8"); err != nil { // the tests mostly wait; -parallel overrides this
		panic(err)
	}
	sip.SetTimers(25*time.Millisecond, 200*time.Millisecond, 250*time.Millisecond)
	if code := m.Run(); code != 0 {
		os.Exit(code)
	}
	if err := goleak.Find(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

const (
	testTimeout = 5 * time.Second
	realm       = "millrace.example"
	secret      = "curtain-4711"
)

var local = netip.MustParseAddrPort("127.0.0.1:0")

type handler func(*endpoint.Request)

func (h handler) Request(r *endpoint.Request) { h(r) }
func (h handler) Cancelled(*endpoint.Request) {}

// testPeer is a device that registers.
type testPeer struct {
	*rawtest.Peer
	t    *testing.T
	seq  int
	id   string
	auth string // header line; "" for none
	last string // the request that silent sent
}

func dial(t *testing.T, network string, e *endpoint.Endpoint) *testPeer {
	t.Helper()
	conn, err := net.Dial(network, e.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return &testPeer{Peer: rawtest.New(t, conn), t: t, id: "boot-1"}
}

// ask sends a request with the given lines and returns the response.
func (w *testPeer) ask(method, user string, lines ...string) rawtest.Message {
	w.t.Helper()
	w.seq++
	var more strings.Builder
	for _, l := range append(lines, w.auth) {
		if l != "" {
			more.WriteString(l + "\r\n")
		}
	}
	text := fmt.Sprintf("%[1]s sip:%[8]s SIP/2.0\r\nVia: SIP/2.0/%[2]s %[3]s;branch=z9hG4bK%[4]s-%[5]d-%[9]s;rport\r\nMax-Forwards: 70\r\n"+
		"From: <sip:%[6]s@%[8]s>;tag=dev\r\nTo: <sip:%[6]s@%[8]s>\r\nCall-ID: %[4]s\r\nCSeq: %[5]d %[1]s\r\n%[7]sContent-Length: 0\r\n\r\n",
		method, w.Network(), w.Addr(), w.id, w.seq, user, more.String(), realm,
		method)
	w.Send(text)
	m := w.Next(testTimeout)
	require.NotEmpty(w.t, m, "an answer")
	return rawtest.Message(m)
}

func (w *testPeer) contact() string { return "Contact: <sip:stage-door@" + w.Addr() + ">" }

// answer makes credentials for the challenge, with that algorithm.
func (w *testPeer) answer(m rawtest.Message, algorithm, method, user, password string, count int) {
	w.t.Helper()
	offers := m.All("WWW-Authenticate")
	require.NotEmpty(w.t, offers, "a challenge in %s", m)
	c, err := digest.ParseChallenge(offers[0])
	require.NoError(w.t, err)
	c.Algorithm = algorithm
	cred, err := digest.Digest(c, digest.Options{Method: method, URI: "sip:" + realm, Username: user,
		Password: password, Count: count})
	require.NoError(w.t, err)
	w.auth = "Authorization: " + cred.String()
}

// register sends a REGISTER and answers the challenge.
func (w *testPeer) register(lines ...string) rawtest.Message {
	w.t.Helper()
	w.auth = ""
	m := w.ask("REGISTER", "stage-door", lines...)
	require.Equal(w.t, 401, m.Code())
	w.answer(m, "MD5", "REGISTER", "stage-door", secret, 1)
	return w.ask("REGISTER", "stage-door", lines...)
}

// testRegistrar is a registrar on a socket.
type testRegistrar struct {
	*Registrar
	e       *endpoint.Endpoint
	renewed chan Binding
	from    chan string               // the lines that Authenticate returned; " unverified" follows if AuthenticateCall says so
	agents  chan string               // line and User-Agent of each REGISTER
	frozen  atomic.Pointer[time.Time] // the registrar's clock, if set
	onClock atomic.Pointer[func()]    // called when the clock is read, if set
}

func newTestRegistrar(t *testing.T, accounts ...Account) *testRegistrar {
	t.Helper()
	return newTestRegistrarWith(t, RegistrarOptions{}, accounts...)
}

func newTestRegistrarWith(t *testing.T, o RegistrarOptions, accounts ...Account) *testRegistrar {
	t.Helper()
	// more than any test receives
	d := &testRegistrar{renewed: make(chan Binding, 16), from: make(chan string, 16), agents: make(chan string, 16)}
	ready := make(chan struct{})
	e, err := endpoint.Open(endpoint.Options{Listen: local, UDP: true, TCP: true, Logger: zap.NewNop()},
		handler(func(r *endpoint.Request) {
			<-ready
			if r.Method == sip.REGISTER {
				d.Register(r)
				return
			}
			line, ok := "", false
			if r.Recipient.User == "112" || r.GetHeader("X-Emergency") != nil {
				line, _, ok = d.ByAddress(r)
			}
			of := func(header string) func(string) bool {
				return func(line string) bool { h := r.GetHeader(header); return h != nil && h.Value() == line }
			}
			switch {
			case ok:
			case r.GetHeader("X-Call") != nil:
				verified := false
				line, verified, ok = d.AuthenticateCall(r, of("X-Emergency-Of"))
				switch {
				case ok && !verified:
					line += " unverified"
				case verified && !ok:
					t.Errorf("a refused %s is verified", r.Method)
				}
			default:
				line, ok = d.Authenticate(r, of("X-Any-Target"))
			}
			if ok {
				d.from <- line
				r.Reply(200, "OK")
			} else if line != "" {
				t.Errorf("a refused %s is from %q", r.Method, line)
			}
		}))
	require.NoError(t, err)
	t.Cleanup(func() { e.Close() })
	d.e = e
	accounts = slices.Clone(accounts)
	for i := range accounts {
		if accounts[i].Endpoint == nil {
			accounts[i].Endpoint = func() *endpoint.Endpoint { return e }
		}
	}
	o.Accounts, o.Realm, o.BindingChanged = accounts, realm, func(_ string, b Binding) { d.renewed <- b }
	o.UserAgent = func(line, agent string) { d.agents <- line + " " + agent }
	d.Registrar = NewRegistrar(o)
	d.clock = func() time.Time {
		if f := d.onClock.Load(); f != nil {
			(*f)()
		}
		if now := d.frozen.Load(); now != nil {
			return *now
		}
		return time.Now()
	}
	close(ready)
	return d
}

func stageDoor() Account { return Account{Line: "stage-door", User: "stage-door", Password: secret} }
