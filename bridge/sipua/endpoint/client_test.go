package endpoint

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// note adds a response or an error to the log.
func (l *log) note(r Response) {
	if r.Err != nil {
		l.add(r.Err.Error())
		return
	}
	tag, _ := r.To().Params.Get("tag")
	l.add(fmt.Sprintf("%d %s", r.StatusCode, tag))
}

// Without a response, an INVITE is retransmitted at T1, 2*T1 ..., and ends with ErrTimeout at 64*T1 (RFC 3261 section
// 17.1.1.2).
func TestInviteTimeout(t *testing.T) {
	for _, method := range []sip.RequestMethod{sip.INVITE, sip.OPTIONS} {
		t.Run(string(method), func(t *testing.T) {
			runVirtual(t, func(t *virtualTest) {
				e := open(t, testHandler{})
				w := listenUDP(t, e)
				got := make(chan error, 1) // the final error
				start := time.Now()
				_, err := e.Send(outgoing(method, "silence", w.Conn.LocalAddr()), func(r Response) { got <- r.Err })
				require.NoError(t, err)
				first := w.Expect(string(method))
				require.Equal(t, first, w.Expect(string(method)))
				require.Equal(t, first, w.Expect(string(method)))
				require.Equal(t, 3*t1, time.Since(start))
				require.ErrorIs(t, <-got, ErrTimeout)
				require.Equal(t, 64*t1, time.Since(start))
				require.Zero(t, e.t.clients.len())
			})
		})
	}
}

// A 1xx stops the retransmissions and the timeout of an INVITE, even if it arrives before the library's timers run.
func TestProvisionalStops(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		var l log
		_, err := e.Send(outgoing(sip.INVITE, "ringing", w.Conn.LocalAddr()), l.note)
		require.NoError(t, err)
		m := w.Expect("INVITE")
		w.Send(rawtest.Answer(m, 180, "far"))
		l.saw(t, "180 far")
		w.ExpectSilence(66 * t1)
		l.saw(t, "180 far")
	})
}

// Every 2xx is passed on, also retransmissions and those of other forks. A 1xx after a 2xx is not.
func TestResponsesOfForks(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		var l log
		_, err := e.Send(outgoing(sip.INVITE, "forks", w.Conn.LocalAddr()), l.note)
		require.NoError(t, err)
		m := w.Expect("INVITE")
		for _, s := range []string{rawtest.Answer(m, 180, "one"), rawtest.Answer(m, 183, "two"), rawtest.Answer(m, 200, "one"),
			rawtest.Answer(m, 180, "two"), rawtest.Answer(m, 200, "two"), rawtest.Answer(m, 200, "one")} {
			w.Send(s)
		}
		l.saw(t, "180 one", "183 two", "200 one", "200 two", "200 one")
		require.Eventually(t, func() bool { e.t.mu.Lock(); defer e.t.mu.Unlock(); return e.t.clients.len() == 0 },
			testTimeout, t1, "freed after 64*T1")
		w.Send(rawtest.Answer(m, 200, "one"))
		w.ExpectSilence(2 * t1)
		l.saw(t, "180 one", "183 two", "200 one", "200 two", "200 one")
	})
}

// A non-2xx final response is acknowledged at each retransmission, and passed on once (RFC 3261 section 17.1.1.2).
func TestFailureAcked(t *testing.T) {
	networks(t, func(t testing.TB, network string) {
		e := open(t, testHandler{})
		w, to := peer(t, network, e)
		var l log
		req := outgoing(sip.INVITE, "busy", to)
		req.AppendHeader(&sip.RouteHeader{Address: sip.Uri{Scheme: "sip", Host: "proxy.example",
			UriParams: sip.HeaderParams{{K: "lr", V: ""}}}})
		_, err := e.Send(req, l.note)
		require.NoError(t, err)
		m := w().Expect("INVITE")
		w().Send(rawtest.Answer(m, 486, "far"))
		ack := w().Expect("ACK")
		require.Equal(t, m.Get("Via"), ack.Get("Via"))
		require.Equal(t, m.Get("Route"), ack.Get("Route"))
		require.Equal(t, "far", ack.Tag())
		require.Equal(t, "7 ACK", ack.Get("CSeq"))
		require.Equal(t, "0", ack.Get("Content-Length"), "mandatory on a stream (RFC 3261 section 18.3)")
		if network == "udp" {
			for range 3 {
				w().Send(rawtest.Answer(m, 486, "far"))
				require.Equal(t, ack, w().Expect("ACK"))
			}
		}
		l.saw(t, "486 far")
	})
}

// CANCEL waits for a provisional response (RFC 3261 section 9.1). It carries the INVITE's branch and Request-URI. A 200
// may cross it.
func TestCancelWaits(t *testing.T) {
	networks(t, func(t testing.TB, network string) {
		e := open(t, testHandler{})
		w, to := peer(t, network, e)
		var l log
		tx, err := e.Send(outgoing(sip.INVITE, "cancel", to), l.note)
		require.NoError(t, err)
		tx.Cancel()
		tx.Cancel()
		m := w().Expect("INVITE")
		w().Send(rawtest.Answer(m, 180, "far"))
		c := w().Expect("CANCEL sip:workshop@workshop.test SIP/2.0")
		require.Equal(t, m.Get("Via"), c.Get("Via"))
		require.Equal(t, "7 CANCEL", c.Get("CSeq"))
		require.Equal(t, "0", c.Get("Content-Length"), "mandatory on a stream (RFC 3261 section 18.3)")
		require.Empty(t, c.Tag())
		w().Send(rawtest.Answer(c, 200, "far"))
		w().Send(rawtest.Answer(m, 200, "far"))
		l.saw(t, "180 far", "200 far")
	})
}

// No CANCEL is sent for an INVITE that has ended: neither after a final response, while retransmissions of it may
// arrive, nor after a timeout.
func TestCancelAfterTheEnd(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		var l log
		tx, err := e.Send(outgoing(sip.INVITE, "answered", w.Conn.LocalAddr()), l.note)
		require.NoError(t, err)
		m := w.Expect("INVITE")
		w.Send(rawtest.Answer(m, 180, "far"))
		w.Send(rawtest.Answer(m, 200, "far"))
		l.saw(t, "180 far", "200 far")
		tx.Cancel()
		w.ExpectSilence(2 * t1)

		ended := make(chan error, 2)
		tx, err = e.Send(outgoing(sip.INVITE, "ringing", w.Conn.LocalAddr()), func(r Response) {
			if r.Err != nil {
				ended <- r.Err
			}
		})
		require.NoError(t, err)
		w.Send(rawtest.Answer(w.Expect("INVITE"), 180, "far"))
		w.ExpectSilence(t1)
		tx.fail(ErrTimeout)
		require.ErrorIs(t, <-ended, ErrTimeout)
		tx.Cancel()
		w.ExpectSilence(100 * t1)
		require.Empty(t, ended)
	})
}

// If no final response follows a CANCEL, the transaction ends with ErrTimeout after 64*T1.
func TestCancelUnanswered(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		var l log
		tx, err := e.Send(outgoing(sip.INVITE, "cancel", w.Conn.LocalAddr()), l.note)
		require.NoError(t, err)
		m := w.Expect("INVITE")
		w.Send(rawtest.Answer(m, 180, "far"))
		l.saw(t, "180 far")
		tx.Cancel()
		w.Send(rawtest.Answer(w.Expect("CANCEL"), 200, "far"))
		l.saw(t, "180 far", ErrTimeout.Error())
		w.Send(rawtest.Answer(m, 200, "far"))
		w.ExpectSilence(2 * t1)
		l.saw(t, "180 far", ErrTimeout.Error())
	})
}

// Send adds Via and Max-Forwards to its copy, and leaves the caller's request as it is.
func TestSendAdds(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		req := outgoing(sip.OPTIONS, "adds", w.Conn.LocalAddr())
		_, err := e.Send(req, func(Response) {})
		require.NoError(t, err)
		m := w.Expect("OPTIONS")
		require.True(t, strings.HasPrefix(m.Get("Via"), "SIP/2.0/UDP "+e.Addr().String()+";branch=z9hG4bK"),
			m.Get("Via"))
		require.Contains(t, m.Get("Via"), ";rport")
		require.Equal(t, "70", m.Get("Max-Forwards"))
		require.Equal(t, "0", m.Get("Content-Length"))
		require.Nil(t, req.Via())
		w.Send(rawtest.Answer(m, 200, "far"))
	})
}

// An IPv4-mapped IPv6 address is treated as the IPv4 address. A transport may be in lower case.
func TestSendToMapped(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		req := outgoing(sip.OPTIONS, "mapped", w.Conn.LocalAddr())
		req.SetDestination(strings.Replace(req.Destination(), "127.0.0.1", "[::ffff:127.0.0.1]", 1))
		req.SetTransport("udp")
		var l log
		_, err := e.Send(req, l.note)
		require.NoError(t, err)
		w.Send(rawtest.Answer(w.Expect("OPTIONS"), 200, "far"))
		l.saw(t, "200 far")
	})
}

// A message over UDP may be longer than 1300 bytes, in both directions.
func TestLongMessages(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		long := strings.Repeat("a=x-filler:0123456789\r\n", 300)
		e := open(t, testHandler{request: func(r *Request) {
			res := sip.NewResponseFromRequest(r.Request, 200, "OK", r.Body())
			if err := r.Respond(res); err != nil {
				t.Error(err)
			}
		}})
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "INFO", CallID: "long", ToTag: "ours", Body: long}))
		require.True(t, strings.HasSuffix(string(w.Expect("SIP/2.0 200")), long))
		req := outgoing(sip.INFO, "long too", w.Conn.LocalAddr())
		req.SetBody([]byte(long))
		_, err := e.Send(req, func(Response) {})
		require.NoError(t, err)
		m := w.Expect("INFO")
		require.True(t, strings.HasSuffix(string(m), long))
		w.Send(rawtest.Answer(m, 200, "far"))
	})
}

func TestDo(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		go func() {
			m := w.Expect("OPTIONS")
			w.Send(rawtest.Answer(m, 100, ""))
			w.Send(rawtest.Answer(m, 486, "far"))
		}()
		res, err := e.Do(context.Background(), outgoing(sip.OPTIONS, "do", w.Conn.LocalAddr()))
		require.NoError(t, err)
		require.Equal(t, 486, res.StatusCode)

		ctx, cancel := context.WithTimeout(context.Background(), 2*t1)
		defer cancel()
		_, err = e.Do(ctx, outgoing(sip.OPTIONS, "do nothing", w.Conn.LocalAddr()))
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.Zero(t, e.t.clients.len())
		_, err = e.Do(ctx, outgoing(sip.INVITE, "do", w.Conn.LocalAddr()))
		require.Error(t, err)
		res, err = e.Do(context.Background(), outgoing(sip.OPTIONS, "do in vain", w.Conn.LocalAddr()))
		require.ErrorIs(t, err, ErrTimeout)
		require.Nil(t, res)
	})
}

// A request that cannot be sent causes an error: from Send if that is known at once, else through on.
func TestSendFails(t *testing.T) {
	e := open(t, testHandler{}, func(o *Options) { o.UDP = false })
	udp := outgoing(sip.OPTIONS, "x", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 9})
	_, err := e.Send(udp, func(Response) {})
	require.ErrorContains(t, err, "no UDP socket")
	tls := outgoing(sip.OPTIONS, "x", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 9})
	tls.SetTransport("TLS")
	_, err = e.Send(tls, func(Response) {})
	require.ErrorContains(t, err, `transport "TLS" is not supported`)
	_, err = e.Send(sip.NewRequest(sip.OPTIONS, sip.Uri{Host: "x.test"}), func(Response) {})
	require.ErrorContains(t, err, "lacks From")

	got := make(chan error, 1) // the final error
	gone := noHandler(t)
	tx, err := e.Send(outgoing(sip.OPTIONS, "refused", gone), func(r Response) { got <- r.Err })
	require.NoError(t, err)
	require.ErrorContains(t, <-got, "refused")
	require.Equal(t, gone.String(), tx.To().String())
}

// Send looks up a host name without blocking the caller.
func TestSendToName(t *testing.T) {
	e := open(t, testHandler{})
	w := listenUDP(t, e)
	_, port, _ := net.SplitHostPort(w.Addr())
	req := outgoing(sip.OPTIONS, "name", w.Conn.LocalAddr())
	req.SetDestination("localhost:" + port)
	var l log
	_, err := e.Send(req, l.note)
	require.NoError(t, err)
	w.Send(rawtest.Answer(w.Expect("OPTIONS"), 200, "far"))
	l.saw(t, "200 far")
}

// A transaction knows the address that its request went to once the name has been looked up.
func TestDestinationOfTransaction(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		found := make(chan struct{}) // closed when the name server answers
		e := open(t, testHandler{}, func(o *Options) {
			o.Lookup = func(context.Context, string, string) ([]netip.Addr, error) {
				<-found
				return []netip.Addr{netip.MustParseAddr("::ffff:127.0.0.1")}, nil
			}
		})
		w := listenUDP(t, e)
		at := netip.MustParseAddrPort(w.Addr())
		req := outgoing(sip.OPTIONS, "named", w.Conn.LocalAddr())
		req.SetDestination(fmt.Sprintf("pbx.millrace.example:%d", at.Port()))
		tx, err := e.Send(req, func(Response) {})
		require.NoError(t, err)
		require.Equal(t, netip.AddrPort{}, tx.To())
		close(found)
		m := w.Expect("OPTIONS")
		require.Equal(t, at, tx.To())
		w.Send(rawtest.Answer(m, 200, "far"))
	})
}

// A response that matches no request of ours is dropped.
func TestStrayResponses(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		var l log
		_, err := e.Send(outgoing(sip.OPTIONS, "mine", w.Conn.LocalAddr()), l.note)
		require.NoError(t, err)
		m := w.Expect("OPTIONS")
		w.Send(strings.Replace(rawtest.Answer(m, 200, "far"), "mine", "other", 1))
		w.Send(strings.Replace(rawtest.Answer(m, 200, "far"), "z9hG4bK", "z9hG4bKx", 1))
		w.Send(strings.Replace(rawtest.Answer(m, 200, "far"), "7 OPTIONS", "7 INVITE", 1))
		w.Send("SIP/2.0 200 OK\r\n\r\n")
		w.Send(rawtest.Answer(m, 204, "far"))
		l.saw(t, "204 far")
	})
}

// Close ends pending transactions with ErrClosed.
func TestCloseEnds(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w := listenUDP(t, e)
		got := make(chan error, 1) // the final error
		_, err := e.Send(outgoing(sip.INVITE, "closing", w.Conn.LocalAddr()), func(r Response) { got <- r.Err })
		require.NoError(t, err)
		w.Expect("INVITE")
		other := dial(t, "udp", e)
		other.Send(other.Text(rawtest.Request{Method: "INVITE", CallID: "pending"}))
		other.Expect("SIP/2.0 100")
		require.NoError(t, e.Close())
		require.ErrorIs(t, <-got, ErrClosed)
		_, err = e.Send(outgoing(sip.OPTIONS, "x", w.Conn.LocalAddr()), func(Response) {})
		require.ErrorIs(t, err, ErrClosed)
		require.Zero(t, e.Counts().Clients)
	})
}
