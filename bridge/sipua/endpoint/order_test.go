package endpoint

import (
	"flag"
	"fmt"
	"net"
	"sync/atomic"
	"testing"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// networks runs a test over UDP on a virtual clock, and over TCP.
func networks(t *testing.T, f func(t testing.TB, network string)) {
	t.Run("udp", func(t *testing.T) { runVirtual(t, func(t *virtualTest) { f(t, "udp") }) })
	t.Run("tcp", func(t *testing.T) { f(t, "tcp") })
}

// sockets runs a test over UDP and TCP, both on kernel sockets.
func sockets(t *testing.T, f func(t *testing.T, network string)) {
	for _, network := range []string{"udp", "tcp"} {
		t.Run(network, func(t *testing.T) { f(t, network) })
	}
}

var full = flag.Bool("full", false, "2,000 pairs of messages and 20,000 mutations, instead of 500 and 5,000")

// pairs returns how many pairs are enough: if the order were left to chance, some 42 % would arrive reversed.
func pairs() int {
	switch {
	case testing.Short():
		return 200
	case *full:
		return 2000
	default:
		return 500
	}
}

// Requests are passed on in the order of arrival: pairs are sent back to back, each with its own Call-ID.
func TestRequestsInOrder(t *testing.T) {
	for _, pair := range [][2]string{{"INVITE", "CANCEL"}, {"ACK", "BYE"}, {"INFO", "BYE"}} {
		t.Run(pair[0]+" "+pair[1], func(t *testing.T) {
			sockets(t,
				func(t *testing.T, network string) { inOrder(t, network, pair) })
		})
	}
}

func inOrder(t *testing.T, network string, pair [2]string) {
	type came struct{ id, method string }
	got := make(chan came, 64) // a few; the sender waits for each pair
	e := open(t, testHandler{
		request: func(r *Request) {
			got <- came{callID(r), r.Method.String()}
			switch {
			case r.IsInvite():
			case !r.IsAck():
				r.Reply(200, "OK")
			}
		},
		cancelled: func(r *Request) {
			got <- came{callID(r), "CANCEL"}
			r.Reply(487, "Request Terminated")
		},
	})
	w := dial(t, network, e)
	inversions := 0
	for i := range pairs() {
		id := fmt.Sprintf("order-%d", i)
		first := rawtest.Request{Method: pair[0], CallID: id}
		second := rawtest.Request{Method: pair[1], CallID: id, Seq: 1}
		if pair[1] == "CANCEL" {
			first.Branch, second.Branch = id, id
		} else {
			first.ToTag, second.ToTag, second.Seq = "ours", "ours", 2
		}
		w.Send(w.Text(first))
		w.Send(w.Text(second))
		a, b := <-got, <-got
		require.Equal(t, id, a.id)
		require.Equal(t, id, b.id)
		if a.method != pair[0] || b.method != pair[1] {
			inversions++
		}
		// what the handler and the endpoint answer
		for range map[string]int{"INVITE": 2, "ACK": 1, "INFO": 2}[pair[0]] {
			w.Expect("SIP/2.0 ")
		}
		if pair[0] == "INVITE" {
			w.Send(w.Text(rawtest.Request{Method: "ACK", CallID: id, Branch: id}))
		}
	}
	require.Zero(t, inversions)
}

// Responses are passed on in the order of arrival: a 180 never after its 200.
func TestResponsesInOrder(t *testing.T) {
	sockets(t, func(t *testing.T, network string) {
		e := open(t, testHandler{})
		w, to := peer(t, network, e)
		got := make(chan int, 3) // the responses to one INVITE
		for i := range pairs() {
			id := fmt.Sprintf("answers-%d", i)
			_, err := e.Send(outgoing(sip.INVITE, id, to), func(r Response) {
				if r.Err == nil {
					got <- r.StatusCode
				}
			})
			require.NoError(t, err)
			m := w().Expect("INVITE")
			for m.Get("Call-ID") != id { // skip a retransmission, which a slow machine may cause
				m = w().Expect("INVITE")
			}
			w().Send(rawtest.Answer(m, 180, "far") + only(network == "tcp", rawtest.Answer(m, 200, "far")))
			if network == "udp" {
				w().Send(rawtest.Answer(m, 200, "far"))
			}
			require.Equal(t, 180, <-got)
			require.Equal(t, 200, <-got)
		}
	})
}

func only(yes bool, s string) string {
	if yes {
		return s
	}
	return ""
}

// peer returns a peer that listens, and its address. The function returns its peer, over TCP once the endpoint has
// connected.
func peer(t testing.TB, network string, e *Endpoint) (func() *rawtest.Peer, net.Addr) {
	if network == "udp" {
		w := listenUDP(t, e)
		return func() *rawtest.Peer { return w }, w.Conn.LocalAddr()
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	var w *rawtest.Peer
	return func() *rawtest.Peer {
		if w == nil {
			conn, err := l.Accept()
			require.NoError(t, err)
			t.Cleanup(func() { conn.Close() })
			w = rawtest.New(t, conn)
		}
		return w
	}, l.Addr()
}

// With many Call-IDs at once, the handler is never called concurrently for one of them, and no state of any is left.
func TestNeverConcurrent(t *testing.T) {
	const ids, each = 8, 50
	var inside [ids]atomic.Int32
	var count, clashes atomic.Int32
	done := make(chan struct{})
	e := open(t, testHandler{request: func(r *Request) {
		var n int
		fmt.Sscanf(callID(r), "many-%d", &n)
		if inside[n].Add(1) > 1 {
			clashes.Add(1)
		}
		r.Reply(200, "OK")
		inside[n].Add(-1)
		if count.Add(1) == ids*each {
			close(done)
		}
	}})
	w := dial(t, "tcp", e)
	for i := range ids * each {
		id := fmt.Sprintf("many-%d", i%ids)
		w.Send(w.Text(rawtest.Request{Method: "INFO", CallID: id, Branch: fmt.Sprint(i), Seq: i + 1, ToTag: "ours"}))
	}
	<-done
	require.Zero(t, clashes.Load())
	require.Eventually(t, func() bool { return e.queues.size() == 0 }, testTimeout, t1)
}
