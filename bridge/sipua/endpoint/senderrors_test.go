package endpoint

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// failingPackets is a socket that cannot send while its failure is switched on, as if its network were down.
type failingPackets struct {
	Packets
	on atomic.Bool
}

var errNoNetwork = errors.New("network is unreachable")

func (m *failingPackets) WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error) {
	if m.on.Load() {
		return 0, errNoNetwork
	}
	return m.Packets.WriteToUDPAddrPort(b, to)
}

// newFailingPackets returns a failingPackets and a change of options that puts it between the endpoint and its socket.
func newFailingPackets() (*failingPackets, func(*Options)) {
	m := &failingPackets{}
	return m, func(o *Options) { m.Packets = o.Packets; o.Packets = m }
}

// A request that cannot be sent fails at once. The error names the destination, and no state is left.
func TestSendErrors(t *testing.T) {
	m, change := newFailingPackets()
	var asked *Request
	bubble(t, testHandler{request: func(r *Request) { asked = r }}, change,
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, from(hostile, "OPTIONS", "asked"))
			sent()
			m.on.Store(true)
			_, err := e.Send(outgoing(sip.OPTIONS, "unsent", net.UDPAddrFromAddrPort(hostile)),
				func(Response) { t.Error("the error was reported twice") })
			require.ErrorIs(t, err, errNoNetwork)
			require.ErrorContains(t, err, hostile.String())
			_, err = e.Do(t.Context(), outgoing(sip.OPTIONS, "undone", net.UDPAddrFromAddrPort(hostile)))
			require.ErrorIs(t, err, errNoNetwork)
			require.ErrorIs(t, e.Write(outgoing(sip.ACK, "unwritten", net.UDPAddrFromAddrPort(hostile))), errNoNetwork)
			require.ErrorIs(t, asked.Reply(200, "OK"), errNoNetwork)
			require.Zero(t, e.Counts().Clients)
			require.Zero(t, e.sourceLimiter.awaited.len())
			// its refusal is lost too
			n.Send(hostile, victim, []byte("OPTIONS sip:x SIP/2.0\r\nVia: SIP/2.0/UDP x;branch=z9hG4bKbad\r\n\r\n"))
			require.Empty(t, sent())
			require.ErrorContains(t, datagrams{m}.WriteMsg(outgoing(sip.ACK, "nowhere", &net.UDPAddr{Port: -1})),
				"give address and port")
		})
}

// A request whose retransmission cannot be sent fails then, with that error (RFC 3261 section 17.1.4).
func TestRetransmissionFails(t *testing.T) {
	for _, method := range []sip.RequestMethod{sip.INVITE, sip.OPTIONS} {
		m, change := newFailingPackets()
		bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			var end error
			_, err := e.Send(outgoing(method, "lost", net.UDPAddrFromAddrPort(hostile)), func(r Response) { end = r.Err })
			require.NoError(t, err)
			m.on.Store(true)
			<-time.After(t1)
			sent()
			require.ErrorIs(t, end, errNoNetwork, method)
			require.NotErrorIs(t, end, ErrTimeout)
			require.Zero(t, e.Counts().Clients)
		})
	}
}

// An INVITE whose CANCEL cannot be sent ends at once, without waiting for the timeout of the CANCEL.
func TestCancelIsNotSent(t *testing.T) {
	m, change := newFailingPackets()
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		var ends []error
		tx, err := e.Send(outgoing(sip.INVITE, "rings", net.UDPAddrFromAddrPort(hostile)), func(r Response) {
			if r.Err != nil {
				ends = append(ends, r.Err)
			}
		})
		require.NoError(t, err)
		n.Send(hostile, victim, []byte(rawtest.Answer(rawtest.Message(sent()[0].Data), 180, "far")))
		sent()
		m.on.Store(true)
		tx.Cancel()
		sent()
		require.Len(t, ends, 1)
		require.ErrorIs(t, ends[0], errNoNetwork)
		require.Zero(t, e.Counts().Clients)
		<-time.After(65 * t1)
		require.Len(t, ends, 1)
	})
}

// A request that was given up while its host name was looked up is not sent any more.
func TestGivenUpBeforeItIsSent(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		late := make(chan struct{}) // closed when the name server answers
		e.lookup = func(context.Context, string, string) ([]netip.Addr, error) {
			<-late
			return []netip.Addr{hostile.Addr()}, nil
		}
		r := outgoing(sip.OPTIONS, "slow name", net.UDPAddrFromAddrPort(hostile))
		r.SetDestination("pbx.millrace.example:5060")
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := e.Do(ctx, r)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		close(late)
		require.Empty(t, sent())
		require.Zero(t, e.Counts().Clients)
		require.Zero(t, e.sourceLimiter.awaited.len())
	})
}

// After an error no response follows, not even one that arrived at the same moment.
func TestNoResponseAfterError(t *testing.T) {
	var l log
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		tx, err := e.Send(outgoing(sip.INVITE, "crossed", net.UDPAddrFromAddrPort(hostile)), l.note)
		require.NoError(t, err)
		invite := rawtest.Message(sent()[0].Data)
		tx.fail(ErrTimeout)
		for _, code := range []int{180, 200} {
			m, err := newParser().ParseSIP([]byte(rawtest.Answer(invite, code, "far")))
			require.NoError(t, err)
			tx.receive(m.(*sip.Response)) // it was found in the table before the transaction ended
		}
		sent()
		require.Equal(t, []string{ErrTimeout.Error()}, l.all())
	})
}

// A closed endpoint accepts no messages, and does not make a connection to send a response.
func TestTakesNothingAfterClose(t *testing.T) {
	var l log
	got := make(chan *Request, 1) // the INVITE
	e := open(t, testHandler{request: func(r *Request) { l.add(callID(r)); got <- r }})
	w := dial(t, "tcp", e)
	w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "before"}))
	r := <-got
	require.NoError(t, e.Close())
	require.ErrorIs(t, r.Reply(486, "Busy Here"), ErrClosed)
	e.take(from(hostile, "INVITE", "after"), origin{from: hostile, transport: "UDP"})
	require.Equal(t, []string{"before"}, l.all())
	require.Zero(t, e.Counts().Servers)
}

// The pause after a read error does not delay Close.
func TestCloseInAPause(t *testing.T) {
	f := &failing{}
	bubble(t, testHandler{}, func(o *Options) { f.Packets = o.Packets; o.Packets = f; f.fails.Store(12) },
		func(t *testing.T, e *Endpoint, _ *endpointtest.Network, _ func() []endpointtest.Packet) {
			<-time.After(600 * time.Millisecond) // the pause of 512 ms began after 511 ms
			begin := time.Now()
			require.NoError(t, e.Close())
			require.Zero(t, time.Since(begin))
		})
}

// If no port can be bound, Open tries several times and returns the reason. A link-local address needs a zone.
func TestOpenWithoutFreePort(t *testing.T) {
	_, err := Open(Options{Listen: netip.MustParseAddrPort("[fe80::1]:0"), UDP: true}, testHandler{})
	require.ErrorContains(t, err, "fe80::1")
}

// A listener that fails for some time, as when no file descriptors are left, works again afterwards.
func TestAcceptErrors(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	require.NoError(t, e.streams.listener.SetDeadline(time.Unix(1, 0)))
	w := dial(t, "tcp", e)
	w.Send(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "waits"}))
	require.NoError(t, e.streams.listener.SetDeadline(time.Time{}))
	w.Expect("SIP/2.0 200")
}

// A source that connects is unknown until it authenticates. Its stream is closed if it exceeds the rate of an unknown
// source.
func TestRateLimitOfAcceptedConn(t *testing.T) {
	e := open(t, testHandler{}, limited)
	w := dial(t, "tcp", e)
	require.Eventually(t, func() bool { return e.Counts().Connections == 1 }, testTimeout, time.Millisecond)
	w.Send(strings.Repeat(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "many"}), 2*unknownSourceBurst))
	require.Eventually(t, func() bool { return e.Counts().Connections == 0 }, testTimeout, time.Millisecond)
	require.EqualValues(t, 1, e.Counts().Limited)
}

// There is only one connection to a peer, also while it is being made. A caller that waits for it stops waiting when
// its context ends.
func TestOneConnectionPerPeer(t *testing.T) {
	l, next := listenTCP(t)
	e := open(t, testHandler{})
	to := netip.MustParseAddrPort(l.Addr().String())
	first, err := e.streams.dial(t.Context(), to)
	require.NoError(t, err)
	next()
	second, err := e.streams.dial(t.Context(), to)
	require.NoError(t, err)
	require.Same(t, first, second)
	require.Equal(t, 1, e.Counts().Connections)
	e.streams.dialing[hostile] = &pendingDial{done: make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = e.streams.dial(ctx, hostile)
	require.ErrorIs(t, err, context.Canceled)
	require.NotNil(t, e.streams.dialing[hostile], "others still wait")
}

// A request without a connection that cannot be processed gets no answer.
func TestRefusedWithoutConnection(t *testing.T) {
	e := open(t, testHandler{})
	w := dial(t, "tcp", e)
	m := strings.Replace(w.Text(rawtest.Request{Method: "INFO", CallID: "gone"}), "Max-Forwards: 70",
		"Max-Forwards: 70\r\nMax-Forwards: 70", 1)
	// there is no such connection
	e.take([]byte(m), origin{from: netip.MustParseAddrPort("192.0.2.7:5060"), transport: "TCP"})
	require.EqualValues(t, 1, e.Counts().Malformed)
	w.ExpectSilence(t1)
}

// The library counts the users of a connection and closes it after the last one. Our connection stays, since others may
// use it.
func TestConnectionOutlivesItsUsers(t *testing.T) {
	for _, c := range []sip.Connection{&conn{}, datagrams{}} {
		require.Equal(t, 1, c.Ref(-1))
		users, err := c.TryClose()
		require.NoError(t, err)
		require.Equal(t, 1, users)
	}
	require.NoError(t, datagrams{}.Close())
}

// The end of a connection that this endpoint made is reported. The end of another one is not, nor is that by Close.
func TestDisconnected(t *testing.T) {
	l, next := listenTCP(t)
	ended := make(chan netip.AddrPort, 4) // more than there are connections
	e := open(t, testHandler{}, func(o *Options) {
		o.Disconnected = func(peer netip.AddrPort, lasted time.Duration) {
			if lasted <= 0 || lasted > testTimeout {
				t.Errorf("it lasted %v", lasted)
			}
			ended <- peer
		}
	})
	to := netip.MustParseAddrPort(l.Addr().String())
	w := dial(t, "tcp", e)
	require.Eventually(t, func() bool { return e.Connected(w.Addr()) }, testTimeout, time.Millisecond)
	require.NoError(t, w.Conn.Close())
	require.Eventually(t, func() bool { return !e.Connected(w.Addr()) }, testTimeout, time.Millisecond)
	_, err := e.streams.dial(t.Context(), to)
	require.NoError(t, err)
	peer := next()
	require.Empty(t, ended)
	require.NoError(t, peer.Conn.Close())
	require.Equal(t, to, <-ended)
	_, err = e.streams.dial(t.Context(), to)
	require.NoError(t, err)
	require.NoError(t, e.Close())
	require.Empty(t, ended)
}
