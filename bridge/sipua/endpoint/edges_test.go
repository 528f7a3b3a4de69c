package endpoint

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync/atomic"
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

// Responses go to the address that the top Via yields (RFC 3261 sections 18.2.1 and 18.2.2, RFC 3581 section 4).
func TestReceivedAndRport(t *testing.T) {
	from := netip.MustParseAddrPort("192.0.2.66:4000")
	for _, c := range []struct{ transport, via, dest, received, rport string }{
		{"UDP", "192.0.2.66:5070", "192.0.2.66:5070", "", ""},
		{"UDP", "192.0.2.66", "192.0.2.66:5060", "", ""},
		{"UDP", "192.0.2.66:1", "192.0.2.66:1", "", ""},
		{"UDP", "192.0.2.66:65535", "192.0.2.66:65535", "", ""},
		{"UDP", "pbx.example:5070", "192.0.2.66:5070", "192.0.2.66", ""},
		{"UDP", "192.0.2.66:5070;rport", "192.0.2.66:4000", "192.0.2.66", "4000"},
		{"UDP", "192.0.2.66:5070;rport=4000", "192.0.2.66:4000", "192.0.2.66", "4000"},
		{"UDP", "192.0.2.66:5070;rport=4001", "192.0.2.66:4000", "192.0.2.66", "4000"},
		{"TCP", "192.0.2.66:5070", "192.0.2.66:4000", "", ""},
		{"TCP", "10.0.0.1:5070;rport", "192.0.2.66:4000", "192.0.2.66", "4000"},
	} {
		m, err := newParser().ParseSIP([]byte("OPTIONS sip:x SIP/2.0\r\nVia: SIP/2.0/" + c.transport + " " +
			strings.Replace(c.via, ";", ";branch=z9hG4bKa;", 1) + "\r\n\r\n"))
		require.NoError(t, err)
		req := m.(*sip.Request)
		req.SetTransport(c.transport)
		require.Equal(t, c.dest, received(req, from), "%+v", c)
		require.Equal(t, c.received, req.Via().Params.GetOr("received", ""), "%+v", c)
		require.Equal(t, c.rport, req.Via().Params.GetOr("rport", ""), "%+v", c)
	}
}

func TestSentByPort(t *testing.T) {
	for in, want := range map[int]int{-1: 5060, 0: 5060, 1: 1, 5070: 5070, 65535: 65535, 65536: 5060} {
		require.Equal(t, want, sentByPort(&sip.ViaHeader{Port: in}), in)
	}
}

// A response to a caller whose connection has gone is sent over a new connection, to the sent-by of the Via (RFC 3261
// section 18.2.2).
func TestResponseOverNewConnection(t *testing.T) {
	l, next := listenTCP(t)
	got := make(chan *Request, 1) // the INVITE
	e := open(t, testHandler{request: func(r *Request) { got <- r }})
	w := dial(t, "tcp", e)
	_, port, _ := net.SplitHostPort(l.Addr().String())
	// it came over TCP, whatever its Via says
	w.Send(strings.Replace(w.Text(rawtest.Request{Method: "INVITE", CallID: "moved"}), "TCP "+w.Addr()+";branch",
		"UDP pbx.example:"+port+";branch", 1))
	r := <-got
	require.NoError(t, w.Conn.Close())
	require.Eventually(t, func() bool { return !e.Connected(r.Source()) }, testTimeout, time.Millisecond)
	require.NoError(t, r.Reply(180, "Ringing"))
	there := next()
	ringing := there.Expect("SIP/2.0 180")
	require.Contains(t, ringing.Get("Via"), "received=127.0.0.1")
	require.Equal(t, 1, e.Counts().Servers, "its transaction still exists")
	require.NoError(t, r.Reply(486, "Busy Here"))
	require.Equal(t, ringing.Tag(), there.Expect("SIP/2.0 486").Tag())
	require.Eventually(t, func() bool { return e.Counts().Servers == 0 }, testTimeout, time.Millisecond)
}

// After Drop the sender gets nothing, not even 100 after 200 ms, and later responses are not sent. A repeat counts as a
// new request.
func TestDrop(t *testing.T) {
	var l log
	h := testHandler{request: func(r *Request) {
		l.add(r.Method.String())
		r.Drop()
		r.Drop()
		r.Reply(200, "OK")
		r.Reply(486, "Busy Here")
	}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		for _, method := range []string{"INVITE", "OPTIONS", "ACK"} {
			n.Send(hostile, victim, from(hostile, method, "drop"+method))
			<-time.After(sip.Timer_1xx)
			require.Empty(t, sent(), method)
		}
		require.Zero(t, e.Counts().Servers)
		n.Send(hostile, victim, from(hostile, "INVITE", "dropINVITE"))
		<-time.After(64 * t1)
		require.Empty(t, sent())
		require.Equal(t, []string{"INVITE", "OPTIONS", "ACK", "INVITE"}, l.all())
	})
}

// A transaction with a final response may be replaced for lack of room, except an INVITE with a 2xx. One without a
// final response may not.
func TestReplaceable(t *testing.T) {
	for _, c := range []struct {
		method sip.RequestMethod
		code   int32
		want   bool
	}{
		{sip.INVITE, 0, false}, {sip.INVITE, 199, true}, {sip.INVITE, 200, false}, {sip.INVITE, 299, false},
		{sip.INVITE, 300, true}, {sip.INVITE, 486, true},
		{sip.BYE, 0, false}, {sip.BYE, 200, true}, {sip.BYE, 481, true},
	} {
		s := &server{r: &Request{Request: sip.NewRequest(c.method, sip.Uri{})}}
		s.done.Store(c.code)
		require.Equal(t, c.want, s.replaceable(), "%+v", c)
	}
}

// The tag of our responses is the one that the user set, if any.
func TestTagOfResponses(t *testing.T) {
	h := testHandler{request: func(r *Request) {
		res := sip.NewResponseFromRequest(r.Request, 200, "OK", nil)
		res.To().Params.Remove("tag")
		switch callID(r) {
		case "user":
			res.To().Params.Add("tag", "theirs")
		case "trying":
			res.StatusCode = 100
		case "first":
			res.StatusCode = 101
		}
		r.Respond(res)
	}}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		tag := func(id string) string {
			n.Send(hostile, victim, from(hostile, "OPTIONS", id))
			got := sent()
			require.Len(t, got, 1)
			return rawtest.Message(got[0].Data).Tag()
		}
		require.NotEmpty(t, tag("ours"))
		require.Equal(t, "theirs", tag("user"))
		require.Empty(t, tag("trying"))
		require.NotEmpty(t, tag("first"), "only a 100 goes without (RFC 3261 section 8.2.6.2)")
	})
}

// A CANCEL stays in the table for Timer J after its response, so that retransmissions get the same response (RFC 3261
// section 17.2.2).
func TestCancelLingers(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, from(hostile, "INVITE", "linger"))
		sent()
		n.Send(hostile, victim, from(hostile, "CANCEL", "linger"))
		require.Len(t, sent(), 1)
		<-time.After(sip.Timer_J - 1)
		require.Equal(t, 2, e.Counts().Servers)
		<-time.After(1)
		sent()
		require.Equal(t, 1, e.Counts().Servers, "the INVITE")
	})
}

// A CANCEL whose connection has gone still cancels the call. A second one has no effect, although no transaction exists
// to recognise it as a repeat.
func TestCancelWithoutConnection(t *testing.T) {
	var l log
	e := open(t, testHandler{request: func(r *Request) { l.add(r.Method.String()); r.Reply(180, "Whatever") },
		cancelled: func(r *Request) { l.add("cancelled " + callID(r)) }})
	w := dial(t, "tcp", e)
	w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "gone", Branch: "x"}))
	require.Eventually(t, func() bool { return e.Counts().Servers == 1 }, testTimeout, time.Millisecond)
	at := netip.MustParseAddrPort(w.Addr())
	cancel := []byte(w.Text(rawtest.Request{Method: "CANCEL", CallID: "gone", Branch: "x"}))
	for range 2 {
		// there is no such connection
		e.take(cancel, origin{from: netip.AddrPortFrom(at.Addr(), at.Port()^1), transport: "TCP"})
	}
	w.Send(w.Text(rawtest.Request{Method: "INFO", CallID: "gone", Seq: 2}))
	l.saw(t, "INVITE", "cancelled gone", "INFO")
	require.NoError(t, e.Close())
	answers, _ := io.ReadAll(w.In)
	require.Contains(t, string(answers), "2 INFO")
	require.NotContains(t, string(answers), "CANCEL", "its connection has gone, so nothing can answer it")
}

// When there is no room, an ordinary request gets 503. A BYE in a dialog and a request of an unknown source get no
// answer. The log reports it once a minute.
func TestOverload(t *testing.T) {
	core, seen := observer.New(zapcore.WarnLevel)
	change := func(o *Options) {
		limitedOptions(o)
		limited(o)
		o.Logger = zap.New(core)
		o.Known = []netip.Prefix{netip.MustParsePrefix("198.18.0.0/16")}
	}
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		e.t.mu.Lock()
		e.t.ordinary = maxServersHard
		e.t.mu.Unlock()
		n.Send(hostile, victim, from(hostile, "INVITE", "stranger"))
		require.Empty(t, sent())
		require.Zero(t, seen.Len())
		ask := func() {
			n.Send(source(1), victim, from(source(1), "OPTIONS", "ordinary"))
			got := sent()
			require.Len(t, got, 1)
			require.Contains(t, string(got[0].Data), "SIP/2.0 503")
		}
		ask()
		<-time.After(time.Minute - 1)
		ask()
		require.Equal(t, 1, seen.Len())
		<-time.After(1)
		ask()
		require.Equal(t, 2, seen.Len())
		require.EqualValues(t, 4, seen.All()[1].ContextMap()["refused_since_the_start"])
		n.Send(source(1), victim, tagged(from(source(1), "INVITE", "up")))
		for i := range maxReserved { // in the dialog too
			n.Send(source(1), victim, again(tagged(from(source(1), "INFO", "up")), i))
		}
		require.Len(t, sent(), 1)
		for i := range maxReserved + 1 {
			n.Send(source(1), victim, again(tagged(from(source(1), "BYE", "up")), i))
		}
		require.Empty(t, sent())
		require.EqualValues(t, 6, e.Counts().Overloaded)
	})
}

// The work that waits for a slow user is bounded. A request beyond the bound gets 503.
func TestQueueFull(t *testing.T) {
	gate := make(chan struct{})
	bubble(t, nil, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		gate = make(chan struct{})
		e.handler = testHandler{request: func(r *Request) { <-gate }}
		for i := range 1 + maxWaiting + 3 {
			n.Send(hostile, victim, again(from(hostile, "INFO", "slow"), i))
			sent2 := sent()
			require.Len(t, sent2, max(0, min(1, i-maxWaiting)), "%d", i)
			for _, p := range sent2 {
				require.Contains(t, string(p.Data), "SIP/2.0 503")
			}
		}
		require.EqualValues(t, 3, e.Counts().Overloaded)
		close(gate)
	})
}

// A panic while a message is processed costs only that message.
func TestPanicWhileReading(t *testing.T) {
	core, seen := observer.New(zapcore.ErrorLevel)
	var l log
	h := testHandler{request: func(r *Request) { l.add(callID(r)) }}
	change := func(o *Options) {
		o.Logger = zap.New(core)
		o.Urgent = func(r *sip.Request) bool {
			if callID(r) == "fault" {
				panic("a fault")
			}
			return false
		}
	}
	bubble(t, h, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, from(hostile, "INVITE", "fault"))
		n.Send(hostile, victim, from(hostile, "INVITE", "good"))
		sent()
		require.Equal(t, []string{"good"}, l.all())
		require.Equal(t, 1, seen.Len())
		e.queues.post(nil, "x", func() { panic("another") })
		e.queues.post(nil, "x", func() { l.add("after it") })
		sent()
		require.Equal(t, []string{"good", "after it"}, l.all())
		require.Equal(t, 2, seen.Len())
	})
}

// failing is a socket whose reads fail now and then, as after an ICMP error.
type failing struct {
	Packets
	fails atomic.Int32
}

func (f *failing) ReadFromUDPAddrPort(b []byte) (int, netip.AddrPort, error) {
	if f.fails.Add(-1) >= 0 {
		return 0, netip.AddrPort{}, errors.New("connection refused")
	}
	return f.Packets.ReadFromUDPAddrPort(b)
}

// A read error does not end the reading. After consecutive errors the endpoint pauses, for up to a second each time.
func TestReadErrors(t *testing.T) {
	f := &failing{}
	h := testHandler{request: func(r *Request) { r.Reply(200, "OK") }}
	bubble(t, h, func(o *Options) { f.Packets = o.Packets; o.Packets = f; f.fails.Store(12) },
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			begin := time.Now()
			n.Send(hostile, victim, from(hostile, "OPTIONS", "waits"))
			require.Empty(t, sent())
			<-time.After(1023*time.Millisecond + 2*time.Second - 1) // 1, 2, 4 ... 512 ms, then 1 s each
			require.Empty(t, sent())
			<-time.After(1)
			got := sent()
			require.Len(t, got, 1)
			require.Equal(t, 3023*time.Millisecond, got[0].At.Sub(begin))
			f.fails.Store(1)
			n.Send(hostile, victim, from(hostile, "OPTIONS", "read"))
			require.Len(t, sent(), 1)
			n.Send(hostile, victim, from(hostile, "OPTIONS", "again"))
			require.Empty(t, sent())
			<-time.After(time.Millisecond)
			require.Len(t, sent(), 1, "the pause is short again")
		})
}

// A transport without a socket, and an address without a connection, have no connection.
func TestNoConnection(t *testing.T) {
	e := open(t, testHandler{}, func(o *Options) { o.UDP = false })
	require.Nil(t, e.connection("UDP", "127.0.0.1:5060"))
	require.Nil(t, e.connection("TCP", "no address"))
	require.Nil(t, e.connection("TCP", "127.0.0.1:1"))
	require.Equal(t, fmt.Sprintf("<sip:x@127.0.0.1:%d;transport=tcp>", e.Addr().Port()), e.Contact("x", "UDP").Value())
	w := dial(t, "tcp", e)
	require.Eventually(t, func() bool { return e.Connected(w.Addr()) }, testTimeout, time.Millisecond)
	require.NotNil(t, e.connection("tcp", "[::ffff:127.0.0.1]:"+w.Addr()[strings.LastIndex(w.Addr(), ":")+1:]))
}

// A response needs a status code from 100 to 699 and the header fields of its request.
func TestFaultyResponse(t *testing.T) {
	good := rawtest.Answer(rawtest.Message(from(hostile, "OPTIONS", "x")), 200, "far")
	parse := func(s string) *sip.Response {
		m, err := newParser().ParseSIP([]byte(s))
		require.NoError(t, err)
		return m.(*sip.Response)
	}
	for code, want := range map[int]int{99: 400, 100: 0, 200: 0, 699: 0, 700: 400} {
		r := parse(good)
		r.StatusCode = code
		got, _ := responseFault(r)
		require.Equal(t, want, got, "%d", code)
	}
	for _, name := range []string{"Via", "CSeq", "Call-ID", "From", "To"} {
		r := parse(good)
		require.True(t, r.RemoveHeader(name))
		got, _ := responseFault(r)
		require.Equal(t, 400, got, name)
	}
}

// If one socket cannot be opened, Open leaves none open.
func TestOpenFailsWhole(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	at := netip.MustParseAddrPort(l.Addr().String())
	_, err = Open(Options{Listen: at, UDP: true, TCP: true}, testHandler{})
	require.ErrorContains(t, err, "address already in use")
	e, err := Open(Options{Listen: at, UDP: true}, testHandler{})
	require.NoError(t, err, "its UDP port has been released")
	require.NoError(t, e.Close())
}

// After Close no timer fires and nothing in the queues runs.
func TestNothingAfterClose(t *testing.T) {
	var l log
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		e.after(time.Second, func() { l.add("before") })
		e.after(3*time.Second, func() { l.add("after") })
		<-time.After(2 * time.Second)
		require.NoError(t, e.Close())
		e.queues.post(nil, "x", func() { l.add("queued") })
		require.True(t, e.queues.offer(nil, "x", hostile.Addr(), func() { l.add("offered") }))
		require.False(t, e.spawn(func() { l.add("spawned") }))
		<-time.After(2 * time.Second)
		require.Equal(t, []string{"before"}, l.all())
		require.Zero(t, e.queues.size()+e.queues.sources.len())
	})
}

// If responses arrive faster than the user takes them, some provisional ones and repeated 2xx are lost. The first final
// response is not.
func TestResponsesToASlowUser(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		gate := make(chan struct{})
		codes := map[int]int{}
		_, err := e.Send(outgoing(sip.INVITE, "slow", net.UDPAddrFromAddrPort(hostile)), func(r Response) {
			<-gate
			codes[r.StatusCode]++
		})
		require.NoError(t, err)
		invite := rawtest.Message(sent()[0].Data)
		n.Send(hostile, victim, []byte(rawtest.Answer(invite, 180, "far")))
		sent() // the request is being passed on
		for range maxWaiting + maxWaitingReserved + 5 {
			n.Send(hostile, victim, []byte(rawtest.Answer(invite, 180, "far")))
		}
		for range 3 {
			n.Send(hostile, victim, []byte(rawtest.Answer(invite, 200, "far")))
		}
		sent()
		require.EqualValues(t, 5+2, e.Counts().Overloaded)
		close(gate)
		sent()
		require.Equal(t, map[int]int{180: 1 + maxWaiting + maxWaitingReserved, 200: 1}, codes)
	})
}

// A request that was answered or has ended is not sent again over a new connection.
func TestNotSentAgain(t *testing.T) {
	for name, over := range map[string]*Transaction{"ended": {ended: true}, "answered": {final: 200},
		"heard of": {provisional: true}} {
		require.NoError(t, over.rewrite(nil, nil), name)
		require.Nil(t, over.conn, name)
	}
	over := &Transaction{ended: true, on: func(Response) { t.Error("passed on") }}
	over.receive(sip.NewResponse(200, "OK"))
	over.fail(ErrTimeout)
	(&Transaction{final: 200}).fail(ErrTimeout)
}

// Close returns when all goroutines and all queued work have ended.
func TestCloseWaits(t *testing.T) {
	for _, how := range []string{"beside", "queued"} {
		bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
			_ func() []endpointtest.Packet) {
			gate, closed := make(chan struct{}), make(chan struct{})
			if how == "beside" {
				require.True(t, e.spawn(func() { <-gate }))
			} else {
				e.queues.post(nil, "x", func() { <-gate })
			}
			go func() { defer close(closed); e.Close() }()
			synctest.Wait()
			select {
			case <-closed:
				t.Error("Close did not wait for what is " + how)
			default:
			}
			close(gate)
			<-closed
		})
	}
}

// Each dropped message is counted once, in the right counter.
func TestDroppedMessagesAreCountedOnce(t *testing.T) {
	good := string(from(source(1), "OPTIONS", "count"))
	changed := func(was, is string) string {
		require.Contains(t, good, was)
		return strings.Replace(good, was, is, 1)
	}
	response := rawtest.Answer(rawtest.Message(good), 200, "far")
	for name, c := range map[string]struct {
		b    string
		want Counts
	}{
		"good":           {good, Counts{}},
		"no SIP":         {"hello", Counts{NoSIP: 1}},
		"keep-alive":     {"\r\n\r\n", Counts{}},
		"refused":        {strings.ReplaceAll(good, source(1).String(), source(9).String()), Counts{Refused: 1}},
		"no Via":         {changed("Via:", "X:"), Counts{Malformed: 1}},
		"no To":          {changed("To:", "X:"), Counts{Malformed: 1}},
		"not to be read": {changed("CSeq: 1", "CSeq: x"), Counts{Malformed: 1}},
		"too large": {changed("Contact:", "X: "+strings.Repeat("x", maxField)+"\r\nContact:"),
			Counts{Oversized: 1}},
		"body too large":    {good + strings.Repeat("b", maxBody+1), Counts{Oversized: 1}},
		"a strange answer":  {response, Counts{Unmatched: 1}},
		"an answer to whom": {strings.Replace(response, "To:", "X:", 1), Counts{Malformed: 1}},
		"no such call":      {string(from(source(1), "BYE", "count")), Counts{Strays: 1}},
	} {
		change := func(o *Options) {
			limitedOptions(o)
			o.Accept = func(a netip.Addr) bool { return a != source(9).Addr() }
		}
		bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			at := source(1)
			if name == "refused" {
				at = source(9)
			}
			n.Send(at, victim, []byte(c.b))
			sent()
			got := e.Counts()
			dropped := got.NoSIP + got.Refused + got.Limited + got.Malformed + got.Oversized
			require.Equal(t, dropped, e.Dropped(), name)
			got.Servers, got.Queues = 0, 0
			require.Equal(t, c.want, got, name)
		})
	}
}
