package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/supervision"
)

// vanished plays a service that answers whatever is outside of calls, and what is in the call with that code, 0 for
// silence, until it gets the BYE.
func (h *testBed) vanished(code int) {
	h.t.Helper()
	for {
		m := h.service.next()
		switch {
		case m.is("BYE"):
			h.service.respond(m, 481, "", "")
			return
		case m.is("ACK"):
		case !strings.Contains(m.get("To"), ";tag="):
			h.service.respond(m, 200, "x", "")
		case code > 0:
			h.service.respond(m, code, "", "")
		}
	}
}

// cleared takes the rest of a clearing without a BYE of the far end.
func (h *testBed) cleared(evidence string) {
	h.t.Helper()
	h.machine.saw("1 far end cleared: " + evidence)
	h.adapter.respond(h.adapter.expect("BYE"), 200, "", "")
	h.machine.saw("1 adapter leg cleared: confirmed")
	h.atRest()
}

func inShort(_ *Options, t *times) { *t = shortened() }

// questioned takes the next question in the call and tells how long it was awaited, in the times of life.
func (h *testBed) questioned(method string) (message, time.Duration) {
	h.t.Helper()
	began := time.Now()
	for {
		select {
		case m := <-h.service.in:
			switch {
			case !strings.Contains(m.get("To"), ";tag="):
				h.service.respond(m, 200, "x", "")
				continue
			case m.is("ACK"):
				continue
			case !m.is(method):
				h.t.Fatalf("want %s, got %s", method, m)
			}
			return m, time.Duration(float64(time.Since(began)) * float64(500*time.Millisecond) / float64(sip.T1)).Round(time.Second)
		case <-time.After(short(time.Hour)):
			h.t.Fatalf("no %s", method)
		}
	}
}

// A call is asked about 10 s after its answer, and every 2 min from then on: by UPDATE without a body where the service
// allows that, by OPTIONS, and by a re-INVITE with the very description that the service has (RFC 4028 section 7.4 says
// why that changes nothing). What was refused in a call that is up is not tried again.
func TestLivenessRequests(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c, first := h.answered(knowsUpdate)
		for _, want := range []time.Duration{10 * time.Second, 2 * time.Minute, 2 * time.Minute} {
			m, after := h.questioned("UPDATE")
			if after != want || m.body != "" {
				t.Fatalf("after %v: %s", after, m)
			}
			h.service.respond(m, 200, "", "")
		}
		m, _ := h.questioned("UPDATE")
		h.service.respond(m, 501, "", "")
		m, after := h.questioned("OPTIONS")
		h.service.respond(m, 403, "", "")
		m, again := h.questioned("INVITE")
		if after+again != 0 || m.body != first.body {
			t.Fatalf("after %v and %v: %s", after, again, m)
		}
		h.service.respond(m, 200, "", far())
		h.service.expect("ACK")
		m, _ = h.questioned("UPDATE") // it was answered before
		h.service.respond(m, 500, "", "")
		m, _ = h.questioned("INVITE") // OPTIONS was not
		h.service.respond(m, 200, "", far())
		h.service.expect("ACK")
		h.hangUp(c.near)
	})
}

// Nothing is asked, and nothing a service says or does not say ends a call: on a line that protects life, while the
// emergency centre may call back, and in an emergency call. (How that ends: TestEmergencyCallVanishes.)
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
				h.service.nothing(h.toService)
				for _, code := range []int{481, 408} {
					c.near.request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
					h.service.respond(h.service.expect("INFO"), code, "", "")
					h.adapter.expectOf(num(code), "INFO")
				}
				<-time.After(short(10 * time.Minute))
				h.service.nothing(h.toService)
				h.hangUp(c.near)
			})
		})
	}
}

// The window of one line spares no call of another, and ends.
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
		h.service.respond(m, 481, "", "")
		h.vanished(481)
		h.cleared("service-lost")
	})
}

// A service that answers nobody is lost, and its call with it is not: it is asked about 30 s after the service is back.
func TestLostServiceKeepsItsCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		c := h.incoming()
		back := time.Now().Add(short(time.Hour))
		for m := h.service.next(); time.Now().Before(back); {
			if !m.is("OPTIONS") && !m.is("INVITE") && !m.is("CANCEL") {
				t.Fatalf("got %s", m)
			}
			m = h.service.next()
		}
		for inside := time.Now(); ; { // it is back, between two questions
			m := h.service.next()
			if strings.Contains(m.get("To"), ";tag=") {
				inside = time.Now()
			} else if time.Since(inside) > short(40*time.Second) {
				h.service.respond(m, 200, "x", "")
				break
			}
		}
		m, after := h.questioned("OPTIONS")
		if after != 30*time.Second {
			t.Fatalf("asked after %v", after)
		}
		h.service.respond(m, 500, "", "")
		h.keepsSaying(200, 61*time.Minute)
		h.hangUp(c.near)
	})
}

// heardFor is a far end whose media comes for so long from then on, and an adapter whose media comes all the time.
func heardFor(began time.Time, d time.Duration) func(supervision.CallID, media.Side) time.Time {
	return func(_ supervision.CallID, side media.Side) time.Time {
		now, last := time.Now(), began.Add(short(d))
		if side == media.AdapterSide || now.Before(last) {
			return now
		}
		return last
	}
}

// silences is a virtual house in which media of the far end comes for 20 s from the start.
func silences(t *testing.T, settings ...setting) *testBed {
	began := time.Now()
	return newVirtualTestBed(t, append(settings, inShort, func(o *Options, _ *times) {
		o.reception = heardFor(began, 20*time.Second)
	})...)
}

// keepsSaying answers every question in the call for so long.
func (h *testBed) keepsSaying(code int, d time.Duration) (asked int) {
	h.t.Helper()
	end := time.After(short(d))
	for {
		select {
		case m := <-h.service.in:
			if m.is("BYE") {
				h.t.Fatalf("got %s", m)
			}
			h.service.respond(m, code, "x", "")
			asked++
		case <-end:
			return asked
		}
	}
}

// A service that says 481 to UPDATE and to OPTIONS in every call (common practice of some): while the far end is heard
// only the re-INVITE, which has to match the dialog (RFC 3261 section 12.2.2), decides.
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
				h.service.respond(m, 481, "", "")
			}
			m, _ := h.questioned("INVITE")
			if code == 481 {
				h.service.respond(m, 481, "", "")
				h.vanished(481)
				h.cleared("service-lost")
				continue
			}
			h.service.respond(m, 200, "", far())
			h.service.expect("ACK")
			h.hangUp(c.near)
		}
	})
}

// A service that drops OPTIONS outside of calls answers somebody all the same, if it says anything to anybody
// meanwhile: then a call about which it says nothing is over. If it says nothing at all the call stays.
func TestSilentAboutOneCall(t *testing.T) {
	t.Parallel()
	for _, speaks := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, inShort)
			h.incoming()
			m, _ := h.questioned("OPTIONS")
			h.service.respond(m, 200, "", "")
			over := time.After(short(10 * time.Minute))
			tick := time.NewTicker(short(5 * time.Second))
			defer tick.Stop()
			for ended := false; !ended; {
				select {
				case m := <-h.service.in:
					if ended = m.is("BYE"); ended {
						h.service.respond(m, 481, "", "")
					}
				case <-tick.C:
					if speaks {
						h.line.accounts[0].noteHeard()
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

// Nothing is heard of a far end that spoke before: the service is asked 25 s later, and what it says then is the
// evidence.
func TestMediaLost(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := silences(t)
		h.incoming()
		first, _ := h.questioned("OPTIONS")
		h.service.respond(first, 200, "", "")
		m, after := h.questioned("OPTIONS")
		if want := 35 * time.Second; after != want { // 20 s and 25 s, less the 10 s of the first question
			t.Fatalf("asked after %v, want %v", after, want)
		}
		h.service.respond(m, 481, "", "")
		h.service.respond(h.service.expect("BYE"), 481, "", "")
		h.cleared("media-lost")

		h = silences(t) // the service says that the call is up: it is not asked again for the same silence
		c := h.incoming()
		for _, want := range []time.Duration{10 * time.Second, 35 * time.Second, 2 * time.Minute} {
			m, after := h.questioned("OPTIONS")
			if after != want {
				t.Fatalf("asked after %v, want %v", after, want)
			}
			h.service.respond(m, 200, "", "")
		}
		h.hangUp(c.near)
	})
}

// The service says that the call is up, and nothing is heard of the far end for 5 min: that is an incident, once, and
// the end of the call by consent only. Nobody who signalled a reason for the silence is taken for gone.
func TestFarEndSilent(t *testing.T) {
	t.Parallel()
	audio := func(direction string, more ...string) string {
		return offer("127.0.0.1", farSDP, direction) + strings.Join(append(more, ""), "\r\n")
	}
	codec := func(pt, more string) string {
		return strings.Replace(audio("sendrecv", strings.Fields(more)...), "RTP/AVP 0 101", "RTP/AVP "+pt+" 101", 1)
	}
	for name, c := range map[string]struct {
		far, near   string
		act, silent bool
		with        setting
	}{
		"reported":             {far: audio("sendrecv"), silent: true},
		"ended":                {far: audio("sendrecv"), silent: true, act: true},
		"held by the far end":  {far: audio("sendonly"), near: audio("recvonly"), act: true},
		"held by the near end": {far: audio("sendrecv"), near: audio("sendonly"), act: true},
		"inactive":             {far: audio("inactive"), near: audio("inactive"), act: true},
		"old form of hold": {far: strings.Replace(audio("sendrecv"), "c=IN IP4 127.0.0.1",
			"c=IN IP4 0.0.0.0", 1), act: true},
		"comfort noise":                {far: codec("0 13", ""), near: codec("0 13", ""), act: true},
		"comfort noise offered by one": {far: codec("0 13", ""), near: codec("0", ""), silent: true},
		"G.729":                        {far: codec("18", ""), near: codec("18", ""), act: true},
		"life safety": {far: audio("sendrecv"), act: true,
			with: func(o *Options, _ *times) { o.Lines[0].LifeSafety = true }},
		"call-back": {far: audio("sendrecv"), act: true,
			with: func(o *Options, _ *times) { o.Lines[0].CallbackUntil = time.Now().Add(24 * time.Hour) }},
		"after a call-back window": {far: audio("sendrecv"), silent: true,
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
				h := silences(t, with)
				if c.near == "" {
					c.near = audio("sendrecv")
				}
				far := h.arrive(c.far)
				inv := h.adapter.expect("INVITE")
				h.adapter.respond(inv, 200, "near", c.near)
				h.adapter.expect("ACK")
				far.established(h.service.expect("200")).ack("")
				h.machine.saw("1 arrived", "1 answered")
				near := h.adapter.called(inv, "near")
				h.keepsSaying(200, 319*time.Second)
				if len(h.machine.seen) > 0 {
					t.Fatalf("event %s", <-h.machine.seen)
				}
				if !c.silent {
					h.keepsSaying(200, time.Hour)
					h.hangUp(near)
					return
				}
				if !c.act {
					h.keepsSaying(200, 2*time.Second)
					h.machine.saw("1 far end silent")
					h.keepsSaying(200, 20*time.Minute)
					if len(h.machine.seen) > 0 {
						t.Fatalf("event %s", <-h.machine.seen)
					}
					h.hangUp(near)
					return
				}
				h.machine.saw("1 far end silent")
				h.vanished(200)
				h.cleared("media-lost")
			})
		})
	}
}

// speaking is a far end whose media comes all the time.
func speaking(o *Options, _ *times) {
	o.reception = func(supervision.CallID, media.Side) time.Time { return time.Now() }
}

// ignores plays a service that answers what is outside of calls, and nothing in them, for so long. It reports how often
// it was asked in a call, repeats not counted.
func (h *testBed) ignores(d time.Duration) (asked int) {
	h.t.Helper()
	seen := map[string]bool{}
	for end := time.After(short(d)); ; {
		select {
		case m := <-h.service.in:
			switch {
			case m.is("BYE"):
				h.t.Fatalf("got %s", m)
			case !strings.Contains(m.get("To"), ";tag="):
				h.service.respond(m, 200, "x", "")
			case !m.is("CANCEL"):
				seen[m.get("CSeq")] = true
			}
		case <-end:
			return len(seen)
		}
	}
}

// A far end that is heard is there, whatever its service does not answer (RFC 3261 section 12.2.1.2 would have the call
// ended for the first 408). Once it is not heard any more the same silence ends the call.
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

// A service that says yes to no way of asking is asked in every way before its silence counts, and a far end that
// vanishes right after a question is still noticed within 200 s.
func TestBoundWithoutTrust(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort)
		h.answered(knowsUpdate)
		for _, method := range []string{"UPDATE", "OPTIONS", "INVITE"} {
			m, _ := h.questioned(method)
			h.service.respond(m, 500, "", "")
		}
		died := time.Now()
		h.vanished(0)
		if took := time.Since(died); took > short(200*time.Second) {
			t.Errorf("ended after %v, in the times of life %v", took, took*20)
		}
		h.cleared("service-lost")
	})
}

// A service that was lost is asked about its calls 30 s after it is back, and not when their turn comes: that is 15 min
// after the last question while the far end is heard.
func TestAskedWhenServiceIsBack(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, inShort, speaking)
		c := h.incoming()
		back := time.Now().Add(short(3 * time.Minute))
		m := h.service.next()
		for time.Now().Before(back) || strings.Contains(m.get("To"), ";tag=") {
			m = h.service.next()
		}
		h.service.respond(m, 200, "x", "") // it is back
		m, after := h.questioned("OPTIONS")
		if after != 30*time.Second {
			t.Fatalf("asked after %v", after)
		}
		h.service.respond(m, 200, "", "")
		h.hangUp(c.near)
	})
}
