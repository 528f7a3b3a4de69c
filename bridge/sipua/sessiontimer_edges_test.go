package sipua

import (
	"net/netip"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// brief is one second of session timers in these tests.
const brief = 100 * time.Microsecond

// seconds converts seconds to that time.
func seconds(n float64) time.Duration { return time.Duration(n * float64(brief)) }

const ours1800 = "Session-Expires: 1800;refresher=uac"

// When and how a refused refresh is retried: after a 491 as in RFC 3261 section 14.1, after a 500 when the peer says.
// If UPDATE is rejected, a re-INVITE follows at once. Otherwise the retry comes at half of the remaining session (1768
// s, of which 900 s have passed).
func TestRefreshIsTriedAgain(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		session, allow string
		first          string // the method of the first refresh
		code           int
		field          string
		next           string // the method of the retry
		least, most    float64
	}{
		"491":                      {ours1800, knowsUpdate, "UPDATE", 491, "X: y", "UPDATE", 2.1, 4},
		"491 to INVITE":            {ours1800, "X: y", "INVITE", 491, "X: y", "INVITE", 2.1, 4},
		"500":                      {ours1800, knowsUpdate, "UPDATE", 500, "X: y", "UPDATE", 434, 434},
		"500 for 10 s":             {ours1800, knowsUpdate, "UPDATE", 500, "Retry-After: 10", "UPDATE", 10.1, 10.1},
		"500 for 0 s":              {ours1800, knowsUpdate, "UPDATE", 500, "Retry-After: 0", "UPDATE", 0.1, 0.1},
		"500 for longer than left": {ours1800, knowsUpdate, "UPDATE", 500, "Retry-After: 500", "UPDATE", 434, 434},
		"500 for hours": {"Session-Expires: 20000;refresher=uac", knowsUpdate, "UPDATE", 500,
			"Retry-After: 5000", "UPDATE", 3600.1, 3600.1},
		"500 for less than 0 s": {ours1800, knowsUpdate, "UPDATE", 500, "Retry-After: -1", "UPDATE", 434, 434},
		"500 for nothing":       {ours1800, knowsUpdate, "UPDATE", 500, "Retry-After: soon", "UPDATE", 434, 434},
		"403":                   {ours1800, knowsUpdate, "UPDATE", 403, "Retry-After: 10", "INVITE", 0, 0},
		"403 to INVITE":         {ours1800, "X: y", "INVITE", 403, "Retry-After: 10", "INVITE", 434, 434},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, timed(1800, brief))
				talk, _ := h.answered(c.session, "Require: timer", c.allow)
				m := h.service.Expect(c.first)
				h.service.Respond(m, c.code, "", "", c.field)
				began := time.Now()
				if c.first == "INVITE" {
					h.service.Expect("ACK")
				}
				m = h.service.Expect(c.next)
				if after := time.Since(began); after < seconds(c.least)-1 || after > seconds(c.most)+1 {
					t.Fatalf("again after %v", after)
				}
				h.service.Respond(m, 200, "", far(), c.session, "Require: timer")
				if c.next == "INVITE" {
					h.service.Expect("ACK")
				}
				h.hangUp(talk.near)
			})
		})
	}
}

// The side that did not make the call waits up to 2 s after a 491 (RFC 3261 section 14.1).
func TestRefreshOfAnArrivedCallIsTriedAgain(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), "Supported: timer",
			"Session-Expires: 1800;refresher=uas", knowsUpdate)
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		far.Established(h.service.Expect("200")).Ack("")
		h.machine.saw("1 arrived", "1 answered")
		for range 20 {
			began := time.Now()
			h.service.Respond(h.service.Expect("UPDATE"), 491, "", "")
			if after := time.Since(began); after > seconds(2) && after < seconds(900) {
				t.Fatalf("again after %v", after)
			}
		}
		h.hangUp(h.adapter.Called(inv, "near"))
	})
}

// After a 481 to a refresh by UPDATE, the call is checked by another method. The session is refreshed by another method
// at half of the remaining time.
func TestRefreshUnknownToTheService(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		c, _ := h.answered(ours1800, "Require: timer", knowsUpdate)
		h.service.Respond(h.service.Expect("UPDATE"), 481, "", "")
		began := time.Now()
		h.service.Respond(h.service.Expect("OPTIONS"), 200, "", "")
		inv := h.service.Expect("INVITE")
		if after := time.Since(began); after != seconds(434) {
			t.Fatalf("again after %v", after)
		}
		h.service.Respond(inv, 200, "", far(), ours1800, "Require: timer")
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// The peer's Allow is also read from its answer to a refresh.
func TestRefreshFollowsAllow(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		c, _ := h.answered(ours1800, "Require: timer")
		h.service.Respond(h.service.Expect("INVITE"), 200, "", far(), ours1800, "Require: timer", knowsUpdate)
		h.service.Expect("ACK")
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", "", ours1800, "Require: timer")
		h.hangUp(c.near)
	})
}

// A refresh without an answer starts a check of the call at once.
func TestRefreshTimesOut(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		c, _ := h.answered(ours1800, "Require: timer", knowsUpdate)
		h.service.Respond(h.service.Expect("UPDATE"), 408, "", "")
		began := time.Now()
		h.service.Respond(h.service.Expect("UPDATE"), 200, "", "", ours1800, "Require: timer")
		if after := time.Since(began); after != 0 {
			t.Fatalf("asked after %v", after)
		}
		h.hangUp(c.near)
	})
}

// A challenge to a refresh is answered once.
func TestRefreshChallengedTwice(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		c, _ := h.answered(ours1800, "Require: timer")
		inv := h.service.Expect("INVITE")
		for _, nonce := range []string{"n1", "n2"} {
			h.service.Respond(inv, 401, "", "",
				`WWW-Authenticate: Digest realm="pbx.example", nonce="`+nonce+`", stale=true, qop="auth"`)
			began := time.Now()
			h.service.Expect("ACK")
			inv = h.service.Expect("INVITE")
			if after := time.Since(began); (after == 0) != (nonce == "n1") {
				t.Fatalf("again after %v", after)
			}
		}
		h.service.Respond(inv, 200, "", far(), ours1800, "Require: timer")
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// A ringing re-INVITE that refreshes is not cancelled: the peer may ask a person before it accepts the same description
// again.
func TestRefreshThatRings(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, 10*time.Millisecond),
			func(_ *Options, t *times) { t.firstLivenessCheck = time.Hour })
		c, _ := h.answered(ours1800, "Require: timer")
		h.service.ExpectSilence(9*time.Second - 1)
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "", "")
		h.service.ExpectSilence(3 * time.Second) // 64*T1 is 1.6 s
		h.service.Respond(inv, 200, "", far(), ours1800, "Require: timer")
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// An arriving call supports session timers and names no interval. We set ours, and refresh. Without support we set
// none.
func TestSessionIsOfferedToTheCaller(t *testing.T) {
	t.Parallel()
	for extra, want := range map[string]string{"Supported: timer": "1800;refresher=uas", "Supported: 100rel": ""} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, timed(1800, time.Second))
			far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), extra)
			inv := h.adapter.Expect("INVITE")
			h.adapter.Respond(inv, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
			h.adapter.Expect("ACK")
			ok := h.service.Expect("200")
			is(t, ok, "Session-Expires", want)
			if want != "" {
				is(t, ok, "Require", "timer")
			}
			far.Established(ok).Ack("")
			h.machine.saw("1 arrived", "1 answered")
			h.hangUp(h.adapter.Called(inv, "near"))
		})
	}
}

// The Contact of a refresh and of its answer is the target of the next request (RFC 3261 section 12.2.1.2, RFC 3311
// section 5.1).
func TestRefreshMovesTheTarget(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief))
		c, _ := h.answered(ours1800, "Require: timer", knowsUpdate)
		h.service.Respond(h.service.Expect("UPDATE"), 299, "", "", ours1800, // RFC 3261 section 7.2: any 2xx is a success
			"Contact: <sip:moved@"+h.service.At.String()+">")
		update := h.service.Expect("UPDATE")
		contains(t, update.Start, "sip:moved@")
		h.service.Respond(update, 200, "", "")

		moved := h.join("moved", "127.0.0.1")
		near := *c.near
		near.P = moved
		near.Request("UPDATE", "")
		moved.ExpectOf("200", "UPDATE")
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		bye := moved.Expect("BYE")
		contains(t, bye.Start, "sip:moved@"+moved.At.String())
		moved.Respond(bye, 200, "", "")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()
	})
}

// While media of the peer comes, a refresh without an answer is only repeated after a second, and no check starts.
func TestRefreshUnansweredWhileMediaFlows(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, timed(1800, brief), func(o *Options, _ *times) {
			o.reception = func(supervision.CallID, media.Side) time.Time { return time.Now().Add(1) }
		})
		c, _ := h.answered(ours1800, "Require: timer", knowsUpdate)
		h.service.Respond(h.service.Expect("UPDATE"), 408, "", "")
		began := time.Now()
		again := h.service.Expect("UPDATE")
		if after := time.Since(began); after != seconds(1) {
			t.Fatalf("again after %v", after)
		}
		h.service.Respond(again, 200, "", "")
		h.hangUp(c.near)
	})
}

// brokenSocket is a socket that sends nothing while broken is set, as on a machine without a network.
type brokenSocket struct {
	endpoint.Packets
	broken *atomic.Bool
}

func (s brokenSocket) WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error) {
	if s.broken.Load() {
		return 0, syscall.ENETUNREACH
	}
	return s.Packets.WriteToUDPAddrPort(b, to)
}

// A refresh that could not even be sent is tried again, by whatever method.
func TestRefreshThatCannotBeSent(t *testing.T) {
	t.Parallel()
	for method, allow := range map[string]string{"UPDATE": knowsUpdate, "INVITE": "Allow: INVITE, ACK, BYE, CANCEL"} {
		synctest.Test(t, func(t *testing.T) {
			var broken atomic.Bool
			h := newVirtualTestBed(t, timed(1800, brief), func(o *Options, _ *times) {
				open := o.packets
				o.packets = func(at netip.AddrPort) endpoint.Packets { return brokenSocket{open(at), &broken} }
			})
			c, _ := h.answered(ours1800, "Require: timer", allow)
			broken.Store(true)
			<-time.After(seconds(901))
			broken.Store(false)
			m := h.service.Expect(method)
			var body string
			if method == "INVITE" {
				body = far()
			}
			h.service.Respond(m, 200, "", body, ours1800, "Require: timer")
			if method == "INVITE" {
				h.service.Expect("ACK")
			}
			h.hangUp(c.near)
		})
	}
}
