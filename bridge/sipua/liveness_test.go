package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// vanished plays a service that answers all requests outside calls. Requests in the call get code, or no answer if code
// is 0. It ends with the BYE.
func (h *testBed) vanished(code int) {
	h.t.Helper()
	for {
		m := h.service.Next()
		switch {
		case m.Is("BYE"):
			h.service.Respond(m, 481, "", "")
			return
		case m.Is("ACK"):
		case !strings.Contains(m.Get("To"), ";tag="):
			h.service.Respond(m, 200, "x", "")
		case code > 0:
			h.service.Respond(m, code, "", "")
		}
	}
}

// cleared handles the rest of a clearing without a BYE of the far end.
func (h *testBed) cleared(evidence string) {
	h.t.Helper()
	h.machine.saw("1 far end cleared: " + evidence)
	h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

func inShort(_ *Options, t *times) { *t = shortened() }

// questioned returns the next request of a check in the call and how long it took to come, unshortened.
func (h *testBed) questioned(method string) (uatest.Message, time.Duration) {
	h.t.Helper()
	began := time.Now()
	for {
		select {
		case m := <-h.service.In:
			switch {
			case !strings.Contains(m.Get("To"), ";tag="):
				h.service.Respond(m, 200, "x", "")
				continue
			case m.Is("ACK"):
				continue
			case !m.Is(method):
				h.t.Fatalf("want %s, got %s", method, m)
			}
			scale := float64(500*time.Millisecond) / float64(sip.T1)
			return m, time.Duration(float64(time.Since(began)) * scale).Round(time.Second)
		case <-time.After(short(time.Hour)):
			h.t.Fatalf("no %s", method)
		}
	}
}

// A call is checked 10 s after its answer, and then every 2 min: by UPDATE without a body if the service allows UPDATE,
// by OPTIONS, and by a re-INVITE with exactly the description that the service has (RFC 4028 section 7.4 explains why
// that changes nothing). A method that was refused in a call that is up is not tried again.
func TestLivenessRequests(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c, first := h.answered(knowsUpdate)
		for i, want := range []time.Duration{10 * time.Second, 2 * time.Minute, 2 * time.Minute} {
			m, after := h.questioned("UPDATE")
			if after != want || m.Body != "" {
				t.Fatalf("after %v: %s", after, m)
			}
			h.service.Respond(m, []int{200, 299, 202}[i], "", "") // RFC 3261 section 7.2: any 2xx is a success
		}
		m, _ := h.questioned("UPDATE")
		h.service.Respond(m, 501, "", "")
		m, after := h.questioned("OPTIONS")
		h.service.Respond(m, 403, "", "")
		m, again := h.questioned("INVITE")
		if after+again != 0 || m.Body != first.Body {
			t.Fatalf("after %v and %v: %s", after, again, m)
		}
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		m, _ = h.questioned("UPDATE") // the service has answered it before
		h.service.Respond(m, 500, "", "")
		m, _ = h.questioned("INVITE") // the service has not answered OPTIONS
		h.service.Respond(m, 200, "", far())
		h.service.Expect("ACK")
		h.hangUp(c.near)
	})
}

// On a line that protects life, in the call-back window and in an emergency call no check is made, and neither an
// answer nor the silence of a service ends the call. (TestEmergencyCallVanishes shows how an emergency call ends.)
func TestCallsWithoutLivenessChecks(t *testing.T) {
	t.Parallel()
	for name, with := range map[string]setting{
		"life safety":      func(o *Options, _ *times) { o.Lines[0].LifeSafety = true },
		"call-back":        func(o *Options, _ *times) { o.CallbackWindow = 30 * time.Minute },
		"before the start": func(o *Options, _ *times) { o.Lines[0].CallbackUntil = time.Now().Add(30 * time.Minute) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h := newVirtualTestBed(t, with, inShort, func(o *Options, t *times) { t.emergencyLiveness = time.Hour })
				if name == "call-back" {
					h.line.expectCallback()
				}
				c := h.incoming()
				<-time.After(short(time.Hour))
				h.service.ExpectNothing(h.toService)
				for _, code := range []int{481, 408} {
					c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
					h.service.Respond(h.service.Expect("INFO"), code, "", "")
					h.adapter.ExpectOf("491", "INFO")
				}
				<-time.After(short(10 * time.Minute))
				h.service.ExpectNothing(h.toService)
				h.hangUp(c.near)
			})
		})
	}
}

// The window of one line does not affect calls of another, and it ends.
func TestCallbackWindowEnds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) {
			o.CallbackUntil, o.Lines[0].CallbackUntil = time.Now().Add(time.Hour), time.Now().Add(short(10*time.Minute))
		})
		h.incoming()
		m, after := h.questioned("OPTIONS")
		if after < 10*time.Minute || after > 12*time.Minute {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 481, "", "")
		h.vanished(481)
		h.cleared("service-lost")
	})
}

// A service that answers nothing is lost, but its call is not. The call is checked 30 s after the service is back.
func TestLostServiceKeepsItsCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		back := time.Now().Add(short(time.Hour))
		for m := h.service.Next(); time.Now().Before(back); {
			if !m.Is("OPTIONS") && !m.Is("INVITE") && !m.Is("CANCEL") {
				t.Fatalf("got %s", m)
			}
			m = h.service.Next()
		}
		for inside := time.Now(); ; { // the service is back, between two checks
			m := h.service.Next()
			if strings.Contains(m.Get("To"), ";tag=") {
				inside = time.Now()
			} else if time.Since(inside) > short(40*time.Second) {
				h.service.Respond(m, 200, "x", "")
				break
			}
		}
		m, after := h.questioned("OPTIONS")
		if after != 30*time.Second {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 500, "", "")
		h.keepsSaying(200, 61*time.Minute)
		h.hangUp(c.near)
	})
}

// heardFor returns the reception of a far end whose media comes for d from began, and of an adapter whose media comes
// all the time.
func heardFor(began time.Time, d time.Duration) func(supervision.CallID, media.Side) time.Time {
	return func(_ supervision.CallID, side media.Side) time.Time {
		now, last := time.Now(), began.Add(short(d))
		if side == media.AdapterSide || now.Before(last) {
			return now
		}
		return last
	}
}

// silences returns a virtual test bed in which media of the far end comes for 20 s from the start.
func silences(t *testing.T, settings ...setting) *testBed {
	began := time.Now()
	return newVirtualTestBed(t, append(settings, inShort, func(o *Options, _ *times) {
		o.reception = heardFor(began, 20*time.Second)
	})...)
}

// keepsSaying answers every check in the call with code for the duration d.
func (h *testBed) keepsSaying(code int, d time.Duration) (asked int) {
	h.t.Helper()
	end := time.After(short(d))
	for {
		select {
		case m := <-h.service.In:
			if m.Is("BYE") {
				h.t.Fatalf("got %s", m)
			}
			h.service.Respond(m, code, "x", "")
			asked++
		case <-end:
			return asked
		}
	}
}

// Some services answer UPDATE and OPTIONS in every call with 481 (common practice). While media of the far end comes,
// only a re-INVITE decides, since it has to match the dialog (RFC 3261 section 12.2.2).
func TestUnknownToTheServiceButHeard(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, code := range []int{200, 481} {
			h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) {
				o.reception = func(supervision.CallID, media.Side) time.Time { return time.Now() }
			})
			c, _ := h.answered(knowsUpdate)
			for _, method := range []string{"UPDATE", "OPTIONS"} {
				m, _ := h.questioned(method)
				h.service.Respond(m, 481, "", "")
			}
			m, _ := h.questioned("INVITE")
			if code == 481 {
				h.service.Respond(m, 481, "", "")
				h.vanished(481)
				h.cleared("service-lost")
				continue
			}
			h.service.Respond(m, 200, "", far())
			h.service.Expect("ACK")
			h.hangUp(c.near)
		}
	})
}

// A service ignores OPTIONS outside calls. If it sends any other message meanwhile, it counts as up, and a call about
// which it sends nothing is over. If it sends nothing at all the call stays.
func TestSilentAboutOneCall(t *testing.T) {
	t.Parallel()
	for _, speaks := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			h.incoming()
			m, _ := h.questioned("OPTIONS")
			h.service.Respond(m, 200, "", "")
			over := time.After(short(10 * time.Minute))
			tick := time.NewTicker(short(5 * time.Second))
			defer tick.Stop()
			for ended := false; !ended; {
				select {
				case m := <-h.service.In:
					if ended = m.Is("BYE"); ended {
						h.service.Respond(m, 481, "", "")
					}
				case <-tick.C:
					if speaks {
						h.line.accounts[0].noteResponse()
					}
				case <-over:
					ended = true
				}
			}
			if speaks {
				h.cleared("service-lost")
			} else if len(h.machine.seen) > 0 {
				t.Fatalf("event %s", <-h.machine.seen)
			}
		})
	}
}

// The media of a far end stops. The service is asked 25 s later, and its answer decides.
func TestMediaLost(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := silences(t)
		h.incoming()
		first, _ := h.questioned("OPTIONS")
		h.service.Respond(first, 200, "", "")
		m, after := h.questioned("OPTIONS")
		if want := 35 * time.Second; after != want { // 20 s and 25 s, less the 10 s until the first check
			t.Fatalf("asked after %v, want %v", after, want)
		}
		h.service.Respond(m, 481, "", "")
		h.service.Respond(h.service.Expect("BYE"), 481, "", "")
		h.cleared("media-lost")

		h = silences(t) // the service answers that the call is up; the same silence starts no further check
		c := h.incoming()
		for _, want := range []time.Duration{10 * time.Second, 35 * time.Second, 2 * time.Minute} {
			m, after := h.questioned("OPTIONS")
			if after != want {
				t.Fatalf("asked after %v, want %v", after, want)
			}
			h.service.Respond(m, 200, "", "")
		}
		h.hangUp(c.near)
	})
}

// The service answers that the call is up, but no media of the far end comes for 5 min. This is posted as an incident
// once. It ends the call only with the user's consent. A far end that signalled a reason for its silence is not
// reported.
func TestFarEndSilent(t *testing.T) {
	t.Parallel()
	audio := func(direction string, more ...string) string {
		return uatest.Offer("127.0.0.1", farSDP, direction) + strings.Join(append(more, ""), "\r\n")
	}
	codec := func(pt, more string) string {
		return strings.Replace(audio("sendrecv", strings.Fields(more)...), "RTP/AVP 0 101", "RTP/AVP "+pt+" 101", 1)
	}
	for name, c := range map[string]struct {
		far, near string
		act       bool
		reported  time.Duration // since the start; 0: never
		with      setting
	}{
		"reported":             {far: audio("sendrecv"), reported: 320 * time.Second},
		"ended":                {far: audio("sendrecv"), reported: 320 * time.Second, act: true},
		"held by the far end":  {far: audio("sendonly"), near: audio("recvonly"), act: true},
		"held by the near end": {far: audio("sendrecv"), near: audio("sendonly"), act: true},
		"inactive":             {far: audio("inactive"), near: audio("inactive"), act: true},
		"old form of hold": {far: strings.Replace(audio("sendrecv"), "c=IN IP4 127.0.0.1",
			"c=IN IP4 0.0.0.0", 1), act: true},
		"comfort noise":                {far: codec("0 13", ""), near: codec("0 13", ""), act: true},
		"comfort noise offered by one": {far: codec("0 13", ""), near: codec("0", ""), reported: 320 * time.Second},
		"G.729":                        {far: codec("18", ""), near: codec("18", ""), act: true},
		"life safety": {far: audio("sendrecv"), act: true,
			with: func(o *Options, _ *times) { o.Lines[0].LifeSafety = true }},
		"call-back": {far: audio("sendrecv"), act: true,
			with: func(o *Options, _ *times) { o.Lines[0].CallbackUntil = time.Now().Add(24 * time.Hour) }},
		"after a call-back window": {far: audio("sendrecv"), reported: 6 * time.Minute,
			with: func(o *Options, _ *times) { o.Lines[0].CallbackUntil = time.Now().Add(short(6 * time.Minute)) }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				with := func(o *Options, times *times) {
					o.Lines[0].ActOnMediaLost = c.act
					if c.with != nil {
						c.with(o, times)
					}
				}
				began := time.Now()
				h := silences(t, with)
				if c.near == "" {
					c.near = audio("sendrecv")
				}
				far := h.arrive(c.far)
				inv := h.adapter.Expect("INVITE")
				h.adapter.Respond(inv, 200, "near", c.near)
				h.adapter.Expect("ACK")
				far.Established(h.service.Expect("200")).Ack("")
				h.machine.saw("1 arrived", "1 answered")
				near := h.adapter.Called(inv, "near")
				h.keepsSaying(200, 319*time.Second)
				if len(h.machine.seen) > 0 {
					t.Fatalf("event %s", <-h.machine.seen)
				}
				if c.reported == 0 {
					h.keepsSaying(200, time.Hour)
					h.hangUp(near)
					return
				}
				if !c.act {
					h.keepsSaying(200, c.reported-318*time.Second)
					synctest.Wait()
					if len(h.machine.seen) == 0 {
						t.Fatal("not reported in time")
					}
					h.machine.saw("1 far end silent")
					h.keepsSaying(200, 20*time.Minute)
					if len(h.machine.seen) > 0 {
						t.Fatalf("event %s", <-h.machine.seen)
					}
					h.hangUp(near)
					return
				}
				h.machine.saw("1 far end silent")
				if after := time.Since(began); after != short(c.reported) {
					t.Fatalf("reported after %v", after)
				}
				h.vanished(200)
				h.cleared("media-lost")
			})
		})
	}
}

// speaking makes media of the far end come all the time.
func speaking(o *Options, _ *times) {
	o.reception = func(supervision.CallID, media.Side) time.Time { return time.Now() }
}

// ignores plays a service that answers requests outside calls, and none in them, for the duration d. It returns how
// many requests in a call came, without retransmissions.
func (h *testBed) ignores(d time.Duration) (asked int) {
	h.t.Helper()
	seen := map[string]bool{}
	for end := time.After(short(d)); ; {
		select {
		case m := <-h.service.In:
			switch {
			case m.Is("BYE"):
				h.t.Fatalf("got %s", m)
			case !strings.Contains(m.Get("To"), ";tag="):
				h.service.Respond(m, 200, "x", "")
			case !m.Is("CANCEL"):
				seen[m.Get("CSeq")] = true
			}
		case <-end:
			return len(seen)
		}
	}
}

// A far end whose media comes is there, even if its service answers no request (by RFC 3261 section 12.2.1.2 the first
// 408 would end the call). When the media stops, the same missing answers end the call.
func TestNoEndWhileMediaFlows(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		h := newVirtualTestBed(t, inShort, func(o *Options, _ *times) { o.reception = heardFor(began, 40*time.Minute) })
		h.incoming()
		if asked := h.ignores(40 * time.Minute); asked < 4 { // OPTIONS and re-INVITE, 10 s and 15 min after the answer
			t.Fatalf("asked %d times", asked)
		}
		silent := time.Now()
		h.vanished(0)
		if took := time.Since(silent); took > short(200*time.Second) {
			t.Fatalf("ended after %v", took)
		}
		h.cleared("service-lost")
	})
}

// If a service answers no method with 2xx, every method is tried before its silence counts. Even so a far end that
// vanishes right after a check is noticed within 200 s.
func TestBoundWithoutTrust(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		h.answered(knowsUpdate)
		for _, method := range []string{"UPDATE", "OPTIONS", "INVITE"} {
			m, _ := h.questioned(method)
			h.service.Respond(m, 500, "", "")
		}
		died := time.Now()
		h.vanished(0)
		if took := time.Since(died); took > short(200*time.Second) {
			t.Errorf("ended after %v, unshortened %v", took, took*20)
		}
		h.cleared("service-lost")
	})
}

// The calls at a lost service are checked 30 s after it is back. Their regular check could come later: up to 15 min
// after the last one while media of the far end comes.
func TestAskedWhenServiceIsBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, speaking)
		c := h.incoming()
		back := time.Now().Add(short(3 * time.Minute))
		m := h.service.Next()
		for time.Now().Before(back) || strings.Contains(m.Get("To"), ";tag=") {
			m = h.service.Next()
		}
		h.service.Respond(m, 200, "x", "") // the service is back
		m, after := h.questioned("OPTIONS")
		if after != 30*time.Second {
			t.Fatalf("asked after %v", after)
		}
		h.service.Respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}
