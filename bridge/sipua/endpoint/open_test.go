package endpoint

import (
	"fmt"
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// portsInTurn is a socket that claims another port each time it is asked, the last one for ever.
type portsInTurn struct {
	*endpointtest.Socket
	ports []int
	asked int
}

func (p *portsInTurn) LocalAddr() net.Addr {
	port := p.ports[min(p.asked, len(p.ports)-1)]
	p.asked++
	return &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port}
}

// A free port is bound once. If TCP cannot have the port that UDP got, another port is tried, up to 20 times. A port
// that the caller chose is tried once.
func TestBindTries(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	used := l.Addr().(*net.TCPAddr).Port
	var n endpointtest.Network
	for _, c := range []struct {
		listen string
		ports  []int
		tries  int
		opens  bool
	}{
		{"127.0.0.1:0", []int{0}, 1, true}, {"127.0.0.1:0", []int{used, used, 0}, 3, true},
		{"127.0.0.1:0", []int{used}, 20, false}, {"127.0.0.1:1", []int{used, 0}, 1, false},
		{"127.0.0.1:1", []int{0}, 1, true},
	} {
		p := &portsInTurn{Socket: n.Listen(victim), ports: c.ports}
		e, err := Open(Options{Listen: netip.MustParseAddrPort(c.listen), Packets: p, TCP: true}, testHandler{})
		require.Equal(t, c.tries, p.asked, "%+v", c)
		require.Equal(t, c.opens, err == nil, "%+v: %v", c, err)
		if err == nil {
			require.NoError(t, e.Close())
		}
	}
}

// Arrivals are known with a UDP socket of our own, and with clocks that the caller gives; with other packets they are
// not.
func TestWhoseClocks(t *testing.T) {
	// the wall clock of this machine began when it started
	clocks := func(o *Options) { o.Clocks = func() (wall, boot time.Duration) { return someRun - 1, someRun } }
	bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, _ *endpointtest.Network,
		_ func() []endpointtest.Packet) {
		require.Zero(t, e.arrivals.now())
	})
	var came Arrival
	h := testHandler{request: func(r *Request) { came = r.Arrival }}
	bubble(t, h, clocks, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, from(hostile, "OPTIONS", "came"))
		require.Empty(t, sent())
		require.Equal(t, Arrival(someRun), came, "a packet without a stamp has come now")
	})
	require.Equal(t, Arrival(someRun), open(t, testHandler{}, clocks).arrivals.now())
}

// While an endpoint closes, a message that still arrives does not reach the handler, and leaves no state.
func TestMessageWhileClosing(t *testing.T) {
	var l log
	h := testHandler{request: func(r *Request) { l.add(callID(r)) }}
	bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
		n.Send(hostile, victim, from(hostile, "OPTIONS", "before"))
		sent()
		e.closed.Store(true)
		e.t.terminate()
		for _, method := range []string{"INVITE", "OPTIONS"} {
			n.Send(hostile, victim, from(hostile, method, "after"))
		}
		<-time.After(time.Second)
		require.Empty(t, sent())
		require.Equal(t, []string{"before"}, l.all())
		require.Zero(t, e.Counts().Servers)
	})
}

// On a socket for IPv4 and IPv6, a peer has its IPv4 address, over UDP and TCP.
func TestPeerOfDualStackSocket(t *testing.T) {
	var l log
	e, err := Open(Options{Listen: netip.MustParseAddrPort("[::]:0"), UDP: true, TCP: true, Advertise: "pbx.example",
		Accept: func(a netip.Addr) bool { l.add(a.String()); return true }}, testHandler{})
	if err != nil {
		t.Skip("this system has no IPv6:", err)
	}
	defer e.Close()
	for _, network := range []string{"tcp4", "udp4"} {
		c, err := net.Dial(network, fmt.Sprintf("127.0.0.1:%d", e.Addr().Port()))
		require.NoError(t, err)
		defer c.Close()
		_, err = c.Write(from(hostile, "ACK", network))
		require.NoError(t, err)
		l.saw(t, []string{"127.0.0.1", "127.0.0.1"}[:map[string]int{"tcp4": 1, "udp4": 2}[network]]...)
	}
}
