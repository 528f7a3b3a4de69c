package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// If the service does not answer, the log says once for each call that nobody knows whether it is still up.
func TestLostServiceIsLoggedOnceForEachCall(t *testing.T) {
	t.Parallel()
	one := still()
	core, logged := observer.New(zap.WarnLevel)
	one.line.log = zap.New(core)
	l := one.legs[media.ServiceSide]
	for range 3 {
		l.account.noteLost(l)
	}
	require.Equal(t, 1, logged.Len())
	require.EqualValues(t, 3, one.a.counts.silences.Load())
}

// A method that the service does not support is not tried again, even after a check that proved nothing. A method that
// it refused for another reason is tried again. Such a service is not lost.
func TestUnknownMethodIsAskedOnce(t *testing.T) {
	t.Parallel()
	for code, next := range map[int]string{405: "INVITE", 501: "INVITE", 500: "OPTIONS"} {
		t.Run(num(code), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, inShort)
				c := h.incoming()
				m, _ := h.questioned("OPTIONS")
				h.service.Respond(m, code, "", "")
				m, _ = h.questioned("INVITE")
				h.service.Respond(m, 500, "", "")
				h.service.Expect("ACK")
				m, after := h.questioned(next)
				if after != 2*time.Minute || h.line.accounts[0].lost() {
					t.Fatalf("asked after %v", after)
				}
				h.service.Respond(m, 200, "", far())
				if next == "INVITE" {
					h.service.Expect("ACK")
				}
				h.hangUp(c.near)
			})
		})
	}
}

// Two requests without an answer end the call if the service has answered the method of one of them before. Otherwise a
// third method is tried.
func TestSilenceOfTheFarEnd(t *testing.T) {
	t.Parallel()
	for name, methods := range map[string][]string{"trusted": {"UPDATE", "OPTIONS"},
		"not trusted": {"UPDATE", "OPTIONS", "INVITE"}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, inShort)
				h.answered(knowsUpdate)
				if name == "trusted" {
					m, _ := h.questioned("UPDATE")
					h.service.Respond(m, 299, "", "") // RFC 3261 section 7.2: any 2xx is a success
				}
				for i, method := range methods {
					if _, after := h.questioned(method); i > 0 && after != 32*time.Second {
						t.Fatalf("%s after %v", method, after)
					}
				}
				bye, _ := h.questioned("BYE")
				h.service.Respond(bye, 481, "", "")
				h.cleared("service-lost")
			})
		})
	}
}

// If there is no second method, the unanswered one is sent a second time, but no more.
func TestOnlyMethodIsAskedTwice(t *testing.T) {
	t.Parallel()
	for _, answers := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			c := h.incoming()
			m, _ := h.questioned("OPTIONS")
			h.service.Respond(m, 500, "", "")
			h.questioned("INVITE")
			m, _ = h.questioned("INVITE")
			if !answers {
				bye, _ := h.questioned("BYE")
				h.service.Respond(bye, 481, "", "")
				h.cleared("service-lost")
				return
			}
			h.service.Respond(m, 500, "", "")
			if m, after := h.questioned("OPTIONS"); after < time.Minute {
				t.Fatalf("after %v: %s", after, m)
			}
			h.hangUp(c.near)
		})
	}
}

// Media of the far end keeps the call up, whichever requests are not answered.
func TestSilenceWhileMediaComes(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) {
			o.reception = func(supervision.CallID, media.Side) time.Time { return time.Now() }
		})
		c := h.incoming()
		h.questioned("OPTIONS")
		h.questioned("INVITE")
		m, after := h.questioned("OPTIONS")
		if want := 15*time.Minute - 32*time.Second; after != want { // after the first check
			t.Fatalf("asked after %v, want %v", after, want)
		}
		h.service.Respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}

// A service answers a request outside the call. If the answer comes early enough for two more requests of the check,
// the service counts as up. If it comes later, the service may have been lost meanwhile.
func TestServiceAnswersLate(t *testing.T) {
	t.Parallel()
	for late, serves := range map[time.Duration]bool{19 * time.Second: true, 21 * time.Second: false} {
		t.Run(late.String(), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, inShort)
				c := h.incoming()
				for _, method := range []string{"OPTIONS", "INVITE"} {
					if m := h.service.Expect(method); !strings.Contains(m.Get("To"), ";tag=") {
						t.Fatalf("a check outside the call: %s", m)
					}
					began := time.Now()
					m := h.service.Expect("OPTIONS")
					lacks(t, m.Get("To"), ";tag=")
					if after := time.Since(began); after != short(4*time.Second) {
						t.Fatalf("OPTIONS outside the call came after %v", after)
					}
					<-time.After(short(late))
					h.service.Respond(m, 200, "x", "")
				}
				if serves {
					h.service.Respond(h.service.Expect("BYE"), 481, "", "")
					h.cleared("service-lost")
					return
				}
				<-time.After(short(32 * time.Second))
				if !h.line.accounts[0].lost() {
					t.Fatal("the service does not count as lost")
				}
				c.near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				h.machine.saw("1 near end cleared")
			})
		})
	}
}

// A re-INVITE of a check is cancelled after 64*T1 and counts as unanswered.
func TestQuestionByInviteIsTakenBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 405, "", "")
		inv, _ := h.questioned("INVITE")
		h.service.Respond(inv, 180, "", "")
		cancel, after := h.questioned("CANCEL")
		if after != 32*time.Second {
			t.Fatalf("after %v", after)
		}
		h.service.Respond(cancel, 200, "", "")
		h.service.Respond(inv, 487, "", "")
		m, _ = h.questioned("INVITE") // the second attempt
		h.service.Respond(m, 500, "", "")
		m, after = h.questioned("INVITE")
		if after < time.Minute {
			t.Fatalf("after %v: %s", after, m)
		}
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// A check neither refreshes a session timer that was not negotiated, nor asks for one.
func TestQuestionAsksForNoTimer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) { o.Lines[0].SessionExpires = 30 * time.Minute })
		c, _ := h.answered(knowsUpdate)
		m, _ := h.questioned("UPDATE")
		is(t, m, "Session-Expires", "")
		is(t, m, "Supported", "timer")
		h.service.Respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}

// No new check of an emergency call's ends begins while answers to the previous one are outstanding.
func TestOneLookAtATime(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		talk := h.emergency()
		c := h.agent.call(1)
		c.runInMailbox(c.checkEnds)
		c.runInMailbox(c.checkEnds)
		toAdapter, toService := h.adapter.Expect("OPTIONS"), h.service.Expect("OPTIONS")
		nothing := func() {
			h.t.Helper()
			h.adapter.ExpectSilence(time.Millisecond)
			h.service.ExpectSilence(time.Millisecond)
		}
		nothing()
		h.adapter.Respond(toAdapter, 200, "", "")
		nothing()
		c.runInMailbox(c.checkEnds) // the other end's answer is outstanding
		nothing()
		h.service.Respond(toService, 200, "", "")
		talk.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		c.runInMailbox(c.checkEnds) // while the call is being cleared
		h.service.ExpectSilence(time.Millisecond)
		h.service.Respond(bye, 200, "", "")
		h.machine.saw("1 near end cleared")
		h.done()
	})
}

// A 481 of the adapter says nothing about an emergency call that is ending for another reason.
func TestUnknownEmergencyCallThatEnds(t *testing.T) {
	t.Parallel()
	for _, byNearEnd := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t)
			core, logged := observer.New(zap.WarnLevel)
			h.line.log = zap.New(core)
			talk := h.emergency()
			h.learnt(200)
			c := h.agent.call(1)
			c.runInMailbox(c.checkEnds)
			m := h.adapter.Expect("OPTIONS")
			h.service.Respond(h.service.Expect("OPTIONS"), 200, "", "")
			if byNearEnd {
				talk.near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				h.machine.saw("1 near end cleared")
				h.adapter.Respond(m, 481, "", "")
			} else { // nothing receives reports any more
				c.post(c.abandon)
				bye := h.adapter.Expect("BYE")
				h.adapter.Respond(m, 481, "", "")
				synctest.Wait()
				h.adapter.Respond(bye, 200, "", "")
			}
			h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			h.atRest()
			require.Empty(t, h.machine.seen)
			require.Zero(t, logged.FilterMessage("one end of a call is gone").Len())
		})
	}
}

// A call that waits to be offered is not checked: it has no second leg yet.
func TestNoLookBeforeTheOffer(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, callbackWindow(time.Hour))
		h.agent.openCallbackWindow()
		h.machine.keep.Store(true)
		far := h.arrive(far(), psapMark)
		h.machine.saw("1 arrived (emergency)")
		c := h.agent.call(1)
		c.runInMailbox(c.checkEnds)
		h.adapter.ExpectSilence(time.Millisecond)
		h.service.ExpectSilence(time.Millisecond)
		far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		far.AckFailure(h.service.ExpectOf("487", "INVITE"))
		h.machine.saw("1 far end cleared: bye")
		h.atRest()
	})
}

// The 200 to the call's INVITE shows that the service answers INVITE in this dialog. After that a single 481 to a
// re-INVITE suffices.
func Test481AfterAnsweredInvite(t *testing.T) {
	t.Parallel()
	for _, outgoing := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			var c callPair
			if outgoing {
				c, _ = h.answered()
			} else {
				c = h.incoming()
			}
			m, _ := h.questioned("OPTIONS")
			h.service.Respond(m, 405, "", "")
			m, _ = h.questioned("INVITE")
			h.service.Respond(m, 481, "", "")
			if outgoing {
				bye, _ := h.questioned("BYE")
				h.service.Respond(bye, 481, "", "")
				h.cleared("service-lost")
				return
			}
			m, after := h.questioned("INVITE")
			if after != 2*time.Minute {
				t.Fatalf("asked after %v", after)
			}
			h.service.Respond(m, 200, "", far())
			h.service.Expect("ACK")
			h.hangUp(c.near)
		})
	}
}

// A request in a dialog with a CSeq number below that of the INVITE is out of order (RFC 3261 section 12.2.2).
func TestNumberBelowTheInvite(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.outgoing()
		n := c.near.Seq // the INVITE with credentials was the second one
		c.near.RequestSeq("INFO", n-1, "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.adapter.ExpectOf("500", "INFO")
		h.service.ExpectSilence(time.Millisecond)
		h.hangUp(c.near)
	})
}

// A re-INVITE of a check waits until another re-INVITE ends, however long that takes. The next check comes at its usual
// time.
func TestQuestionWaitsForAChange(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "")
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 405, "", "")
		<-time.After(short(150 * time.Second))
		h.service.Respond(inv, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.ExpectAfter("OPTIONS", "ACK")
		c.near.Ack("")
		if m, after := h.questioned("INVITE"); after > 2*time.Second {
			t.Fatalf("asked after %v", after)
		} else {
			h.service.Respond(m, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		}
		m, after := h.questioned("INVITE")
		if after > 2*time.Minute {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
		h.service.Expect("ACK")
		h.adapter.Expect("200")
		h.hangUp(c.near)
	})
}

// The service's Allow is also read from its responses.
func TestQuestionFollowsAllow(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		m, _ := h.questioned("OPTIONS")
		h.service.Respond(m, 200, "", "", knowsUpdate)
		m, _ = h.questioned("UPDATE")
		h.service.Respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}

// During an emergency call or a call-back, no call of the line is checked.
func TestNoQuestionBesideAnEmergencyCall(t *testing.T) {
	t.Parallel()
	for _, window := range []time.Duration{0, time.Hour} { // the window after it
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort, func(o *Options, t *times) {
				o.CallbackWindow,
					t.emergencyLiveness = window, time.Hour
			})
			c := h.incoming()
			near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			h.adapter.ExpectOf("100", "INVITE")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 200, "psap", far())
			h.service.Expect("ACK")
			near.Established(h.adapter.Expect("200")).Ack("")
			h.machine.saw("2 requested (emergency)", "2 answered")
			h.learnt(200)
			h.service.ExpectSilence(short(time.Hour))
			near.Request("BYE", "")
			h.adapter.ExpectOf("200", "BYE")
			h.service.Respond(h.service.Expect("BYE"), 200, "", "")
			h.machine.saw("2 near end cleared")
			if window > 0 {
				h.service.ExpectSilence(short(time.Hour))
			} else {
				m, _ := h.questioned("OPTIONS")
				h.service.Respond(m, 200, "", "")
			}
			h.hangUp(c.near)
		})
	}
}

// A lost service is back when it sends any response to an INVITE, or to a request in a call, except 408 and 503.
func TestServiceIsHeard(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		s := h.line.accounts[0]
		s.noteNoResponse()
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		if !s.lost() {
			t.Fatal("not lost")
		}
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "far", "")
		h.adapter.Expect("180")
		if s.lost() {
			t.Fatal("lost after 180")
		}
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested", "1 answered")
		for code, lost := range map[int]bool{200: false, 501: false, 503: true, 408: true} {
			s.noteNoResponse()
			near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
			h.service.Respond(h.service.Expect("INFO"), code, "", "")
			if code == 408 {
				h.adapter.ExpectOf("491", "INFO")
			} else {
				h.adapter.ExpectOf(num(code), "INFO")
			}
			if s.lost() != lost {
				t.Fatalf("%d: lost %t", code, s.lost())
			}
			if code == 408 {
				h.service.Respond(h.service.ExpectAfter("INFO", "OPTIONS"), 200, "", "")
				synctest.Wait() // until it is read
			}
		}
		s.noteNoResponse()
		c := h.agent.call(1)
		c.runInMailbox(c.legs[media.AdapterSide].probeDialog)
		h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "", "")
		if synctest.Wait(); !s.lost() {
			t.Fatal("an answer of the adapter shows nothing about the service")
		}
		h.hangUp(near)
	})
}
