package endpoint

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/netip"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"log/slog"

	"go.uber.org/zap/exp/zapslog"

	"clearback/bridge/sipua/rawtest"
)

// Faulty requests are refused, and the endpoint continues. Each case changes one thing in a valid request.
func TestFaulty(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
		w := dial(t, "udp", e)
		contact := fmt.Sprintf("Contact: <sip:5550101@%s>\r\n", w.Addr())
		for i, c := range []struct{ method, old, new, want string }{
			{"OPTIONS", "", "", "200"},
			{"OPTIONS", "SIP/2.0\r\nVia", "SIP/7.0\r\nVia", "505"},
			{"OPTIONS", "From: \"Stage Door\" <sip:5550101@millrace.example>;tag=near\r\n", "", "400 Missing From"},
			{"OPTIONS", ";tag=near", "", "400 Missing From Tag"},
			{"OPTIONS", "To: <sip:5550102@millrace.example>\r\n", "", "400 Missing To"},
			{"OPTIONS", "To: <sip:5550102@millrace.example>", "To: <sip:5550102", "400 Bad Request"},
			{"OPTIONS", "From: \"Stage Door\" <", "From: \"Stage Door <", "400 Bad Request"},
			{"OPTIONS", "Call-ID: ", "X-Call-ID: ", "400 Missing Call-ID"},
			{"OPTIONS", "CSeq: 1 OPTIONS\r\n", "", "400 Missing CSeq"},
			{"OPTIONS", "CSeq: 1 OPTIONS", "CSeq: 1 INVITE", "400 CSeq Method Mismatch"},
			{"OPTIONS", "CSeq: 1 OPTIONS", "CSeq: one OPTIONS", "400 Bad Request"},
			{"OPTIONS", "CSeq: 1 OPTIONS", "CSeq: 4294967296 OPTIONS", "400 Bad Request"},
			{"OPTIONS", "CSeq: 1", "CSeq: 1 OPTIONS\r\nCSeq: 1", "400 Repeated Header Field"},
			{"OPTIONS", "To: ", "t: <sip:5550103@millrace.example>\r\nTo: ", "400 Repeated Header Field"},
			{"OPTIONS", "Content-Length: 0", "Content-Length: 400", "400 Bad Request"},
			{"OPTIONS", "Content-Length: 0", "Content-Length: -1", "400 Bad Request"},
			{"OPTIONS", "Max-Forwards: 70", "a line without a colon", "400 Bad Request"},
			{"INVITE", contact, "", "400 Missing Contact"},
			{"SUBSCRIBE", contact, "", "400 Missing Contact"},
			{"BYE", contact, "", "200"},
			{"MESSAGE", "Max-Forwards: 70", "Max-Forwards: 0", "483"},
			{"OPTIONS", "Max-Forwards: 70", "Max-Forwards: 0", "200"},
			{"OPTIONS", "Max-Forwards: 70", "Max-Forwards: many", "400 Bad Request"},
			{"NEWMETHOD", "", "", "200"}, // the user reports methods that it does not know
		} {
			text := w.Text(rawtest.Request{Method: c.method, CallID: fmt.Sprintf("fault-%d", i)})
			require.Contains(t, text, c.old)
			w.Send(strings.Replace(text, c.old, c.new, 1))
			m := w.Next(testTimeout)
			require.True(t, strings.HasPrefix(m, "SIP/2.0 "+c.want), "%+v: got %q", c, m)
			require.Contains(t, rawtest.Message(m).Get("Via"), "z9hG4bKfault", "the response has the Via of the request")
		}
	})
}

// Messages that cannot be answered are dropped, and the endpoint continues.
func TestUnanswerableMessagesAreDropped(t *testing.T) {
	t.Parallel()
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	w := dial(t, "udp", e)
	good := w.Text(rawtest.Request{Method: "OPTIONS", CallID: "junk"})
	junk := []string{"\r\n\r\n", "\r\n", "\x00\x00\x00\x00", "hello", "\x00\x01\x00\x08\x21\x12\xa4\x42",
		"GET / HTTP/1.1\r\n\r\n",
		"SIP/2.0 200 OK\r\n\r\n", "SIP/2.0 999999999999 x\r\n\r\n", "INVITE sip:x SIP/2.0\r\n",
		"ACK sip:x SIP/2.0\r\nVia: SIP/2.0/UDP x\r\n\r\n",
		"OPTIONS sip:x SIP/2.0\r\n\r\n", " SIP/2.0\r\n\r\n", strings.Replace(good, "Via: ", "Via: ,", 1),
		strings.Replace(good, "OPTIONS ", "ACK ", 2)}
	for cut := 0; cut < len(good); cut += 7 {
		junk = append(junk, good[:cut])
	}
	for _, s := range junk {
		w.Send(s)
	}
	w.Send(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "alive"}))
	for {
		m := w.Next(testTimeout)
		require.NotEmpty(t, m, "no answer after the junk")
		if rawtest.Message(m).Get("Call-ID") == "alive" {
			break
		}
	}
	require.NotZero(t, e.Dropped())
}

// Messages of a source that Accept refuses are dropped, over UDP and TCP.
func TestAccept(t *testing.T) {
	var l log
	refuse := netip.MustParseAddr("127.0.0.1")
	e := open(t, testHandler{request: func(r *Request) { l.add("came") }}, func(o *Options) {
		o.Accept = func(a netip.Addr) bool { return a != refuse }
	})
	udp := dial(t, "udp", e)
	udp.Send(udp.Text(rawtest.Request{Method: "OPTIONS", CallID: "refused"}))
	if c, err := net.Dial("tcp", e.Addr().String()); err == nil { // the endpoint resets the connection at once
		defer c.Close()
		io.WriteString(c, udp.Text(rawtest.Request{Method: "OPTIONS", CallID: "refused"})) // may fail for the same reason
	}
	require.Eventually(t, func() bool { return e.Dropped() == 2 }, testTimeout, t1)
	require.Empty(t, l.all())
}

// A keep-alive on TCP is answered (RFC 5626 section 3.5.1), and the stream may arrive in any pieces.
func TestStream(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	w := dial(t, "tcp", e)
	w.Send("\r\n\r\n")
	pong := make([]byte, 2)
	_, err := io.ReadFull(w.In, pong)
	require.NoError(t, err)
	require.Equal(t, "\r\n", string(pong))
	for _, b := range []byte(w.Text(rawtest.Request{Method: "INFO", CallID: "pieces", Body: "Signal=5\r\n"})) {
		w.Send(string(b))
	}
	w.Expect("SIP/2.0 200")
	two := w.Text(rawtest.Request{Method: "INFO", CallID: "one"}) + w.Text(rawtest.Request{Method: "INFO", CallID: "two"})
	w.Send(two)
	got := []string{w.Expect("SIP/2.0 200").Get("Call-ID"), w.Expect("SIP/2.0 200").Get("Call-ID")}
	require.ElementsMatch(t, []string{"one", "two"}, got)
}

// A TCP peer that sends something other than SIP loses its connection. Nothing else is affected.
func TestStreamJunk(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	bad, good := dial(t, "tcp", e), dial(t, "tcp", e)
	bad.Send("nonsense that goes on\r\nand on\r\n\r\n")
	_, err := bad.In.ReadByte()
	require.Error(t, err)
	good.Send(good.Text(rawtest.Request{Method: "OPTIONS", CallID: "good"}))
	good.Expect("SIP/2.0 200")
}

// The parser keeps what the library's default parser would lose.
func TestParser(t *testing.T) {
	got := make(chan *Request, 1) // the request
	e := open(t, testHandler{request: func(r *Request) {
		got <- r
		r.Reply(200, "OK")
	}})
	w := dial(t, "udp", e)
	w.Send(w.Text(rawtest.Request{Method: "REFER", CallID: "parser", More: "o: dialog\r\nk: timer\r\nx: 90\r\n" +
		"r: <sip:5550103@millrace.example?Replaces=a%3Bto-tag%3Db>;early\r\nRecord-Route: <sip:p1.example;lr>;x=1, <sip:p2.example;lr>\r\n" +
		"Record-Route: <sip:p3.example;lr>;y=2\r\n"}))
	r := <-got
	for name, want := range map[string]string{"Event": "dialog", "Supported": "timer", "Session-Expires": "90",
		"Refer-To": "<sip:5550103@millrace.example?Replaces=a%3Bto-tag%3Db>;early"} {
		h := r.GetHeader(name)
		require.NotNil(t, h, name)
		require.Equal(t, want, h.Value())
	}
	routes := r.GetHeaders("Record-Route")
	require.Len(t, routes, 2)
	require.Equal(t, "<sip:p1.example;lr>;x=1, <sip:p2.example;lr>", routes[0].Value())
	require.Equal(t, "<sip:p3.example;lr>;y=2", routes[1].Value())
	w.Expect("SIP/2.0 200")
}

// The library's log drops all attributes that may quote a packet, however they are attached.
func TestRedact(t *testing.T) {
	core, seen := observer.New(zapcore.DebugLevel)
	l := slog.New(redact{zapslog.NewHandler(core)})
	const secret = `Authorization: Digest response="not-for-the-log"`
	l.Error("failed to parse", "data", secret, "error", fmt.Errorf("header: %q", secret))
	l.With("data", secret, "caller", "transport").Error("x", "req", secret)
	l.WithGroup("g").With("data", secret).Error("x", slog.Group("inner", "data", secret, "size", 3))
	l.Warn("x", "caller", "transport")
	l.Info("small talk")
	all := seen.All()
	require.Len(t, all, 4)
	text := fmt.Sprint(all)
	for _, entry := range all {
		text += fmt.Sprint(entry.ContextMap())
	}
	require.NotContains(t, text, "not-for-the-log")
	require.Contains(t, text, "transport")
	require.Contains(t, text, "inner")
}

// The library logs through the logger of the first endpoint, and only through that.
func TestLoggerOfTheLibrary(t *testing.T) {
	l := sip.DefaultLogger()
	require.IsType(t, redact{}, l.Handler())
	core, seen := observer.New(zapcore.DebugLevel)
	open(t, testHandler{}, func(o *Options) { o.Logger = zap.New(core) })
	require.Same(t, l, sip.DefaultLogger())
	l.Error("something")
	require.Zero(t, seen.Len())
}

// The library's parse errors are logged at debug level, everything else at most as a warning. Nothing below the
// configured level is logged.
func TestLevelsOfTheLibrary(t *testing.T) {
	for _, c := range []struct {
		message   string
		is, least slog.Level
		want      string
	}{
		{"failed to parse", slog.LevelError, slog.LevelDebug, "level=DEBUG"},
		{"failed to parse", slog.LevelError, slog.LevelInfo, ""},
		{"something else", slog.LevelError, slog.LevelDebug, "level=WARN"},
		{"something else", slog.LevelWarn, slog.LevelWarn, "level=WARN"},
		{"something else", slog.LevelError, slog.LevelError, ""},
	} {
		var written strings.Builder
		h := redact{slog.NewTextHandler(&written, &slog.HandlerOptions{Level: c.least})}
		require.NoError(t, h.Handle(context.Background(), slog.NewRecord(time.Now(), c.is, c.message, 0)))
		require.Contains(t, written.String(), c.want)
		require.Equal(t, c.want == "", written.Len() == 0, "%+v", c)
	}
}

// Whatever arrives, neither credentials nor packets get into our own log.
func TestQuietLog(t *testing.T) {
	core, seen := observer.New(zapcore.DebugLevel)
	e := open(t, testHandler{request: func(r *Request) { panic("a fault") }},
		func(o *Options) { o.Logger = zap.New(core) })
	w := dial(t, "udp", e)
	const secret = "Authorization: Digest username=\"stage-door\", response=\"0123456789abcdef\"\r\n"
	w.Send(w.Text(rawtest.Request{Method: "INFO", CallID: "x", More: secret}))
	w.Expect("SIP/2.0 500")
	w.Send(strings.Replace(w.Text(rawtest.Request{Method: "INFO", CallID: "y", More: secret}), "CSeq: 1", "CSeq: x", 1))
	w.Expect("SIP/2.0 400")
	require.Equal(t, 1, seen.Len())
	for _, entry := range seen.All() {
		require.NotContains(t, fmt.Sprint(entry.Message, entry.ContextMap()), "0123456789abcdef")
	}
}

// What a peer sends appears in the log on one line, without terminal control characters, and shortened.
func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "INVITE": "INVITE", "a\r\nb\x1b[2J\x00\u009b1m\u202ex\xff": "a??b?[2J??1m?x?", "größe": "größe",
		strings.Repeat("ü", 500): strings.Repeat("ü", maxPrintable-2) + "..",
	} {
		require.Equal(t, want, Printable(in))
	}
	core, seen := observer.New(zapcore.DebugLevel)
	e := open(t, testHandler{request: func(r *Request) { panic("a fault with " + r.Method.String()) }},
		func(o *Options) { o.Logger = zap.New(core) })
	w := dial(t, "udp", e)
	w.Send(w.Text(rawtest.Request{Method: "M\x1b[2J" + strings.Repeat("m", 1000), CallID: "log"}))
	w.Expect("SIP/2.0 500")
	require.Equal(t, 1, seen.Len())
	for name, v := range seen.All()[0].ContextMap() {
		if name != "stack" {
			require.Less(t, len(fmt.Sprint(v)), 150, name)
			require.NotContains(t, v, "\x1b", name)
		}
	}
}

func TestOpenFails(t *testing.T) {
	_, err := Open(Options{Listen: netip.MustParseAddrPort("127.0.0.1:0")}, testHandler{})
	require.ErrorContains(t, err, "neither UDP nor TCP")
	e := open(t, testHandler{})
	_, err = Open(Options{Listen: e.Addr(), UDP: true}, testHandler{})
	require.ErrorContains(t, err, "address already in use")
}

// An endpoint opens on an address that the machine does not have yet. What it cannot send says why.
func TestOpenBeforeTheNetwork(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("only Linux can bind an address that is not there")
	}
	e := open(t, testHandler{}, func(o *Options) { o.Listen, o.TCP = netip.MustParseAddrPort("192.0.2.30:0"), true })
	require.Equal(t, "192.0.2.30", e.Addr().Addr().String())
	_, err := e.Do(t.Context(), outgoing(sip.OPTIONS, "early", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 9}))
	require.ErrorContains(t, err, "send to 127.0.0.1:9: this machine does not have the address 192.0.2.30 now")
}

func TestContact(t *testing.T) {
	e := open(t, testHandler{}, func(o *Options) { o.Advertise = "pbx.example" })
	port := e.Addr().Port()
	require.Equal(t, fmt.Sprintf("<sip:workshop@pbx.example:%d>", port), e.Contact("workshop", "UDP").Value())
	require.Equal(t, fmt.Sprintf("<sip:workshop@pbx.example:%d;transport=tcp>", port),
		e.Contact("workshop", "tcp").Value())
}

// Valid messages are sent with random bytes changed, cut or doubled. No panic affects more than its own message, and
// nothing stays in the queues. A failure prints the seed.
func TestMutations(t *testing.T) {
	t.Parallel()
	core, seen := observer.New(zapcore.ErrorLevel)
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }},
		func(o *Options) { o.Logger = zap.New(core) })
	w := dial(t, "udp", e)
	var good []string
	for _, method := range []string{"INVITE", "ACK", "CANCEL", "REGISTER", "OPTIONS"} {
		good = append(good, w.Text(rawtest.Request{Method: method, CallID: "mutant",
			More: "Record-Route: <sip:p.example;lr>\r\nExpires: 60\r\n"}))
	}
	good = append(good, rawtest.Answer(rawtest.Message(good[0]), 200, "far"))
	from := netip.MustParseAddrPort(w.Addr())
	for seed := range uint64(pairs() * 10) {
		r := rand.New(rand.NewPCG(seed, 1))
		b := []byte(good[r.IntN(len(good))])
		for range 1 + r.IntN(4) {
			at := r.IntN(len(b))
			switch r.IntN(4) {
			case 0:
				b[at] = byte(r.IntN(256))
			case 1:
				b = append(b[:at:at], b[min(len(b), at+r.IntN(40)):]...)
			case 2:
				b = append(b[:at:at], append([]byte(";=<>\"\r\n,: \t@"[r.IntN(12):][:1]), b[at:]...)...)
			default:
				b = append(b[:at:at], append(bytes.Clone(b[at:min(len(b), at+r.IntN(60))]), b[at:]...)...)
			}
			if len(b) == 0 {
				break
			}
		}
		e.datagram(b, from, 0, 0)
		require.Zero(t, seen.Len(), "seed %d: %q", seed, b)
	}
	require.Eventually(t, func() bool { return e.queues.size() == 0 }, testTimeout, t1)
	require.Zero(t, seen.Len())
}
