package sipua

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
)

// cancelledQuestion returns the re-INVITE of a check that got 180 and nothing more, at the moment of its CANCEL. The
// CANCEL has no answer yet.
func (h *testBed) cancelledQuestion() uatest.Message {
	h.t.Helper()
	m, _ := h.questioned("OPTIONS")
	h.service.Respond(m, 405, "", "")
	inv, _ := h.questioned("INVITE")
	h.service.Respond(inv, 180, "", "")
	h.questioned("CANCEL")
	return inv
}

// A re-INVITE that was cancelled is in progress until its final response comes, or until 64*T1 after the CANCEL (RFC
// 3261 section 9.1). Until then we send no other (section 14.1), and the peers' own get 491 (section 14.2).
func TestQuestionWaitsForTheCancelledOne(t *testing.T) {
	t.Parallel()
	for name, ends := range map[string]func(h *testBed, inv uatest.Message, cancelled time.Time) time.Duration{
		"487": func(h *testBed, inv uatest.Message, _ time.Time) time.Duration {
			<-time.After(short(10 * time.Second))
			h.service.Respond(inv, 487, "", "")
			return 10 * time.Second
		},
		"200": func(h *testBed, inv uatest.Message, _ time.Time) time.Duration { // it crossed the CANCEL
			<-time.After(short(10 * time.Second))
			h.service.Respond(inv, 200, "", far())
			return 10 * time.Second
		},
		"401": func(h *testBed, inv uatest.Message, _ time.Time) time.Duration { // it is not sent again
			<-time.After(short(10 * time.Second))
			h.service.Respond(inv, 401, "", "", `WWW-Authenticate: Digest realm="millrace.example", nonce="n"`)
			return 10 * time.Second
		},
		"nothing": func(*testBed, uatest.Message, time.Time) time.Duration { return 32 * time.Second },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, inShort)
				c := h.incoming()
				inv := h.cancelledQuestion()
				cancelled := time.Now()
				c.near.Request("INVITE", near())
				c.near.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
				c.far.Request("INVITE", far())
				c.far.AckFailure(h.service.ExpectAfter("CANCEL", "491"))
				wait := ends(h, inv, cancelled)
				m := h.service.Next()
				for m.Is("ACK") || m.Is("CANCEL") {
					m = h.service.Next()
				}
				if after := time.Since(cancelled); !m.Is("INVITE") || after < short(wait) || after > short(wait+2*time.Second) {
					t.Fatalf("after %v: %s", after, m)
				}
				if m.Body != inv.Body {
					t.Fatalf("another offer: %s", m)
				}
				h.service.Respond(m, 200, "", far())
				h.service.Expect("ACK")
				c.near.Request("INVITE", near()) // and changes pass again
				h.adapter.Expect("100")
				h.service.Respond(h.service.Expect("INVITE"), 200, "", far())
				h.service.Expect("ACK")
				h.adapter.Expect("200")
				c.near.Ack("")
				h.hangUp(c.near)
			})
		})
	}
}

// Neither UPDATE nor OPTIONS waits for a cancelled re-INVITE. Without an offer they change nothing (RFC 3311 section
// 5.1, RFC 3261 section 11).
func TestOtherQuestionsPassACancelledOne(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) {
			o.reception = heardFor(began, time.Minute)
		})
		c, _ := h.answered(knowsUpdate)
		h.questioned("UPDATE")
		h.questioned("OPTIONS")
		inv, _ := h.questioned("INVITE")
		h.service.Respond(inv, 180, "", "")
		h.questioned("CANCEL")
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		m := h.service.ExpectAfter("CANCEL", "INFO")
		h.service.Respond(m, 481, "", "")
		h.adapter.ExpectOf("491", "INFO")
		for _, method := range []string{"UPDATE", "OPTIONS"} {
			m := h.service.ExpectAfter("CANCEL", method)
			h.service.Respond(m, 500, "", "")
		}
		h.service.Respond(inv, 487, "", "")
		m = h.service.ExpectAfter("ACK", "INVITE")
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// A refresh by re-INVITE waits for a cancelled one, in a session that does not wait.
func TestRefreshWaitsForACancelledQuestion(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) { o.Lines[0].SessionExpires = 100 * time.Second })
		c, _ := h.answered("Session-Expires: 100;refresher=uac", "Require: timer")
		answered := time.Now()
		inv := h.cancelledQuestion() // at 42 s; the refresh is due at 50 s
		<-time.After(short(20 * time.Second))
		h.service.Respond(inv, 487, "", "")
		m := h.service.Next()
		for m.Is("ACK") || m.Is("CANCEL") {
			m = h.service.Next()
		}
		if after := time.Since(answered); !m.Is("INVITE") || after < short(62*time.Second) || after > short(64*time.Second) {
			t.Fatalf("after %v: %s", after, m)
		}
		contains(t, m.Get("Session-Expires"), "100") // a check refreshes too
		h.service.Respond(m, 200, "", far(), "Session-Expires: 100;refresher=uac", "Require: timer")
		h.service.Expect("ACK")
		<-time.After(short(2 * time.Second))
		if synctest.Wait(); len(h.service.In) > 0 { // the refresh came first, and this is the check's second attempt
			h.service.Respond(h.service.Expect("INVITE"), 200, "", far(), "Session-Expires: 100;refresher=uac",
				"Require: timer")
			h.service.Expect("ACK")
		}
		h.hangUp(c.near)
	})
}

// Once a leg is being cleared or is over, a challenge to our re-INVITE is not answered: no request follows a BYE.
func TestNoQuestionAfterBye(t *testing.T) {
	t.Parallel()
	for _, ours := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			c := h.incoming()
			m, _ := h.questioned("OPTIONS")
			h.service.Respond(m, 405, "", "")
			inv, _ := h.questioned("INVITE")
			h.service.Respond(inv, 180, "", "")
			challenge := func() {
				h.service.Respond(inv, 401, "", "", `WWW-Authenticate: Digest realm="millrace.example", nonce="n"`)
				h.service.Expect("ACK")
			}
			if ours {
				c.near.Request("BYE", "")
				h.adapter.ExpectOf("200", "BYE")
				bye := h.service.Expect("BYE")
				challenge()
				h.service.ExpectSilence(time.Millisecond)
				h.service.Respond(bye, 200, "", "")
				h.machine.saw("1 near end cleared")
			} else {
				c.far.Request("BYE", "")
				h.service.ExpectOf("200", "BYE")
				h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
				challenge()
				h.service.ExpectSilence(time.Millisecond)
				h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
				h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			}
			h.atRest()
		})
	}
}

// Nor does a re-INVITE of a check follow the BYE if it waited for another offer to be answered.
func TestNoWaitingQuestionAfterBye(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		asked := h.service.Expect("OPTIONS")
		c.near.Request("UPDATE", near())
		update := h.service.Expect("UPDATE")
		h.service.Respond(asked, 405, "", "")
		c.far.Request("BYE", "")
		h.service.ExpectOf("200", "BYE")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.service.Respond(update, 200, "", far())
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.service.ExpectSilence(short(30 * time.Second))
		h.atRest()
	})
}

// A refresh by re-INVITE that gets 180 and nothing more is cancelled by Timer C (RFC 3261 section 16.6), so that it
// does not hold back every later change. The session keeps its end, and is refreshed at half of the remaining time,
// whether or not the INVITE gets its final response.
func TestRefreshIsTakenBack(t *testing.T) {
	t.Parallel()
	for _, answers := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort, func(o *Options, t *times) {
				o.Lines[0].SessionExpires = 1800 * time.Second
				t.firstLivenessCheck = time.Hour
			})
			c, _ := h.answered("Session-Expires: 1800;refresher=uac", "Require: timer")
			began := time.Now()
			inv, _ := h.questioned("INVITE")
			h.service.Respond(inv, 180, "", "")
			cancel, after := h.questioned("CANCEL")
			if after != 190*time.Second {
				t.Fatalf("cancelled after %v", after)
			}
			h.service.Respond(cancel, 200, "", "")
			if answers {
				h.service.Respond(inv, 487, "", "")
				h.service.Expect("ACK")
			} else {
				<-time.After(short(33 * time.Second))
			}
			c.near.Request("INVITE", near())
			h.adapter.Expect("100")
			h.service.Respond(h.service.Expect("INVITE"), 486, "", "")
			h.service.Expect("ACK")
			c.near.AckFailure(h.adapter.Expect("486"))
			m, _ := h.questioned("INVITE")
			// 900 + 190 + (1800 - 32 - 1090) / 2: RFC 4028 section 10 ends a session 32 s early
			if after := time.Since(began); after.Round(short(time.Second)) != short(1429*time.Second) {
				t.Fatalf("again after %v", after)
			}
			h.service.Respond(m, 200, "", far(), "Session-Expires: 1800;refresher=uac", "Require: timer")
			h.service.Expect("ACK")
			h.hangUp(c.near)
		})
	}
}

// A late response to an earlier re-INVITE does not end the wait for the cancelled one.
func TestLateResponseToAnEarlierQuestion(t *testing.T) {
	t.Parallel()
	l := still().legs[media.ServiceSide]
	l.session.cancelled = &refresh{l: l}
	(&refresh{l: l}).response(endpoint.Response{Err: endpoint.ErrTimeout}, 0)
	require.True(t, l.session.reinviteUnderWay())
	l.session.cancelled.response(endpoint.Response{Err: endpoint.ErrTimeout}, 0)
	require.False(t, l.session.reinviteUnderWay())
}

// A re-INVITE of a check that was given up does not change when the session is refreshed.
func TestCancelledQuestionKeepsTheRefresh(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) { o.Lines[0].SessionExpires = 100 * time.Second })
		c, _ := h.answered("Session-Expires: 100;refresher=uac", "Require: timer")
		answered := time.Now()
		h.service.Respond(h.cancelledQuestion(), 487, "", "") // at 42 s
		m, _ := h.questioned("INVITE")                        // the second attempt
		h.service.Respond(m, 500, "", "")
		m, _ = h.questioned("INVITE")
		if after := time.Since(answered); after != short(50*time.Second) {
			t.Fatalf("refreshed after %v, want %v", after, short(50*time.Second))
		}
		h.service.Respond(m, 200, "", far(), "Session-Expires: 100;refresher=uac", "Require: timer")
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}
