package endpoint

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/bridge/loopbacktest"
	"clearback/bridge/sipua/rawtest"
)

// The tests use a T1 of 25 ms instead of 500 ms. It is set once, before any endpoint opens.
const t1 = 25 * time.Millisecond

func TestMain(m *testing.M) {
	sip.SetTimers(t1, 8*t1, 10*t1)
	sip.Timer_D = 64 * t1
	sip.Timer_1xx = 60 * time.Millisecond
	// The first call of Open gives the library its logger, which outlives every test. This address is in use.
	taken, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:0")))
	if err == nil {
		_, err = Open(Options{Listen: taken.LocalAddr().(*net.UDPAddr).AddrPort(), UDP: true}, testHandler{})
		_ = taken.Close()
	}
	if !errors.Is(err, syscall.EADDRINUSE) {
		fmt.Fprintln(os.Stderr, "an address in use:", err)
		os.Exit(1)
	}
	if code := m.Run(); code != 0 {
		os.Exit(code)
	}
	if err := goleak.Find(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

const testTimeout = 5 * time.Second

// testHandler is a Handler that does what the test says, and records what arrives.
type testHandler struct {
	request   func(*Request)
	cancelled func(*Request)
}

func (u testHandler) Request(r *Request) {
	if u.request != nil {
		u.request(r)
	}
}

func (u testHandler) Cancelled(r *Request) {
	if u.cancelled != nil {
		u.cancelled(r)
	}
}

func open(t testing.TB, h Handler, change ...func(*Options)) *Endpoint {
	t.Helper()
	o := Options{Listen: netip.MustParseAddrPort("127.0.0.1:0"), UDP: true, TCP: true, Logger: failOnErrorLog(t)}
	if v, ok := t.(*virtualTest); ok {
		o.Packets, o.TCP = v.listen(), false
	}
	for _, f := range change {
		f(&o)
	}
	e, err := Open(o, h)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, e.Close()) })
	return e
}

// failOnErrorLog returns a logger that fails the test at an error entry, such as a panic, which would otherwise only
// cost a message.
func failOnErrorLog(t testing.TB) *zap.Logger {
	core := zapcore.NewCore(zapcore.NewJSONEncoder(zapcore.EncoderConfig{}), zapcore.AddSync(io.Discard),
		zap.ErrorLevel)
	return zap.New(core, zap.Hooks(func(e zapcore.Entry) error {
		t.Errorf("%s", e.Message)
		return nil
	}))
}

func dial(t testing.TB, network string, e *Endpoint) *rawtest.Peer {
	t.Helper()
	if v, ok := t.(*virtualTest); ok && network == "udp" {
		return v.dial(e)
	}
	conn, err := net.Dial(network, e.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return rawtest.New(t, conn)
}

// outgoing returns a request for the endpoint to send to a peer.
func outgoing(method sip.RequestMethod, id string, to net.Addr) *sip.Request {
	u := sip.Uri{Scheme: "sip", User: "workshop", Host: "workshop.test"}
	r := sip.NewRequest(method, u)
	callID := sip.CallIDHeader(id)
	r.AppendHeader(&sip.FromHeader{Address: u, Params: sip.HeaderParams{{K: "tag", V: "ours"}}})
	r.AppendHeader(&sip.ToHeader{Address: u})
	r.AppendHeader(&callID)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: 7, MethodName: method})
	r.SetTransport(strings.ToUpper(to.Network()))
	r.SetDestination(to.String())
	return r
}

// listenUDP returns a peer that waits for the endpoint to send first.
func listenUDP(t testing.TB, e *Endpoint) *rawtest.Peer { return dial(t, "udp", e) }

// noHandler returns a TCP address at which connections are refused.
func noHandler(t testing.TB) net.Addr {
	t.Helper()
	return net.TCPAddrFromAddrPort(loopbacktest.Refusing(t))
}

// log collects words from the handler.
type log struct {
	mu    sync.Mutex
	words []string
}

func (l *log) add(s string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.words = append(l.words, s)
}

func (l *log) all() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string{}, l.words...)
}

// saw waits until the log holds exactly these words.
func (l *log) saw(t testing.TB, words ...string) {
	t.Helper()
	require.EventuallyWithT(t, func(c *assert.CollectT) { assert.Equal(c, words, l.all()) }, testTimeout,
		time.Millisecond)
}
