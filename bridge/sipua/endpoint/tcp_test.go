package endpoint

import (
	"context"
	"errors"
	"io"
	"net"
	"net/netip"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// listenTCP returns a listener, and a function that accepts the endpoint's connections, one after the other.
func listenTCP(t testing.TB) (net.Listener, func() *rawtest.Peer) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	return l, func() *rawtest.Peer {
		l.(*net.TCPListener).SetDeadline(time.Now().Add(testTimeout))
		c, err := l.Accept()
		require.NoError(t, err)
		t.Cleanup(func() { c.Close() })
		return rawtest.New(t, c)
	}
}

// A request over TCP to our own address reaches us, not the peer that connected last.
func TestStreamHairpin(t *testing.T) {
	var l log
	e := open(t, testHandler{request: func(r *Request) { l.add(r.Method.String()); r.Reply(200, "OK") }})
	w := dial(t, "tcp", e)
	w.Send(w.Text(rawtest.Request{Method: "INFO", CallID: "before"}))
	w.Expect("SIP/2.0 200")
	var got log
	own := outgoing(sip.OPTIONS, "to ourselves", &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: int(e.Addr().Port())})
	_, err := e.Send(own, func(r Response) {
		if r.Err != nil || r.StatusCode != 200 {
			t.Errorf("got %v", r)
		}
		got.add("answered")
	})
	require.NoError(t, err)
	got.saw(t, "answered")
	l.saw(t, "INFO", "OPTIONS")
	w.ExpectSilence(t1)
}

// If a connection dies before any response, it is made again and the request is sent again, once. A request that got a
// response is not sent again.
func TestResendOnDeadConnection(t *testing.T) {
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	var got log
	_, err := e.Send(outgoing(sip.INVITE, "revived", l.Addr()), got.note)
	require.NoError(t, err)
	first := next()
	m := first.Expect("INVITE")
	first.Conn.(*net.TCPConn).SetLinger(0)
	first.Conn.Close()
	second := next()
	require.Equal(t, m, second.Expect("INVITE"))
	second.Send(rawtest.Answer(m, 486, "far"))
	second.Expect("ACK")
	got.saw(t, "486 far")
	second.ExpectSilence(3 * t1)
	// a peer that is only slow does not get the request twice
	_, err = e.Send(outgoing(sip.OPTIONS, "slow", l.Addr()), got.note)
	require.NoError(t, err)
	second.Expect("OPTIONS")
	second.ExpectSilence(3 * t1)
}

// A request over a connection that has gone, to a peer that does not listen, goes to the fallback destination if there
// is one.
func TestSendElsewhere(t *testing.T) {
	gone := noHandler(t)
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	var got log
	_, err := e.SendIn(nil, outgoing(sip.OPTIONS, "moved", gone), l.Addr().String(), got.note)
	require.NoError(t, err)
	c := next()
	c.Send(rawtest.Answer(c.Expect("OPTIONS"), 200, "there"))
	got.saw(t, "200 there")
	_, err = e.Send(outgoing(sip.OPTIONS, "stays", gone), func(r Response) {
		if r.Err != nil {
			got.add("refused")
		}
	})
	require.NoError(t, err)
	got.saw(t, "200 there", "refused")
}

// The BYE of a peer whose connection has gone cannot be answered, but it still reaches the handler.
func TestByeWithoutConnection(t *testing.T) {
	var l log
	e := open(t, testHandler{request: func(r *Request) {
		l.add(r.Method.String())
		require.Error(t, r.Reply(200, "OK"))
	}})
	w := dial(t, "tcp", e)
	for _, method := range []string{"INFO", "BYE"} {
		m := []byte(w.Text(rawtest.Request{Method: method, CallID: "gone", ToTag: "ours"}))
		// there is no such connection
		e.take(m, origin{from: netip.MustParseAddrPort("192.0.2.7:5060"), transport: "TCP"})
	}
	l.saw(t, "BYE")
}

// If the name server is dead, a host name keeps its last address.
func TestLastKnownAddress(t *testing.T) {
	e := open(t, testHandler{})
	dead := false
	e.lookup = func(ctx context.Context, network, host string) ([]netip.Addr, error) {
		if dead {
			if until, _ := ctx.Deadline(); host == "pbx.millrace.example" && time.Until(until) > lookupLimit {
				t.Error("an address is known, so the lookup must be short")
			}
			return nil, errors.New("no such name server")
		}
		return []netip.Addr{netip.MustParseAddr("127.0.0.1")}, nil
	}
	w := listenUDP(t, e)
	_, port, _ := net.SplitHostPort(w.Addr())
	for _, id := range []string{"first", "second"} {
		req := outgoing(sip.OPTIONS, id, w.Conn.LocalAddr())
		req.SetDestination("pbx.millrace.example:" + port)
		var l log
		_, err := e.Send(req, l.note)
		require.NoError(t, err)
		m := w.Expect("OPTIONS")
		require.Contains(t, string(m), "Call-ID: "+id)
		w.Send(rawtest.Answer(m, 200, "far"))
		l.saw(t, "200 far")
		dead = true
	}
	_, err := e.address(t.Context(), "other.millrace.example")
	require.ErrorContains(t, err, "no such name server")
}

// A connection that dies during the write is treated like one that dies right after: the request is sent over a new
// connection, and fails only if there is none.
func TestWriteFails(t *testing.T) {
	for _, listening := range []bool{true, false} {
		l, next := listenTCP(t)
		e := open(t, testHandler{})
		var got log
		_, err := e.Send(outgoing(sip.OPTIONS, "before", l.Addr()), got.note)
		require.NoError(t, err)
		first := next()
		first.Send(rawtest.Answer(first.Expect("OPTIONS"), 200, "far"))
		got.saw(t, "200 far")
		c := e.connection("TCP", l.Addr().String())
		require.NoError(t, c.(*conn).Conn.(*net.TCPConn).CloseWrite()) // still open, but cannot be written to
		if !listening {
			l.Close()
		}
		var then log
		_, err = e.Send(outgoing(sip.INVITE, "lost", l.Addr()), func(r Response) {
			if r.Err != nil && !errors.Is(r.Err, ErrTimeout) {
				then.add("failed")
				return
			}
			then.note(r)
		})
		require.NoError(t, err)
		if !listening {
			then.saw(t, "failed")
			continue
		}
		second := next()
		second.Send(rawtest.Answer(second.Expect("INVITE"), 486, "far"))
		second.Expect("ACK")
		then.saw(t, "486 far")
	}
}

// If a connection dies later than T1 after the request, without any response, the request is sent again over the next
// connection.
func TestResendAfterLateLoss(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		at := source(1)
		read := func(c net.Conn) string {
			b := make([]byte, 4096)
			n, err := c.Read(b)
			require.NoError(t, err)
			return string(b[:n])
		}
		first := piped(e, at)
		begin := time.Now()
		var l log
		go func() {
			_, err := e.Send(outgoing(sip.INVITE, "later", net.TCPAddrFromAddrPort(at)), l.note)
			require.NoError(t, err)
		}()
		invite := read(first)
		<-time.After(t1 + t1/2)
		first.Close()
		synctest.Wait()
		second := piped(e, at)
		require.Equal(t, invite, read(second))
		require.Equal(t, 3*t1, time.Since(begin))
		go second.Write([]byte(rawtest.Answer(rawtest.Message(invite), 486, "far")))
		require.Contains(t, read(second), "ACK ")
		synctest.Wait()
		l.saw(t, "486 far")
	})
}

// A malformed message on a stream is counted, and ends the stream.
func TestMalformedStreamIsCounted(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		c := piped(e, source(1))
		go c.Write([]byte("OPTIONS sip:x SIP/2.0\r\nVia: SIP/2.0/TCP 192.0.2.1;branch=z9hG4bKa\r\n\r\n"))
		_, err := io.ReadAll(c)
		require.NoError(t, err)
		synctest.Wait()
		require.EqualValues(t, 1, e.Counts().Malformed)
		require.Zero(t, e.Counts().Connections)
	})
}

// A refused connection is reset, so that neither end waits in the kernel for the other (TIME_WAIT, RFC 9293 section
// 3.3.2).
func TestRefusedConnectionIsReset(t *testing.T) {
	e := open(t, testHandler{}, func(o *Options) { o.Accept = func(netip.Addr) bool { return false } })
	c, err := net.Dial("tcp", e.Addr().String())
	if err == nil { // otherwise the reset came at once
		defer c.Close()
		require.NoError(t, c.SetReadDeadline(time.Now().Add(testTimeout)))
		_, err = c.Read(make([]byte, 1))
	}
	require.ErrorIs(t, err, syscall.ECONNRESET)
}

// A request is sent again only while it awaits its first response: not after a provisional or a final one, and not once
// it has failed. Then no connection is made for it either.
func TestWhatIsSentAgain(t *testing.T) {
	lookups := 0
	change := func(o *Options) {
		o.Lookup = func(context.Context, string, string) ([]netip.Addr, error) {
			lookups++
			return nil, errors.New("no such name server")
		}
	}
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		for _, c := range []struct {
			final              int
			provisional, ended bool
			want               int
		}{{want: 1}, {final: 200}, {provisional: true}, {ended: true}} {
			req := outgoing(sip.INVITE, "again", net.TCPAddrFromAddrPort(source(1)))
			req.SetDestination("pbx.example:5060")
			var written writeCounter
			tx := &Transaction{e: e, req: req, conn: &written, final: c.final, provisional: c.provisional,
				ended: c.ended}
			lookups = 0
			tx.resend(t1)
			require.Equal(t, c.want, lookups, "%+v", c)
			require.NoError(t, tx.rewrite(&written, req))
			require.EqualValues(t, c.want, written.n, "%+v: it may be answered while the connection is made", c)
		}
	})
}

// writeCounter is a connection that counts the messages written to it.
type writeCounter struct {
	sip.Connection
	n int
}

func (w *writeCounter) WriteMsg(sip.Message) error { w.n++; return nil }

// A connection whose silence cannot be limited is closed.
func TestConnectionWithoutDeadline(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		ours, theirs := net.Pipe()
		require.True(t, e.streams.add(&conn{Conn: noDeadline{ours}, e: e, peer: source(1)}))
		begin := time.Now()
		_, err := theirs.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
		require.Zero(t, time.Since(begin))
	})
}

// noDeadline is a connection that takes no read deadline.
type noDeadline struct{ net.Conn }

func (noDeadline) SetReadDeadline(time.Time) error { return errors.ErrUnsupported }

// A fault while a stream is read costs only that stream.
func TestFaultOnAStream(t *testing.T) {
	core, seen := observer.New(zapcore.ErrorLevel)
	bubble(t, testHandler{}, func(o *Options) { o.Logger = zap.New(core) }, func(t *testing.T, e *Endpoint,
		_ *endpointtest.Network, _ func() []endpointtest.Packet) {
		ours, theirs := net.Pipe()
		require.True(t, e.streams.add(&conn{Conn: faultyConn{ours}, e: e, peer: source(1)}))
		_, err := theirs.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
		synctest.Wait()
		require.Zero(t, e.Counts().Connections)
		require.Equal(t, 1, seen.Len())
	})
}

// faultyConn is a connection that cannot be read.
type faultyConn struct{ net.Conn }

func (faultyConn) Read([]byte) (int, error) { panic("a fault") }

// A connection that its peer closes was neither slow nor idle.
func TestConnectionClosedByPeer(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		for _, begun := range []string{"", "OPTIONS"} {
			c := piped(e, source(1))
			_, err := io.WriteString(c, begun)
			require.NoError(t, err)
			synctest.Wait() // the endpoint reads on
			require.NoError(t, c.Close())
			synctest.Wait()
			require.Equal(t, Counts{}, e.Counts())
		}
	})
}

// If the connection of a caller dies before the 100, which is sent after 200 ms (RFC 3261 section 17.2.1), the 100 goes
// over a new connection (section 18.2.2). The transaction stays, so the caller can still cancel the call.
func TestTryingOverNewConnection(t *testing.T) {
	var l log
	h := testHandler{request: func(r *Request) { l.add("INVITE") }, cancelled: func(*Request) { l.add("CANCEL") }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
		at := source(1)
		send := func(c net.Conn, method string) {
			_, err := c.Write(from(at, method, "moved"))
			require.NoError(t, err)
			synctest.Wait()
		}
		first := piped(e, netip.AddrPortFrom(at.Addr(), 40000))
		send(first, "INVITE")
		require.NoError(t, first.Close())
		second := piped(e, at) // at the sent-by of the Via
		begin, b := time.Now(), make([]byte, 4096)
		n, err := second.Read(b)
		require.NoError(t, err)
		require.Contains(t, string(b[:n]), "SIP/2.0 100 Trying")
		require.Equal(t, sip.Timer_1xx, time.Since(begin))
		send(second, "CANCEL")
		n, err = second.Read(b)
		require.NoError(t, err)
		require.Contains(t, string(b[:n]), "SIP/2.0 200 OK")
		synctest.Wait()
		require.Equal(t, []string{"INVITE", "CANCEL"}, l.all())
	})
}

// A ping may arrive in pieces, and its beginning is no incomplete message (RFC 5626 section 3.5.1). One empty line
// before a message is no ping.
func TestPingInPieces(t *testing.T) {
	for _, c := range []struct {
		first, then string
		partial     bool
		ping        bool
	}{
		{"\r", "\n\r\n", true, true}, {"\r\n", "\r\n", false, true}, {"\r\n\r", "\n", false, true},
		{"\r\n", "X\r\nl:0\r\n\r\n", false, false},
	} {
		var f framer
		for _, piece := range []string{"", "", c.first, ""} { // asking again finds no more
			f.write([]byte(piece))
			message, ping, err := f.next()
			require.NoError(t, err)
			require.Nil(t, message)
			require.False(t, ping)
		}
		require.Equal(t, c.partial, f.partial(), "%q", c.first)
		f.write([]byte(c.then))
		message, ping, err := f.next()
		require.NoError(t, err)
		require.Equal(t, c.ping, ping, "%q and %q", c.first, c.then)
		require.Equal(t, c.ping, message == nil)
		require.False(t, f.partial())
	}
}
