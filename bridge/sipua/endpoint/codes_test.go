package endpoint

import (
	"net"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// Success codes are 200 to 299 (RFC 3261 section 7.2).
func TestSuccess(t *testing.T) {
	for code, want := range map[int]bool{100: false, 199: false, 200: true, 299: true, 300: false, 699: false} {
		require.Equal(t, want, success(code), code)
	}
}

// The ACK of a 300 ends its retransmissions and is absorbed, also when it is repeated. The ACK of a 299 is passed to
// the user (RFC 3261 section 17.2.1).
func TestAckByCode(t *testing.T) {
	for _, code := range []int{299, 300} {
		var l log
		var asked *Request
		h := testHandler{request: func(r *Request) {
			l.add(r.Method.String())
			if r.IsInvite() {
				asked = r
				r.Reply(code, "Whatever")
			}
		}}
		bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			invite := from(hostile, "INVITE", "code")
			n.Send(hostile, victim, invite)
			require.Len(t, sent(), 1)
			for range 2 {
				n.Send(hostile, victim, []byte(strings.ReplaceAll(string(invite), "INVITE", "ACK")))
			}
			sent()
			<-time.After(sip.T4 - 1)
			require.Empty(t, sent(), "nothing is retransmitted")
			require.Equal(t, 1, e.Counts().Servers)
			require.Equal(t, code == 300, asked.server.ackReceived, "the second ACK set no further timer")
			if code == 299 {
				require.Equal(t, []string{"INVITE", "ACK", "ACK"}, l.all())
				return
			}
			require.Equal(t, []string{"INVITE"}, l.all())
			<-time.After(1)
			sent()
			require.Zero(t, e.Counts().Servers, "after T4")
		})
	}
}

// If an INVITE of an unknown source is refused with 300, the response is sent once, and once more for each
// retransmission of the INVITE. Other responses to an unknown source are sent as to everybody: after a 2xx, a
// retransmission is absorbed (RFC 6026 section 7.1).
func TestResponsesToUnknownSourceByCode(t *testing.T) {
	for _, code := range []int{180, 299, 300} {
		for _, method := range []string{"INVITE", "OPTIONS"} {
			bubble(t, testHandler{request: func(r *Request) { r.Reply(code, "Whatever") }}, limited,
				func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
					n.Send(hostile, victim, from(hostile, method, "once"))
					<-time.After(30 * t1)
					require.Len(t, sent(), 1, "%s %d", method, code)
					n.Send(hostile, victim, from(hostile, method, "once"))
					again := sent()
					require.Equal(t, method == "INVITE" && code == 299, len(again) == 0, "%s %d", method, code)
					require.LessOrEqual(t, len(again), 1)
				})
		}
	}
}

// A second final response is not sent, whatever its code. Only a 2xx to INVITE may be sent again, with the same code
// (RFC 6026 section 7.1).
func TestSecondFinalResponse(t *testing.T) {
	for _, c := range []struct {
		method        string
		first, second int
		sent          int
	}{
		{"INVITE", 299, 299, 2}, {"INVITE", 299, 200, 1}, {"INVITE", 200, 300, 1}, {"INVITE", 300, 300, 1},
		{"INVITE", 300, 200, 1}, {"OPTIONS", 200, 200, 1}, {"OPTIONS", 300, 300, 1},
	} {
		h := testHandler{request: func(r *Request) { r.Reply(c.first, "Whatever"); r.Reply(c.second, "Whatever") }}
		bubble(t, h, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network, sent func() []endpointtest.Packet) {
			n.Send(hostile, victim, from(hostile, c.method, "second"))
			require.Len(t, sent(), c.sent, "%+v", c)
		})
	}
}

// A 300 to our INVITE is acknowledged each time. A 2xx is passed on each time. A 2xx after a 300 is not passed on, and
// neither is a 300 after a 2xx.
func TestFinalsByCode(t *testing.T) {
	for _, c := range []struct {
		method sip.RequestMethod
		codes  []int
		words  []string
		acks   int
	}{
		{sip.INVITE, []int{300, 300, 301, 200, 299}, []string{"300 far"}, 3},
		{sip.INVITE, []int{299, 299, 200, 300}, []string{"299 far", "299 far", "200 far"}, 0},
		{sip.INVITE, []int{199, 200, 180}, []string{"199 far", "200 far"}, 0},
		{sip.OPTIONS, []int{199, 200, 200}, []string{"199 far", "200 far"}, 0},
		{sip.OPTIONS, []int{300, 300}, []string{"300 far"}, 0},
	} {
		var l log
		bubble(t, testHandler{}, nil, func(t *testing.T, e *Endpoint, n *endpointtest.Network,
			sent func() []endpointtest.Packet) {
			_, err := e.Send(outgoing(c.method, "finals", net.UDPAddrFromAddrPort(hostile)), l.note)
			require.NoError(t, err)
			asked := rawtest.Message(sent()[0].Data)
			for _, code := range c.codes {
				e.take([]byte(rawtest.Answer(asked, code, "far")), origin{from: hostile, transport: "UDP"})
			}
			want := 0
			if c.method == sip.INVITE { // the transaction stays for retransmissions: 64*T1 in both cases here
				want = 1
			}
			require.Equal(t, want, e.Counts().Clients, "%+v: any other ends at once", c)
			require.Len(t, sent(), c.acks, "%+v", c)
			require.Equal(t, c.words, l.all(), "%+v", c)
			<-time.After(64*t1 - 1)
			require.Equal(t, want, e.Counts().Clients, "%+v", c)
			<-time.After(1)
			sent()
			require.Zero(t, e.Counts().Clients, "%+v", c)
		})
	}
}
