package endpoint

import (
	"context"
	"errors"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// After Close the endpoint holds nothing. Close does not wait for a name server either.
func TestNothingIsHeldAfterClose(t *testing.T) {
	change := func(o *Options) {
		limited(o)
		o.Lookup = func(ctx context.Context, _, _ string) ([]netip.Addr, error) {
			<-ctx.Done()
			return nil, ctx.Err()
		}
	}
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
		sent func() []endpointtest.Packet) {
		e.Know(source(1).Addr())
		n.Send(source(1), victim, from(source(1), "INVITE", "known"))
		n.Send(hostile, victim, from(hostile, "INVITE", "stranger"))
		n.Send(source(1), victim, from(source(1), "CANCEL", "early"))
		var l log
		_, err := e.Send(outgoing(sip.INVITE, "asked", net.UDPAddrFromAddrPort(source(2))), l.note)
		require.NoError(t, err)
		named := outgoing(sip.OPTIONS, "named", net.UDPAddrFromAddrPort(source(2)))
		named.SetDestination("pbx.example:5060")
		_, err = e.Send(named, l.note)
		require.NoError(t, err)
		sent()
		require.Equal(t, [6]int{2, 1, 1, 0, 1, 0}, held(e.Counts()))
		begin := time.Now()
		require.NoError(t, e.Close())
		require.Zero(t, time.Since(begin))
		require.Zero(t, held(e.Counts()))
		require.Zero(t, e.t.sources.len()+e.t.reserved.len()+e.t.ordinary+e.t.waitingCancels.n+
			e.t.waitingCancels.sources.len()+e.queues.sources.len())
		require.Len(t, l.all(), 2)
		require.Contains(t, l.all(), ErrClosed.Error())
		require.NoError(t, e.Close(), "once more")
	})
}

// Close returns the error of a socket that cannot be closed.
func TestCloseSaysWhatFailed(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, _ *Endpoint, n *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		e, err := Open(Options{Packets: closesBadly{n.Listen(hostile)}, Logger: failOnErrorLog(t)}, testHandler{})
		require.NoError(t, err)
		require.ErrorIs(t, e.Close(), io.ErrClosedPipe)
		require.ErrorIs(t, e.Close(), io.ErrClosedPipe, "the second time too")
	})
}

// closesBadly is a socket whose Close fails.
type closesBadly struct{ *endpointtest.Socket }

func (c closesBadly) Close() error { return errors.Join(c.Socket.Close(), io.ErrClosedPipe) }

// A request goes to its fallback destination only over TCP, only if its destination cannot be reached, and only if the
// two differ.
func TestFallbackDestination(t *testing.T) {
	asked := 0
	change := func(o *Options) {
		o.Lookup = func(context.Context, string, string) ([]netip.Addr, error) {
			asked++
			return nil, errors.New("no such name server")
		}
	}
	bubble(t, testHandler{}, change, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		for _, c := range []struct {
			transport, elsewhere string
			asks                 int
		}{{"TCP", "other.example:5060", 2}, {"UDP", "other.example:5060", 1}, {"TCP", "", 1},
			{"TCP", "pbx.example:5060", 1}} {
			asked = 0
			req := outgoing(sip.BYE, "reach", net.UDPAddrFromAddrPort(source(1)))
			req.SetTransport(c.transport)
			req.SetDestination("pbx.example:5060")
			_, err := (&Transaction{e: e, fallback: c.elsewhere}).reach(req)
			require.Error(t, err)
			require.Equal(t, c.asks, asked, "%+v", c)
		}
	})
}

// Header fields in a Request-URI are not sent on (RFC 3261 section 19.1.1).
func TestHeadersOfRequestURI(t *testing.T) {
	var l log
	h := testHandler{request: func(r *Request) { l.add(r.Recipient.String()) }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, []byte(strings.Replace(string(from(hostile, "OPTIONS", "uri")), "@192.0.2.1 ",
			"@192.0.2.1;x=y?Subject=z ", 1)))
		sent()
		require.Equal(t, []string{"sip:stage-door@192.0.2.1;x=y"}, l.all())
	})
}

// A peer that reads nothing blocks a sender for 5 s. Then its connection is closed and no longer found: nothing can
// follow a part of a message.
func TestPeerThatTakesNothing(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		at := source(1)
		piped(e, at)
		begin := time.Now()
		req := outgoing(sip.ACK, "stuck", net.TCPAddrFromAddrPort(at))
		require.ErrorIs(t, e.streams.connTo(at).WriteMsg(req), os.ErrDeadlineExceeded)
		require.Equal(t, writeLimit, time.Since(begin))
		require.Nil(t, e.streams.connTo(at))
		require.Zero(t, e.Counts().Connections)
	})
}

// A connection that is made while the endpoint closes is closed too.
func TestNoConnectionAfterClose(t *testing.T) {
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		require.NoError(t, e.streams.close())
		ours, theirs := net.Pipe()
		require.False(t, e.streams.add(&conn{Conn: ours, e: e, peer: source(1)}))
		_, err := theirs.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
		require.Zero(t, e.streams.size())
	})
}
