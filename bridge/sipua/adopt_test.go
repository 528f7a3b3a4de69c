package sipua

import (
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// A call outlives a kill, in both directions: both dialogs go on (RFC 3261 section 12.2.1.1: the numbers of our
// requests rise), in messages of either end and in ours, over several restarts.
func TestCallOutlivesAKill(t *testing.T) {
	t.Parallel()
	for name, set := range callDirections {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				c, last := set(r.testBed), 0
				for range 3 {
					r.restart()
					r.machine.saw("1 adopted")
					m := r.asksAdapter(481, 200)
					seq, _ := m.CSeq()
					if is(t, m, "Call-ID", c.near.CallID); seq <= last {
						t.Fatalf("CSeq %d after %d", seq, last)
					}
					r.machine.saw("1 adapter leg heard")
					q := r.service.Expect("OPTIONS")
					is(t, q, "Call-ID", c.far.CallID)
					is(t, q, "To", c.far.Local)
					r.service.Respond(q, 200, "", "")
					// a re-INVITE of each end passes to the other
					c.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
					inv := r.service.Expect("INVITE")
					contains(t, inv.Body, "sendonly")
					r.service.Respond(inv, 200, "", far())
					r.service.Expect("ACK")
					r.adapter.Expect("200")
					c.near.Ack("")
					c.far.Request("INVITE", far())
					inv = r.adapter.Expect("INVITE")
					r.adapter.Respond(inv, 200, "", near())
					r.adapter.Expect("ACK")
					r.service.Expect("200")
					c.far.Ack("")
					last, _ = inv.CSeq()
				}
				c.far.Request("BYE", "")
				r.machine.saw("1 far end cleared: bye")
				r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
				r.machine.saw("1 adapter leg cleared: confirmed")
				r.service.ExpectOf("200", "BYE")
				r.atRest()
				r.nothingSaved()
			})
		})
	}
}

// Local CSeq numbers rise over a kill at any moment, although not each number is saved.
func TestSequenceNumbersRiseOverKills(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		last := 0
		for n := range maxAdoptions {
			c := r.agent.call(1)
			for range 40 + 13*n {
				c.runInMailbox(func() { last = int(c.legs[0].build("OPTIONS").CSeq().SeqNo) })
			}
			r.restart()
			r.machine.saw("1 adopted")
			if seq, _ := r.asksAdapter(481, 200).CSeq(); seq <= last {
				t.Fatalf("CSeq %d after %d", seq, last)
			}
			r.machine.saw("1 adapter leg heard")
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			synctest.Wait()
		}
	})
}

// The far end hung up while the process was down. On a line that protects life, only that is asked.
func TestFarEndGoneAfterRestart(t *testing.T) {
	t.Parallel()
	for _, lifeSafety := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t, func(o *Options, _ *times) { o.Lines[0].LifeSafety = lifeSafety })
			r.incoming()
			r.restart()
			began := time.Now()
			r.machine.saw("1 adopted")
			r.asksAdapter(481, 200)
			r.machine.saw("1 adapter leg heard")
			for range 2 { // two methods, and no word about others
				m := r.service.Next()
				for ; !strings.Contains(m.Get("To"), ";tag="); m = r.service.Next() {
					r.service.Respond(m, 200, "x", "")
				}
				r.service.Respond(m, 481, "", "")
				if m.Is("INVITE") {
					r.service.Expect("ACK")
				}
			}
			r.machine.saw("1 far end cleared: service-lost")
			if took := time.Since(began); took > 2*time.Second {
				t.Fatalf("learnt after %v", took)
			}
			r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
			r.machine.saw("1 adapter leg cleared: confirmed")
			r.nothingSaved()
		})
	}
}

// A BYE that comes at once, before any question is answered, waits until the adapter's leg was heard or not, and a
// second at most. The leg was heard only if the adapter knows it and would not say so of any dialog. The time counts: a
// clearing learnt late opens nothing.
func TestFarEndHangsUpAtRestart(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		foreign, known int
		heard          bool
		after          time.Duration
	}{
		"an adapter that knows": {481, 200, true, 0}, "says 200 to everything": {200, 200, false, 0},
		"silent": {0, 0, false, farEndAfter}, "has no idea": {481, 405, false, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				call := r.incoming()
				r.restart()
				began := time.Now()
				r.machine.saw("1 adopted")
				call.far.Request("BYE", "")
				synctest.Wait() // before the adapter's answers
				r.asksAdapter(c.foreign, c.known)
				if c.heard {
					r.machine.saw("1 adapter leg heard")
				}
				r.machine.saw("1 far end cleared: bye")
				if took := time.Since(began); took != c.after {
					t.Fatalf("after %v, want %v", took, c.after)
				}
				r.service.ExpectOf("200", "BYE")
				r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
				r.machine.saw("1 adapter leg cleared: confirmed")
				r.nothingSaved()
				r.service.ExpectNone()
			})
		})
	}
}

// An adapter that restarted too does not know the call: the far end is cleared. Only a second method shows it, since
// some adapters answer every OPTIONS in a dialog with 481.
func TestAdapterGoneAfterRestart(t *testing.T) {
	t.Parallel()
	for _, second := range []int{481, 200, 488} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			call := r.incoming()
			r.restart()
			r.machine.saw("1 adopted")
			r.asksAdapter(481, 481)
			inv := r.adapter.Expect("INVITE")
			body := ""
			if second == 200 {
				body = near()
			}
			r.adapter.Respond(inv, second, "", body)
			r.adapter.Expect("ACK")
			if second == 481 {
				r.machine.saw("1 adapter lost")
				r.adapter.Respond(r.adapter.Expect("BYE"), 481, "", "")
				r.service.Respond(r.service.Expect("BYE"), 200, "", "")
				r.nothingSaved()
				return
			}
			// A 2xx is no proof that the leg was heard: nobody asked this adapter by this method in another dialog.
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			call.near.Request("BYE", "")
			r.machine.saw("1 near end cleared")
		})
	}
}

// After a power cut the network is there later than we are: no side is judged before it has been heard, however late. A
// call for help passes meanwhile. When the adapter is back and does not know the call, the far end is cleared.
func TestSilenceAfterRestart(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t, inShort)
		r.incoming()
		r.kill()
		r.start()
		r.machine.saw("1 adopted")
		<-time.After(short(time.Hour))
		if synctest.Wait(); len(r.machine.seen) > 0 {
			t.Fatalf("event %s", <-r.machine.seen)
		}
		for len(r.adapter.In) > 0 {
			r.adapter.Next()
		}
		for len(r.service.In) > 0 {
			r.service.Next()
		}
		r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
		for m := r.service.Next(); !m.Is("INVITE") || !strings.Contains(m.Get("To"), "999"); m = r.service.Next() {
			r.service.Respond(m, 200, "x", "")
		}
		for ev := ""; ev != "1 adapter lost"; {
			select {
			case m := <-r.adapter.In:
				if m.Is("OPTIONS") || m.Is("INVITE") {
					r.adapter.Respond(m, 481, "", "")
				}
			case <-r.service.In:
			case ev = <-r.machine.seen:
			case <-time.After(short(time.Minute)):
				t.Fatal("an adapter that does not know the call holds it")
			}
		}
	})
}

// An adapter that answers other requests after the restart, but none in the call, has lost it.
func TestAdapterSilentAfterRestart(t *testing.T) {
	t.Parallel()
	for _, foreign := range []int{481, 405} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t, inShort)
			r.incoming()
			r.restart()
			began := time.Now()
			r.machine.saw("1 adopted")
			r.asksAdapter(foreign, 0)
			go func() {
				for m := range r.service.In {
					if !m.IsResponse() && !m.Is("ACK") {
						r.service.Respond(m, 200, "", "")
					}
					if m.Is("BYE") {
						return
					}
				}
			}()
			for ev := ""; ev != "1 adapter lost"; {
				select {
				case ev = <-r.machine.seen:
				case <-time.After(short(time.Hour)):
					t.Fatal("a silent adapter holds the call for ever")
				}
			}
			if took := time.Since(began); took < short(32*time.Second) || took > short(adoptedSilence) {
				t.Fatalf("lost after %v, unshortened some %v", took, took/short(time.Second)*time.Second)
			}
		})
	}
}

// An emergency call is taken up first. Only the adapter's word ends it, if the adapter was seen to know the call.
func TestEmergencyCallOutlivesAKill(t *testing.T) {
	t.Parallel()
	for _, known := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			call := r.testBed.emergency()
			r.incomingAs(2)
			if known {
				r.learnt(200)
			}
			synctest.Wait()
			r.restart()
			r.machine.saw("1 adopted (emergency)", "2 adopted")
			if !r.agent.EmergencyUp() || !r.line.inCallbackWindow() {
				t.Fatal("the emergency call does not count")
			}
			for synctest.Wait(); len(r.adapter.In) > 0; {
				m := r.adapter.Next()
				code := 200
				if m.Get("Call-ID") == call.near.CallID {
					code = 481
				}
				r.adapter.Respond(m, code, "", "")
				synctest.Wait()
			}
			began := time.Now()
			if !known {
				call.near.Request("BYE", "")
			}
			for ev := ""; ev != map[bool]string{true: "1 adapter lost", false: "1 near end cleared"}[known]; {
				if ev = <-r.machine.seen; strings.HasPrefix(ev, "1 ") && ev == "1 adapter lost" && !known {
					t.Fatal("an adapter that answers 481 to every OPTIONS ended the emergency call")
				}
			}
			if took := time.Since(began); took > time.Second {
				t.Fatalf("learnt after %v", took)
			}
		})
	}
}

// A call that cannot be continued is cleared on both sides, once.
func TestCallThatCannotBeContinued(t *testing.T) {
	t.Parallel()
	r := newRestartableRelay(t)
	r.incoming()
	r.kill()
	r.start(func(o *Options, _ *times) { o.Media, o.Lines[0].Relay = nil, false })
	r.onlyClears("1 adopted")
}

// A BYE that comes while the process starts, before the calls have been taken up, counts.
func TestByeDuringTheStart(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		call := r.incoming()
		r.kill()
		r.start(func(o *Options, _ *times) {
			open := o.packets
			o.packets = func(at netip.AddrPort) endpoint.Packets {
				if at == r.toService { // the adapter's socket is open
					call.near.Request("BYE", "")
					synctest.Wait()
				}
				return open(at)
			}
		})
		r.machine.saw("1 adopted", "1 near end cleared")
		r.adapter.ExpectAfter("OPTIONS", "200")
	})
}

// A call whose socket is elsewhere now is cleared on both sides.
func TestCallOfAnotherSocket(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		r.kill()
		r.toAdapter = r.network.listen(r.toAdapter.Addr()).Addr()
		r.start()
		r.onlyClears("1 adopted")
	})
}

// Two processes never have the same call: the number of a new call is greater than those taken up.
func TestNumbersAfterRestart(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		r.restart()
		r.adopted("1 adopted")
		r.arrive(far())
		r.machine.saw("2 arrived")
		if n := r.line.ordinary.Load(); n != 2 {
			t.Fatalf("%d calls count", n)
		}
	})
}

// A session goes on: whoever refreshed it does so in time (RFC 4028 section 10).
func TestSessionOutlivesAKill(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t, timed(100, time.Second))
		r.answered(knowsUpdate, "Session-Expires: 100;refresher=uac", "Require: timer")
		r.kill()
		r.changeSaved(func(s *savedCall) {
			s.Legs[media.ServiceSide].Support = map[sip.RequestMethod]methodSupport{sip.UPDATE: supportConfirmed}
		})
		<-time.After(45 * time.Second) // it would be refreshed after 50 s
		r.start()
		r.machine.saw("1 adopted")
		r.asksAdapter(481, 200)
		r.machine.saw("1 adapter leg heard")
		m := r.service.Expect("UPDATE") // the question
		r.service.Respond(m, 200, "", "", "Session-Expires: 100;refresher=uac")
		for range 3 {
			<-time.After(50 * time.Second)
			m = r.service.Expect("UPDATE")
			contains(t, m.Get("Session-Expires"), "100;refresher=uac")
			r.service.Respond(m, 200, "", "", "Session-Expires: 100;refresher=uac")
		}
	})
}

// A kill in the middle of a re-INVITE loses no call: its sender gets 491 and may repeat it, and a 200 of the other side
// is acknowledged.
func TestReinviteAtAKill(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		call := r.incoming()
		call.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		inv := r.service.Expect("INVITE")
		r.adapter.Expect("100")
		r.restart()
		r.machine.saw("1 adopted")
		call.near.AckFailure(r.adapter.ExpectOf("491", "INVITE"))
		r.asksAdapter(481, 200)
		r.machine.saw("1 adapter leg heard")
		r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
		for n := range 2 {
			r.service.Respond(inv, 200, "", far(), "Again: "+num(n))
			ack := r.service.Expect("ACK")
			is(t, ack, "To", call.far.Local)
			want, _ := inv.CSeq()
			if got, _ := ack.CSeq(); got != want {
				t.Fatalf("CSeq %d, want %d", got, want)
			}
		}
		call.near.Request("INVITE", uatest.Offer("127.0.0.1", nearSDP, "sendonly"))
		r.service.Respond(r.service.Expect("INVITE"), 200, "", far())
		r.service.Expect("ACK")
		r.adapter.Expect("200")
		call.near.Ack("")
	})
}

// A BYE for a call that is over opens nothing.
func TestByeForACallThatIsOver(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		c := r.incoming()
		c.far.Request("BYE", "")
		r.machine.saw("1 far end cleared: bye")
		r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
		r.machine.saw("1 adapter leg cleared: confirmed")
		r.service.ExpectOf("200", "BYE")
		r.atRest()
		r.restart()
		c.far.Seq--
		c.far.Request("BYE", "") // with a new branch, as after a restart of its sender
		r.service.ExpectOf("481", "BYE")
		if len(r.machine.seen) > 0 {
			t.Fatalf("event %s", <-r.machine.seen)
		}
	})
}

func adoptionText(ev supervision.Event) string {
	if ev.Kind == supervision.CallAdopted {
		return num(int(ev.Call)) + " adopted" + mark(ev)
	}
	return num(int(ev.Call)) + " adapter leg heard"
}
