package endpoint

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"clearback/bridge/loopbacktest"
)

// The tests use a T1 of 25 ms instead of 500 ms. It is set once, before any endpoint opens.
const t1 = 25 * time.Millisecond

func TestMain(m *testing.M) {
	sip.SetTimers(t1, 8*t1, 10*t1)
	sip.Timer_D = 64 * t1
	sip.Timer_1xx = 60 * time.Millisecond
	libraryLog(zap.NewNop())
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

// testPeer is a peer that sends and receives SIP as text, over one UDP socket or one TCP connection.
type testPeer struct {
	t    testing.TB
	conn net.Conn
	in   *bufio.Reader // TCP
	buf  []byte
}

func dial(t testing.TB, network string, e *Endpoint) *testPeer {
	t.Helper()
	if v, ok := t.(*virtualTest); ok && network == "udp" {
		return v.dial(e)
	}
	conn, err := net.Dial(network, e.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return newTestPeer(t, conn)
}

func newTestPeer(t testing.TB, conn net.Conn) *testPeer {
	w := &testPeer{t: t, conn: conn, buf: make([]byte, 65536)}
	if _, ok := conn.(*net.TCPConn); ok {
		w.in = bufio.NewReader(conn)
	}
	return w
}

func (w *testPeer) addr() string { return w.conn.LocalAddr().String() }

func (w *testPeer) network() string { return strings.ToUpper(w.conn.LocalAddr().Network()) }

// crlf turns the lines of a test into lines of a message.
func crlf(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(strings.TrimLeft(s, "\n"), "\r\n", "\n"), "\n", "\r\n")
}

func (w *testPeer) send(text string) {
	_, err := io.WriteString(w.conn, text)
	require.NoError(w.t, err)
}

// next reads one message. It returns "" if none arrives within d.
func (w *testPeer) next(d time.Duration) string {
	w.conn.SetReadDeadline(time.Now().Add(d))
	if w.in == nil {
		n, err := w.conn.Read(w.buf)
		if err != nil {
			return ""
		}
		return string(w.buf[:n])
	}
	var s strings.Builder
	length := 0
	for {
		line, err := w.in.ReadString('\n')
		if err != nil {
			return ""
		}
		s.WriteString(line)
		if v, ok := strings.CutPrefix(line, "Content-Length: "); ok {
			length, _ = strconv.Atoi(strings.TrimSpace(v))
		}
		if line == "\r\n" && s.Len() > 2 {
			break
		}
	}
	body := make([]byte, length)
	io.ReadFull(w.in, body)
	return s.String() + string(body)
}

// expect reads a message that begins with start.
func (w *testPeer) expect(start string) message {
	w.t.Helper()
	m := w.next(testTimeout)
	for strings.HasPrefix(m, "SIP/2.0 100 ") && start != "SIP/2.0 100" && start != "SIP/2.0 " {
		// Skip the 100 of a slow answer (RFC 3261 section 17.2.1); whether it comes depends on the machine.
		m = w.next(testTimeout)
	}
	if !strings.HasPrefix(m, start) {
		w.t.Fatalf("want %q, got %q", start, m)
	}
	return message(m)
}

// quiet fails if anything arrives within d.
func (w *testPeer) quiet(d time.Duration) {
	w.t.Helper()
	if m := w.next(d); m != "" {
		w.t.Fatalf("unexpected: %s", m)
	}
}

// message is the text of one message.
type message string

// get returns the first header field with that name.
func (m message) get(name string) string {
	for line := range strings.SplitSeq(string(m), "\r\n") {
		if n, v, ok := strings.Cut(line, ":"); ok && strings.EqualFold(strings.TrimSpace(n), name) {
			return strings.TrimSpace(v)
		}
		if line == "" {
			break
		}
	}
	return ""
}

func (m message) tag() string {
	_, tag, _ := strings.Cut(m.get("To"), ";tag=")
	return tag
}

// request is a request of the peer with all that a valid one contains.
type request struct {
	method, id, branch, tag, toTag string
	seq                            int
	more, body                     string
}

func (w *testPeer) text(r request) string {
	if r.tag == "" {
		r.tag = "near"
	}
	if r.branch == "" {
		r.branch = r.id + r.method
	}
	if r.seq == 0 {
		r.seq = 1
	}
	to := ""
	if r.toTag != "" {
		to = ";tag=" + r.toTag
	}
	return crlf(fmt.Sprintf(`
%[1]s sip:stage-door@127.0.0.1 SIP/2.0
Via: SIP/2.0/%[2]s %[3]s;branch=z9hG4bK%[4]s
Max-Forwards: 70
From: "Stage Door" <sip:5550101@millrace.example>;tag=%[5]s
To: <sip:5550102@millrace.example>%[6]s
Call-ID: %[7]s
CSeq: %[8]d %[1]s
Contact: <sip:5550101@%[3]s>
%[9]sContent-Length: %[10]d

%[11]s`, r.method, w.network(), w.addr(), r.branch, r.tag, to, r.id, r.seq, r.more, len(r.body), r.body))
}

// answer returns a response to a request that the peer received.
func answer(m message, code int, tag string) string {
	to := m.get("To")
	if tag != "" && !strings.Contains(to, "tag=") {
		to += ";tag=" + tag
	}
	return crlf(fmt.Sprintf(`
SIP/2.0 %d Whatever
Via: %s
From: %s
To: %s
Call-ID: %s
CSeq: %s
Contact: <sip:%s@127.0.0.1>
Content-Length: 0

`, code, m.get("Via"), m.get("From"), to, m.get("Call-ID"), m.get("CSeq"), tag))
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
func listenUDP(t testing.TB, e *Endpoint) *testPeer { return dial(t, "udp", e) }

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
