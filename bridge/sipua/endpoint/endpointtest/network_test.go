package endpointtest

import (
	"errors"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint"
)

var (
	ours   = netip.MustParseAddrPort("192.0.2.1:5060")
	theirs = netip.MustParseAddrPort("192.0.2.2:5060")
)

var _ endpoint.Packets = (*Socket)(nil)

type nobody struct{}

func (nobody) Request(*endpoint.Request)   {}
func (nobody) Cancelled(*endpoint.Request) {}

func request(method sip.RequestMethod) *sip.Request {
	u := sip.Uri{Scheme: "sip", User: "workshop", Host: "millrace.example"}
	r, id := sip.NewRequest(method, u), sip.CallIDHeader("unanswered")
	r.AppendHeader(&sip.FromHeader{Address: u, Params: sip.HeaderParams{{K: "tag", V: "ours"}}})
	r.AppendHeader(&sip.ToHeader{Address: u})
	r.AppendHeader(&id)
	r.AppendHeader(&sip.CSeqHeader{SeqNo: 1, MethodName: method})
	r.SetTransport("UDP")
	r.SetDestination(theirs.String())
	return r
}

// A request without a response is retransmitted at the times of Timer A (INVITE: T1, doubling; RFC 3261 section
// 17.1.1.2) or Timer E (others: doubling up to T2; section 17.1.2.2), and given up after 64*T1 = 32 s. On the bubble's
// clock nothing is late, so the times are exact.
func TestRetransmission(t *testing.T) {
	ms := func(all ...int) (d []time.Duration) {
		for _, n := range all {
			d = append(d, time.Duration(n)*time.Millisecond)
		}
		return d
	}
	for method, want := range map[sip.RequestMethod][]time.Duration{
		sip.INVITE:  ms(0, 500, 1500, 3500, 7500, 15500, 31500),
		sip.OPTIONS: ms(0, 500, 1500, 3500, 7500, 11500, 15500, 19500, 23500, 27500, 31500),
	} {
		synctest.Test(t, func(t *testing.T) {
			var n Network
			e, err := endpoint.Open(endpoint.Options{Packets: n.Listen(ours)}, nobody{})
			require.NoError(t, err)
			peer := n.Listen(theirs)
			begin := time.Now()
			over := make(chan error, 1) // the one error that ends it
			_, err = e.Send(request(method), func(r endpoint.Response) { over <- r.Err })
			require.NoError(t, err)
			require.True(t, errors.Is(<-over, endpoint.ErrTimeout))
			require.Equal(t, 32*time.Second, time.Since(begin))
			var seen []time.Duration
			for _, p := range peer.Waiting() {
				seen = append(seen, p.At.Sub(begin))
				require.Contains(t, string(p.Data), string(method)+" sip:workshop@millrace.example SIP/2.0\r\n")
			}
			require.Equal(t, want, seen)
			require.NoError(t, e.Close())
		})
	}
}

// A packet arrives with the source that it was sent with. A lost packet does not arrive, and a closed socket reads
// nothing.
func TestNetwork(t *testing.T) {
	n := Network{Lose: func(p Packet) bool { return string(p.Data) == "lost" }}
	s := n.Listen(ours)
	for _, word := range []string{"one", "lost", "two"} {
		n.Send(theirs, ours, []byte(word))
	}
	b := make([]byte, 10)
	k, from, err := s.ReadFromUDPAddrPort(b)
	require.NoError(t, err)
	require.Equal(t, "one", string(b[:k]))
	require.Equal(t, theirs, from)
	require.Len(t, s.Waiting(), 1)
	require.NoError(t, s.Close())
	n.Send(theirs, ours, []byte("late"))
	_, _, err = s.ReadFromUDPAddrPort(b)
	require.Error(t, err)
	_, err = s.WriteToUDPAddrPort(b, theirs)
	require.Error(t, err)
}
