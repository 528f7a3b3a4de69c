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
)

// failingPackets is a socket that cannot send while it is told so, as one whose network has gone.
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

// newFailingPackets is a change of options with the socket that it puts between.
func newFailingPackets() (*failingPackets, func(*Options)) {
	m := &failingPackets{}
	return m, func(o *Options) { m.Packets = o.Packets; o.Packets = m }
}

// What cannot be sent fails at once, says where to, and leaves nothing behind.
func TestSendErrors(t *testing.T) {
	m, change := newFailingPackets()
	var asked *Request
	bubble(t, testHandler{request: func(r *Request) { asked = r }}, change,
		func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, from(hostile, "OPTIONS", "asked"))
			sent()
			m.on.Store(true)
			_, err := e.Send(outgoing(sip.OPTIONS, "unsent", net.UDPAddrFromAddrPort(hostile)),
				func(Response) { t.Error("it was told twice") })
			require.ErrorIs(t, err, errNoNetwork)
			require.ErrorContains(t, err, hostile.String())
			_, err = e.Do(t.Context(), outgoing(sip.OPTIONS, "undone", net.UDPAddrFromAddrPort(hostile)))
			require.ErrorIs(t, err, errNoNetwork)
			require.ErrorIs(t, e.Write(outgoing(sip.ACK, "unwritten", net.UDPAddrFromAddrPort(hostile))), errNoNetwork)
			require.ErrorIs(t, asked.Reply(200, "OK"), errNoNetwork)
			require.Zero(t, e.Counts().Clients)
			require.Zero(t, e.sourceLimiter.awaited.len())
			n.Send(hostile, victim, []byte("OPTIONS sip:x SIP/2.0\r\nVia: SIP/2.0/UDP x;branch=z9hG4bKbad\r\n\r\n")) // its refusal is lost too
			require.Empty(t, sent())
			require.ErrorContains(t, datagrams{m}.WriteMsg(outgoing(sip.ACK, "nowhere", &net.UDPAddr{Port: -1})),
				"give address and port")
		})
}

// An INVITE whose CANCEL cannot be sent ends at once, and not with the time-out of the CANCEL.
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
		n.Send(hostile, victim, []byte(answer(message(sent()[0].Data), 180, "far")))
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

// What was given up while its name was looked up is not sent any more.
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

// A closed endpoint takes nothing more, and answers nothing over a connection that it would have to make.
func TestTakesNothingAfterClose(t *testing.T) {
	var l log
	got := make(chan *Request, 1) // the INVITE
	e := open(t, testHandler{request: func(r *Request) { l.add(callID(r)); got <- r }})
	w := dial(t, "tcp", e)
	w.send(w.text(request{method: "INVITE", id: "before"}))
	r := <-got
	require.NoError(t, e.Close())
	require.ErrorIs(t, r.Reply(486, "Busy Here"), ErrClosed)
	e.take(from(hostile, "INVITE", "after"), origin{from: hostile, transport: "UDP"})
	require.Equal(t, []string{"before"}, l.all())
	require.Zero(t, e.Counts().Servers)
}

// The pause after a read error does not hold up the end.
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

// A port that nobody can have is tried some times, and the reason told.
func TestOpenWithoutFreePort(t *testing.T) {
	_, err := Open(Options{Listen: netip.MustParseAddrPort("192.0.2.1:0"), UDP: true}, testHandler{})
	require.ErrorContains(t, err, "192.0.2.1")
}

// A listener that fails for a while, as when there are no descriptors left, goes on afterwards.
func TestAcceptErrors(t *testing.T) {
	e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
	require.NoError(t, e.streams.listener.SetDeadline(time.Unix(1, 0)))
	w := dial(t, "tcp", e)
	w.send(w.text(request{method: "OPTIONS", id: "waits"}))
	require.NoError(t, e.streams.listener.SetDeadline(time.Time{}))
	w.expect("SIP/2.0 200")
}

// Who connects is a stranger until he shows who he is, and his stream beyond a stranger's rate is closed.
func TestRateLimitOfAcceptedConn(t *testing.T) {
	e := open(t, testHandler{}, limited)
	w := dial(t, "tcp", e)
	require.Eventually(t, func() bool { return e.Counts().Connections == 1 }, testTimeout, time.Millisecond)
	w.send(strings.Repeat(w.text(request{method: "OPTIONS", id: "many"}), 2*unknownSourceBurst))
	require.Eventually(t, func() bool { return e.Counts().Connections == 0 }, testTimeout, time.Millisecond)
	require.EqualValues(t, 1, e.Counts().Limited)
}

// Of a connection that is there, or being made, there is no second one; who waits for it does so no longer than he
// likes.
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
	require.NotNil(t, e.streams.dialing[hostile], "others wait on")
}

// A request without a connection that cannot be taken is answered nowhere.
func TestRefusedWithoutConnection(t *testing.T) {
	e := open(t, testHandler{})
	w := dial(t, "tcp", e)
	m := strings.Replace(w.text(request{method: "INFO", id: "gone"}), "Max-Forwards: 70",
		"Max-Forwards: 70\r\nMax-Forwards: 70", 1)
	e.take([]byte(m), origin{from: netip.MustParseAddrPort("192.0.2.7:5060"), transport: "TCP"}) // no connection leads there
	require.EqualValues(t, 1, e.Counts().Malformed)
	w.quiet(t1)
}

// The library counts the users of a connection, and closes it after the last; ours stays, since others hang on it.
func TestConnectionOutlivesItsUsers(t *testing.T) {
	for _, c := range []sip.Connection{&conn{}, datagrams{}} {
		require.Equal(t, 1, c.Ref(-1))
		users, err := c.TryClose()
		require.NoError(t, err)
		require.Equal(t, 1, users)
	}
	require.NoError(t, datagrams{}.Close())
}
