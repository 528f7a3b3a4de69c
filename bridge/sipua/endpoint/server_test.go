package endpoint

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/emiago/sipgo/sip"
	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/rawtest"
)

// An INVITE that is retransmitted over UDP reaches the handler once. The last response is sent again (RFC 3261 section
// 17.2.1).
func TestRepeatedInvite(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		var l log
		got := make(chan *Request, 1) // the INVITE
		e := open(t, testHandler{request: func(r *Request) {
			l.add(r.Method.String())
			if r.IsInvite() {
				r.Reply(180, "Ringing")
				got <- r
			}
		}})
		w := dial(t, "udp", e)
		invite := w.Text(rawtest.Request{Method: "INVITE", CallID: "repeat"})
		w.Send(invite)
		ringing := w.Expect("SIP/2.0 180")
		r := <-got
		for range 3 {
			w.Send(invite)
			require.Equal(t, ringing, w.Expect("SIP/2.0 180"))
		}
		require.NoError(t, r.Reply(486, "Busy Here"))
		busy := w.Expect("SIP/2.0 486")
		require.Equal(t, ringing.Tag(), busy.Tag())
		require.NoError(t, r.Reply(180, "Ringing"), "a provisional after the final is dropped")
		require.NoError(t, r.Reply(200, "OK"), "so is a second final one")
		require.Equal(t, busy, w.Expect("SIP/2.0 486"), "retransmitted by Timer G")
		w.Send(invite)
		require.Equal(t, busy, w.Expect("SIP/2.0 486"))
		ack := w.Text(rawtest.Request{Method: "ACK", CallID: "repeat", Branch: "repeatINVITE", ToTag: busy.Tag()})
		w.Send(ack)
		w.Send(ack)
		w.Send(w.Text(rawtest.Request{Method: "BYE", CallID: "repeat", Seq: 2})) // arrives after the ACKs; none was passed on
		l.saw(t, "INVITE", "BYE")
	})
}

// The user may send a 2xx to INVITE again until its ACK arrives. The handler gets the ACK.
func TestRepeated200(t *testing.T) {
	networks(t, func(t testing.TB, network string) {
		var l log
		got := make(chan *Request, 1) // the INVITE
		e := open(t, testHandler{request: func(r *Request) {
			l.add(r.Method.String())
			if r.IsInvite() {
				got <- r
			}
		}})
		w := dial(t, network, e)
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "answered"}))
		r := <-got
		r.To().Params.Add("tag", "ours")
		res := sip.NewResponseFromRequest(r.Request, 200, "OK", nil)
		for range 3 {
			require.NoError(t, r.Respond(res))
			require.Equal(t, "ours", w.Expect("SIP/2.0 200").Tag())
		}
		w.Send(w.Text(rawtest.Request{Method: "ACK", CallID: "answered", ToTag: "ours"}))
		// as an old peer sends it
		w.Send(w.Text(rawtest.Request{Method: "ACK", CallID: "answered", ToTag: "ours", Branch: "answeredINVITE"}))
		l.saw(t, "INVITE", "ACK", "ACK")
		require.ErrorIs(t, (&Request{Request: r.Request, Endpoint: e}).Reply(200, "OK"), errNoTransaction)
	})
}

// If the user sends nothing for 200 ms, 100 is sent (RFC 3261 section 17.2.1).
func TestTrying(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		got := make(chan *Request, 2)
		e := open(t, testHandler{request: func(r *Request) { got <- r }})
		w, other := dial(t, "udp", e), dial(t, "udp", e)
		begin := time.Now()
		w.Send(strings.Replace(w.Text(rawtest.Request{Method: "INVITE", CallID: "slow"}), w.Addr(), other.Addr(), 1))
		m := other.Expect("SIP/2.0 100")
		require.Empty(t, m.Tag())
		require.Equal(t, sip.Timer_1xx, time.Since(begin))
		require.NoError(t, (<-got).Reply(486, "Busy Here"))
		other.Expect("SIP/2.0 486")
		w.Send(w.Text(rawtest.Request{Method: "MESSAGE", CallID: "slow"}))
		w.ExpectSilence(2 * sip.Timer_1xx)
	})
}

// A CANCEL before the final response is answered 200. The handler is informed once, and exactly one final response
// follows.
func TestCancel(t *testing.T) {
	t.Parallel()
	networks(t, func(t testing.TB, network string) {
		var l log
		e := open(t, testHandler{
			request: func(r *Request) {
				l.add(r.Method.String())
				r.To().Params.Add("tag", "ours")
				r.Reply(180, "Ringing")
			},
			cancelled: func(r *Request) {
				l.add(r.Cancel.Method.String() + " of " + r.Method.String())
				r.Reply(487, "Request Terminated")
			},
		})
		w := dial(t, network, e)
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "gone", Branch: "x"}))
		w.Expect("SIP/2.0 180")
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "gone", Branch: "x"}))
		ok := w.Expect("SIP/2.0 200")
		require.Equal(t, "1 CANCEL", ok.Get("CSeq"))
		require.Equal(t, "ours", ok.Tag())
		end := w.Expect("SIP/2.0 487")
		require.Equal(t, "1 INVITE", end.Get("CSeq"))
		require.Equal(t, "ours", end.Tag())
		w.Send(w.Text(rawtest.Request{Method: "ACK", CallID: "gone", Branch: "x", ToTag: "ours"}))
		w.ExpectSilence(4 * t1)
		// a retransmission over UDP, a late CANCEL over TCP
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "gone", Branch: "x"}))
		if network == "udp" {
			w.Expect("SIP/2.0 200")
		} else {
			w.Expect("SIP/2.0 481")
		}
		l.saw(t, "INVITE", "CANCEL of INVITE")
	})
}

// A CANCEL that overtook its INVITE waits for it.
func TestCancelOvertakes(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		var l log
		e := open(t, testHandler{
			request: func(r *Request) { l.add(r.Method.String()) },
			cancelled: func(r *Request) {
				l.add("cancelled")
				r.Reply(487, "Request Terminated")
			},
		})
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "early", Branch: "x"}))
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "early", Branch: "x"}))
		w.Expect("SIP/2.0 200")
		w.Expect("SIP/2.0 487")
		l.saw(t, "INVITE", "cancelled")
		require.Zero(t, e.Counts().Cancels)
	})
}

// A CANCEL that matches no INVITE gets 481.
func TestCancelUnmatched(t *testing.T) {
	t.Parallel()
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{cancelled: func(*Request) { t.Error("cancelled") }})
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "nothing"}))
		w.Expect("SIP/2.0 481")
	})
}

// A CANCEL after the final response gets 200 and has no other effect (RFC 3261 section 9.2).
func TestCancelTooLate(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{
			request: func(r *Request) {
				if r.IsInvite() {
					r.Reply(200, "OK")
				}
			},
			cancelled: func(*Request) { t.Error("cancelled") },
		})
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "late", Branch: "x"}))
		first := w.Expect("SIP/2.0 200")
		require.Equal(t, "1 INVITE", first.Get("CSeq"))
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "late", Branch: "x"}))
		require.Equal(t, "1 CANCEL", w.Expect("SIP/2.0 200").Get("CSeq"))
		w.ExpectSilence(4 * t1)
	})
}

// A 200 may cross the CANCEL: the handler answers with it, and it is the only final response.
func TestCancelCrossed(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{cancelled: func(r *Request) {
			r.Reply(200, "OK")
			r.Reply(487, "Request Terminated")
		}})
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "crossed", Branch: "x"}))
		w.Send(w.Text(rawtest.Request{Method: "CANCEL", CallID: "crossed", Branch: "x"}))
		require.Equal(t, "1 CANCEL", w.Expect("SIP/2.0 200").Get("CSeq"))
		require.Equal(t, "1 INVITE", w.Expect("SIP/2.0 200").Get("CSeq"))
		w.ExpectSilence(4 * t1)
	})
}

// Responses go to the source of the request if its Via has rport, else to the port in the Via (RFC 3261 section 18.2.2,
// RFC 3581).
func TestResponseAddress(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{request: func(r *Request) { r.Reply(200, "OK") }})
		w, other := dial(t, "udp", e), dial(t, "udp", e)
		w.Send(strings.Replace(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "a"}), w.Addr(), other.Addr(), 1))
		require.NotContains(t, other.Expect("SIP/2.0 200").Get("Via"), "received")
		w.Send(strings.Replace(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "b"}), w.Addr(), "192.0.2.7:5060;rport", 1))
		via := w.Expect("SIP/2.0 200").Get("Via")
		_, port, _ := strings.Cut(w.Addr(), ":")
		require.Contains(t, via, "received=127.0.0.1")
		require.Contains(t, via, "rport="+port)
	})
}

// A request other than INVITE that is retransmitted over UDP reaches the handler once. Its response is sent again (RFC
// 3261 section 17.2.2).
func TestRepeatedMessage(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		var l log
		e := open(t, testHandler{request: func(r *Request) { l.add(r.Method.String()); r.Reply(200, "OK") }})
		w := dial(t, "udp", e)
		message := w.Text(rawtest.Request{Method: "MESSAGE", CallID: "again"})
		w.Send(message)
		ok := w.Expect("SIP/2.0 200")
		for range 3 {
			w.Send(message)
			require.Equal(t, ok, w.Expect("SIP/2.0 200"))
		}
		l.saw(t, "MESSAGE")
	})
}

// A stateless refusal goes to the same address as a response in a transaction.
func TestRefusalAddress(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{})
		w, other := dial(t, "udp", e), dial(t, "udp", e)
		w.Send(strings.Replace(w.Text(rawtest.Request{Method: "CANCEL", CallID: "a"}), w.Addr(), other.Addr(), 1))
		other.Expect("SIP/2.0 481")
	})
}

// A panic in the handler costs only its own request.
func TestHandlerPanics(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		e := open(t, testHandler{request: func(r *Request) {
			if r.Method == sip.OPTIONS {
				r.Reply(200, "OK")
				return
			}
			panic(errors.New("a fault"))
		}}, func(o *Options) { o.Logger = nil })
		w := dial(t, "udp", e)
		w.Send(w.Text(rawtest.Request{Method: "INVITE", CallID: "fault"}))
		w.Expect("SIP/2.0 500")
		w.Send(w.Text(rawtest.Request{Method: "ACK", CallID: "fault", Branch: "faultINVITE"}))
		w.Send(w.Text(rawtest.Request{Method: "OPTIONS", CallID: "alive"}))
		w.Expect("SIP/2.0 200")
	})
}

// Both ends of one Call-ID are on one socket: one leg of ours calls another through a proxy. There is no deadlock.
func TestBothEndsOfACallIDOnOneSocket(t *testing.T) {
	runVirtual(t, func(t *virtualTest) {
		var l log
		done := make(chan struct{})
		var e *Endpoint
		ready := make(chan struct{})
		var proxy *rawtest.Peer
		e = open(t, testHandler{request: func(r *Request) {
			<-ready
			l.add(r.Method.String())
			if !r.IsInvite() {
				return
			}
			r.Reply(180, "Ringing")
			_, err := e.Send(outgoing(sip.OPTIONS, callID(r), proxy.Conn.LocalAddr()),
				func(Response) { l.add("options answered") })
			if err != nil {
				t.Error(err)
			}
			r.Reply(200, "OK")
		}})
		proxy = listenUDP(t, e)
		close(ready)
		_, err := e.Send(outgoing(sip.INVITE, "hairpin", proxy.Conn.LocalAddr()), func(r Response) {
			if r.Err == nil && r.StatusCode == 200 {
				close(done)
			}
		})
		require.NoError(t, err)
		out := proxy.Expect("INVITE")
		// the proxy adds its Via on top and sends the request back to the same socket
		back := strings.Replace(string(out), "\r\nVia:",
			"\r\nVia: SIP/2.0/UDP "+proxy.Addr()+";branch=z9hG4bKproxy\r\nVia:", 1)
		back = strings.Replace(back, "Content-Length:", "Contact: <sip:workshop@127.0.0.1>\r\nContent-Length:", 1)
		proxy.Send(back)
		for n := 0; n < 3; {
			m := proxy.Next(testTimeout)
			switch {
			case strings.HasPrefix(m, "OPTIONS"):
				proxy.Send(rawtest.Answer(rawtest.Message(m), 200, "far"))
				n++
			case strings.HasPrefix(m, "SIP/2.0"):
				lines := strings.Split(m, "\r\n")
				var kept []string
				for _, line := range lines {
					if !strings.Contains(line, "branch=z9hG4bKproxy") {
						kept = append(kept, line)
					}
				}
				proxy.Send(strings.Join(kept, "\r\n"))
				n++
			default:
				t.Fatal("nothing arrived; the two ends wait for each other")
			}
		}
		<-done
		require.Eventually(t, func() bool { return len(l.all()) == 2 }, testTimeout, t1)
	})
}
