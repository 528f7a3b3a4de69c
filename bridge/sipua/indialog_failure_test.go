package sipua

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// inCallRequests are the requests inside a call that pass through us, with their bodies and header fields.
var inCallRequests = map[string][]string{
	"INVITE":  {uatest.Offer("127.0.0.1", nearSDP, "sendonly")},
	"UPDATE":  {uatest.Offer("127.0.0.1", nearSDP, "sendonly")},
	"INFO":    {"Signal=5\r\n", "Content-Type: application/dtmf-relay"},
	"MESSAGE": {"the half-hour call", "Content-Type: text/plain"},
	"REFER":   {"", "Refer-To: <sip:5550151@pbx.example>"},
	"NOTIFY":  {"digit", "Event: telephone-event", "Subscription-State: active", "Content-Type: text/plain"},
}

func lifeSafety(o *Options, _ *times) { o.Lines[0].LifeSafety = true }

// endCalls are the failures that end a call or its dialog at the sender of a request (RFC 3261 section 12.2.1.2; RFC
// 5057 section 5.1, from memory).
var endCalls = []int{404, 408, 410, 416, 480, 481, 482, 483, 484, 485, 502, 604}

// No failure that would end the call at its sender passes, in either direction (SAFETY.md S135). A NOTIFY belongs to a
// subscription: 408, 480 and 481 end only that (RFC 5057 section 5.1), and other such failures become 481. The line
// protects life, so no check of ours hides which response ended a call.
func TestNoFailureEndsTheCall(t *testing.T) {
	t.Parallel()
	for method, parts := range inCallRequests {
		for _, fromNear := range []bool{true, false} {
			if !fromNear && method == "REFER" { // a service cannot refer an adapter
				continue
			}
			t.Run(method+map[bool]string{true: " of the adapter", false: " of the far end"}[fromNear], func(t *testing.T) {
				t.Parallel()
				synctest.Test(t, func(t *testing.T) {
					h := newVirtualTestBed(t, lifeSafety)
					c := h.incoming()
					sender, from, to := c.near, h.adapter, h.service
					if !fromNear {
						sender, from, to = c.far, h.service, h.adapter
					}
					codes := slices.Clone(endCalls)
					if method == "INVITE" {
						codes = append(codes, 405, 501)
					}
					for _, code := range append(codes, 403, 488, 500, 603) {
						if !fromNear && method != "NOTIFY" && (code == 408 || code == 481) {
							continue // these show that the adapter may have lost the call
						}
						want := "491"
						switch {
						case code == 403 || code == 488 || code == 500 || code == 603,
							method == "NOTIFY" && (code == 408 || code == 480):
							want = num(code)
						case method == "NOTIFY":
							want = "481"
						}
						sender.Request(method, parts[0], parts[1:]...)
						to.Respond(to.Expect(method), code, "", "")
						if method != "INVITE" {
							from.ExpectOf(want, method)
							if method == "REFER" && code == 481 { // it may concern the call to be replaced
								to.Respond(to.Expect("OPTIONS"), 481, "", "")
							}
							continue
						}
						from.Expect("100")
						to.Expect("ACK")
						sender.AckFailure(from.ExpectOf(want, method))
					}
					h.service.ExpectSilence(time.Millisecond)
					h.hangUp(c.near)
				})
			})
		}
	}
}

// A request that the other side ignores is answered while its sender still waits: the sender's time-out would end the
// call (RFC 3261 section 12.2.1.2). It began to wait before us, for 64*T1 (section 17.1.2.2). A later answer does not
// pass.
func TestIgnoredRequestIsAnsweredInTime(t *testing.T) {
	t.Parallel()
	for method, parts := range inCallRequests {
		if method == "INVITE" || method == "NOTIFY" { // 100 lets its sender wait; a time-out ends only the subscription
			continue
		}
		t.Run(method, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, inShort, lifeSafety)
				c := h.incoming()
				sent := time.Now()
				c.near.Request(method, parts[0], parts[1:]...)
				ignored := h.service.Expect(method)
				h.adapter.ExpectOf("491", method)
				if took := time.Since(sent); took <= short(24*time.Second) || took > short(28*time.Second) {
					t.Fatalf("answered after %v", took)
				}
				h.service.Respond(ignored, 200, "", uatest.Offer("127.0.0.1", farSDP, "recvonly"))
				h.adapter.ExpectSilence(short(10 * time.Second))
				h.hangUp(c.near)
			})
		})
	}
}

// An UPDATE whose answer comes too late changes nothing at its sender, so it changes nothing here either.
func TestLateAnswerToUpdate(t *testing.T) {
	t.Parallel()
	h := newTestBed(t, relaying, inShort, lifeSafety)
	c := h.incoming()
	c.near.Request("UPDATE", uatest.Offer("127.0.0.1", nearSDP+8, "sendrecv"))
	update := h.service.Expect("UPDATE")
	h.adapter.ExpectOf("491", "UPDATE")
	h.service.Respond(update, 200, "", uatest.Offer("127.0.0.1", farSDP+8, "sendrecv"))
	one := h.agent.call(1)
	eventually(t, "the late answer", func() bool {
		done := false
		one.runInMailbox(func() { done = one.legs[media.ServiceSide].forwarding == 0 })
		return done
	})
	if near, far := h.mediaOf(media.AdapterSide), h.mediaOf(media.ServiceSide); near.Port() != nearSDP ||
		far.Port() != farSDP {
		t.Fatalf("media is sent to %v and %v", near, far)
	}
	h.hangUp(c.near)
}

// A failure that would end the call elsewhere starts a check, but not after each try of the adapter.
func TestFailureStartsACheck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		first, _ := h.questioned("OPTIONS")
		h.service.Respond(first, 200, "", "")
		info := func() {
			t.Helper()
			c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
			m, _ := h.questioned("INFO")
			h.service.Respond(m, 404, "", "")
			h.adapter.ExpectOf("491", "INFO")
		}
		<-time.After(short(9 * time.Second))
		info()
		h.service.ExpectSilence(time.Millisecond)
		<-time.After(short(2 * time.Second))
		info()
		m, after := h.questioned("OPTIONS")
		if after != 0 {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 481, "", "") // it was answered with 2xx before
		bye, _ := h.questioned("BYE")
		h.service.Respond(bye, 481, "", "")
		h.cleared("service-lost")
	})
}

// A 481 comes while a check is in progress, whose answer was sent before the far end hung up. Another check follows.
func Test481DuringACheck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		old, _ := h.questioned("OPTIONS")
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		m, _ := h.questioned("INFO")
		h.service.Respond(m, 481, "", "")
		h.adapter.ExpectOf("491", "INFO")
		h.service.Respond(old, 200, "", "")
		m, after := h.questioned("OPTIONS")
		if after != time.Second {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 481, "", "")
		bye, _ := h.questioned("BYE")
		h.service.Respond(bye, 481, "", "")
		h.cleared("service-lost")
	})
}

// The service denies an emergency call in answer to the adapter's hold. The call goes on: only a BYE of the service
// ends it (SAFETY.md S22), and the adapter must not end it either.
func TestEmergencyCallIsDenied(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		n := h.request("999", near())
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		early := n.Early(h.adapter.Expect("180"))
		// while it rings
		early.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		h.service.Respond(h.service.Expect("INFO"), 481, "", "")
		h.adapter.ExpectOf("491", "INFO")
		h.service.Respond(inv, 200, "psap", far())
		h.service.Expect("ACK")
		early.Invite = n.Invite
		early.Established(h.adapter.Expect("200")).Ack("")
		for _, code := range []int{481, 408, 404} {
			early.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
			h.adapter.Expect("100")
			h.service.Respond(h.service.Expect("INVITE"), code, "", "")
			h.service.Expect("ACK")
			early.AckFailure(h.adapter.ExpectOf("491", "INVITE"))
		}
		h.service.ExpectSilence(time.Millisecond)
		h.hangUp(early, "1 requested (emergency)", "1 answered")
	})
}
