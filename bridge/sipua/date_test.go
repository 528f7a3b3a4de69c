package sipua

import (
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"pgregory.net/rapid"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// farClock is the error of the service's clock.
type farClock time.Duration

// date returns the Date header field of a message first sent at that moment (RFC 3261 section 20.17: an rfc1123-date,
// always in GMT).
func (c farClock) date(sent time.Time) string {
	return "Date: " + sent.Add(time.Duration(c)).UTC().Format("Mon, 02 Jan 2006 15:04:05") + " GMT"
}

// A BYE took 5 s (it was lost and retransmitted). It counts as 3 to 5 s late, since Date has whole seconds, if the
// service's clock was seen to agree with ours. Otherwise its Date has no effect. A BYE that came at once is not late,
// whatever the service's clock.
func TestLateBye(t *testing.T) {
	t.Parallel()
	for name, clock := range map[string]farClock{
		"right": 0, "a little fast": farClock(time.Second), "a little slow": farClock(-900 * time.Millisecond),
		"3 s slow": farClock(-3 * time.Second), "an hour fast": farClock(time.Hour),
		"half a day slow": farClock(-12 * time.Hour),
	} {
		for _, delay := range []time.Duration{0, 5 * time.Second} {
			for _, direction := range []string{"incoming", "outgoing"} {
				t.Run(name+" "+direction+" "+delay.String(), func(t *testing.T) {
					t.Parallel()
					synctest.Test(t, func(t *testing.T) {
						h := newVirtualTestBed(t, quickDateCheck)
						var far *uatest.Dialog
						if direction == "incoming" {
							far = h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), clock.date(time.Now()))
							h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "near",
								uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
							h.adapter.Expect("ACK")
							far.Established(h.service.Expect("200")).Ack("")
							h.machine.saw("1 arrived", "1 answered")
						} else {
							near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
							inv := h.service.Expect("INVITE")
							h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"),
								clock.date(time.Now()))
							h.service.Expect("ACK")
							near.Established(h.adapter.Expect("200")).Ack("")
							h.machine.saw("1 requested", "1 answered")
							far = h.service.Called(inv, "far")
						}
						far.Request("BYE", "", clock.date(time.Now().Add(-delay)))
						h.service.ExpectOf("200", "BYE")
						if time.Duration(clock).Abs() > clocksAgree {
							h.machine.late(0)
							return
						}
						h.machine.late(delay)
					})
				})
			}
		}
	}
}

// quickDateCheck shortens the wait for answers at the end of a test.
func quickDateCheck(_ *Options, t *times) { t.closeTimeout = 10 * time.Millisecond }

// late takes a far-end clearing and compares its Late.
func (d *machineStandIn) late(delay time.Duration) {
	d.t.Helper()
	select {
	case late := <-d.lates:
		if least := max(0, delay-2*time.Second); late < least || late > delay || delay > 0 && late == 0 {
			d.t.Errorf("%v late, sent %v ago", late, delay)
		}
	case <-time.After(testTimeout):
		d.t.Fatal("no far-end clearing")
	}
}

// Without an earlier Date, or after a clock was set during the call, Late is 0.
func TestLateByeWithoutUsableDate(t *testing.T) {
	t.Parallel()
	type dates struct{ earlier, bye string }
	cases := func(now time.Time) map[string]dates {
		return map[string]dates{
			"no date before": {"", farClock(0).date(now.Add(-5 * time.Second))},
			"no date":        {farClock(0).date(now), ""},
			"wrong all the time": {farClock(-10 * time.Second).date(now),
				farClock(-10 * time.Second).date(now.Add(-10 * time.Second))},
			"no date that is one": {farClock(0).date(now), "Date: five seconds ago"},
			"another zone": {farClock(0).date(now), "Date: " +
				now.UTC().Add(-5*time.Second).Format("Mon, 02 Jan 2006 15:04:05") + " +0000"},
			"the clock was set":    {farClock(time.Hour).date(now), farClock(0).date(now)},
			"the clock was set up": {farClock(0).date(now), farClock(time.Hour).date(now)},
			"longer than a repeat": {farClock(0).date(now), farClock(0).date(now.Add(-40 * time.Second))},
		}
	}
	for name := range cases(time.Now()) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				h, c := newVirtualTestBed(t, quickDateCheck), cases(time.Now())[name]
				var dates []string
				if c.earlier != "" {
					dates = append(dates, c.earlier)
				}
				far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), dates...)
				h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
				h.adapter.Expect("ACK")
				far.Established(h.service.Expect("200")).Ack("")
				dates = nil
				if c.bye != "" {
					dates = append(dates, c.bye)
				}
				far.Request("BYE", "", dates...)
				h.service.ExpectOf("200", "BYE")
				h.machine.late(0)
			})
		})
	}
}

// The first message may have been the slow one. A later message shows the shortest transmission.
func TestClockOffsetByTheQuickestMessage(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		clock := farClock(0)
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"), clock.date(time.Now().Add(-20*time.Second)))
		h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		far.Established(h.service.Expect("200")).Ack("")
		far.Request("INFO", "", clock.date(time.Now()))
		h.adapter.Respond(h.adapter.Expect("INFO"), 200, "", "")
		h.service.ExpectOf("200", "INFO")
		far.Request("BYE", "", clock.date(time.Now().Add(-5*time.Second)))
		h.service.ExpectOf("200", "BYE")
		h.machine.late(5 * time.Second)
	})
}

// If media of the far end comes after the time at which its BYE says that it hung up, the Date has no effect.
func TestLateByeAfterSound(t *testing.T) {
	t.Parallel()
	for _, speaks := range []bool{true, false} {
		h := newTestBed(t, relaying, quickDateCheck)
		far := uatest.New(t, "voice")
		d := h.arrive(uatest.Offer("127.0.0.1", int(far.At.Port()), "sendrecv"), farClock(0).date(time.Now()))
		h.adapter.Respond(h.adapter.Expect("INVITE"), 200, "near", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		h.adapter.Expect("ACK")
		ok := h.service.Expect("200")
		d.Established(ok).Ack("")
		if speaks {
			voice(t, far, netip.MustParseAddrPort("127.0.0.1:"+port(ok.Body)), 5)
			c := h.agent.call(1)
			eventually(t, "the far end's media", func() bool {
				heard := false
				return c.runInMailbox(func() { heard = !c.path.lastHeard(media.ServiceSide).IsZero() }) && heard
			})
		}
		d.Request("BYE", "", farClock(0).date(time.Now().Add(-10*time.Second)))
		h.service.ExpectOf("200", "BYE")
		if speaks {
			h.machine.late(0)
		} else {
			h.machine.late(10 * time.Second)
		}
	}
}

// Only a Date of the party that hangs up shows whether its clock is right. A proxy's 100 or another fork's 180 does
// not.
func TestDateOfAnotherSender(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, quickDateCheck)
		near := h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "", farClock(0).date(time.Now()))
		h.service.Respond(inv, 180, "other", "", farClock(0).date(time.Now()))
		h.adapter.Expect("180")
		h.service.Respond(inv, 200, "far", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.service.Called(inv, "far").Request("BYE", "", farClock(0).date(time.Now().Add(-10*time.Second)))
		h.service.ExpectOf("200", "BYE")
		h.machine.late(0)
	})
}

// A service that answers with thousands of tags does not fill the memory.
func TestClockOffsetsAreBounded(t *testing.T) {
	t.Parallel()
	var d clockOffset
	at := time.Unix(1_800_000_000, 0)
	for i := range 1000 {
		d.learn(dated(num(i), farClock(0), at), at)
	}
	if n := len(d.least); n != maxForks {
		t.Errorf("%d peers", n)
	}
}

// dated returns a request of the peer with this tag.
func dated(tag string, clock farClock, sent time.Time) sip.Message {
	m := sip.NewRequest(sip.INFO, sip.Uri{Scheme: "sip", Host: "pbx.example"})
	m.AppendHeader(&sip.FromHeader{Params: sip.HeaderParams{{K: "tag", V: tag}}})
	m.AppendHeader(sip.NewHeader("Date", clock.date(sent)[len("Date: "):]))
	return m
}

// late never exceeds the true delay. It is less by at most two seconds plus the shortest transmission among the
// messages whose clock agreed, whatever the difference of the clocks and the earlier delays. It is 0 if no clock
// agreed.
func TestClockOffset(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		duration := func(name string, low, high time.Duration) time.Duration {
			part := (high - low) / 8 // a plain range yields mostly small numbers
			return low + time.Duration(rapid.Int64Range(0, 7).Draw(t, name))*part +
				time.Duration(rapid.Int64Range(0, int64(part)).Draw(t, name))
		}
		apart := []time.Duration{0, 0, 0, 3 * time.Second, 48 * time.Hour}[rapid.IntRange(0, 4).Draw(t, "apart")]
		clock := farClock(duration("clock", -apart-2*time.Second, apart+2*time.Second))
		at := time.Unix(1_800_000_000, 0).Add(duration("begin", 0, time.Second))
		message := func(delay time.Duration) sip.Message { return dated("far", clock, at.Add(-delay)) }
		var d clockOffset
		const none = time.Duration(1 << 62)
		quickest := none
		for range rapid.IntRange(1, 5).Draw(t, "messages") {
			delay := duration("delay", 0, 4*time.Second)
			shown := at.Add(time.Duration(clock) - delay).Truncate(time.Second)
			if at.Sub(shown).Abs() <= 2*time.Second {
				quickest = min(quickest, delay)
			}
			d.learn(message(delay), at)
			at = at.Add(duration("pause", 0, time.Minute))
		}
		delay := duration("last", 0, 30*time.Second)
		late := d.late(message(delay), at, 32*time.Second)
		if late > delay || quickest < none && late < delay-quickest-2*time.Second || quickest == none && late != 0 {
			t.Fatalf("%v late, sent %v ago, the shortest transmission took %v", late, delay, quickest)
		}
	})
}
