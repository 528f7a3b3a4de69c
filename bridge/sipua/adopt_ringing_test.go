package sipua

import (
	"encoding/json"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// again answers the INVITE that a later process repeats: the same bytes, so that it counts as a retransmission.
func (r *restartable) again(p *uatest.Peer, inv uatest.Message, answer func()) {
	r.t.Helper()
	if synctest.Wait(); p.Repeats.Load() == 0 {
		r.t.Fatalf("%s: the INVITE was not repeated as it was: %v", p.Name, inv)
	}
	answer()
}

// A call that rang is ended on both sides: the caller gets a final response, and the telephone stops ringing. If the
// adapter had answered just then, its leg is cleared.
func TestRingingCallIsEndedAfterAKill(t *testing.T) {
	t.Parallel()
	for name, answered := range map[string]bool{"rings": false, "answered in the last moment": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				far := r.arrive(far())
				inv := r.adapter.Expect("INVITE")
				r.adapter.Respond(inv, 180, "near", "")
				r.service.Expect("180")
				r.machine.saw("1 arrived", "1 ringing")
				r.restart()
				r.machine.saw("1 arrived") // it may still ring
				far.AckFailure(r.service.ExpectOf("503", "INVITE"))
				bye, cancel := byeAndCancel(t, r.adapter)
				contains(t, bye.Get("To"), "tag=near")
				if first, _ := inv.CSeq(); !later(bye, first) {
					t.Fatalf("its number is not greater: %s", bye)
				}
				if answered {
					r.adapter.Respond(bye, 200, "", "")
					synctest.Wait()
					r.nothingSaved()
					return
				}
				r.adapter.Respond(bye, 481, "", "")
				is(t, cancel, "Via", inv.Get("Via"))
				if n := r.adapter.Repeats.Load(); n > 0 {
					t.Fatal("the INVITE was repeated: a telephone may ring again")
				}
				r.adapter.Respond(cancel, 200, "", "")
				if len(r.machine.seen) > 0 {
					t.Fatalf("event %s", <-r.machine.seen)
				}
				r.adapter.Respond(inv, 487, "near", "")
				r.adapter.Expect("ACK")
				r.machine.saw("1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
				r.atRest()
				r.nothingSaved()
			})
		})
	}
}

// byeAndCancel returns the BYE and the CANCEL that end an INVITE of an earlier process. They are transactions of their
// own, and may come in either order.
func byeAndCancel(t *testing.T, p *uatest.Peer) (bye, cancel uatest.Message) {
	t.Helper()
	if bye, cancel = p.Next(), p.Next(); bye.Is("CANCEL") {
		bye, cancel = cancel, bye
	}
	if !bye.Is("BYE") || !cancel.Is("CANCEL") {
		t.Fatalf("%s: want BYE and CANCEL, got %s and %s", p.Name, bye, cancel)
	}
	return bye, cancel
}

func later(m uatest.Message, than int) bool { n, _ := m.CSeq(); return n > than }

// A 200 that crosses the CANCEL is acknowledged and its call cleared, so no line stays off hook for nobody.
func TestAnswerAfterAKill(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.arrive(far())
		inv := r.adapter.Expect("INVITE")
		r.machine.saw("1 arrived")
		r.restart()
		r.machine.saw("1 arrived")
		r.service.ExpectOf("503", "INVITE")
		r.adapter.Respond(r.adapter.Expect("CANCEL"), 200, "", "")
		r.adapter.Respond(inv, 200, "near", near())
		r.adapter.Expect("ACK")
		r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
		r.machine.saw("1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
		r.atRest()
		r.nothingSaved()
	})
}

// An ordinary call of the adapter that rang: the adapter hears that it failed, and the service's leg is cancelled.
func TestDialledCallIsEndedAfterAKill(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		near := r.request("5550150", near())
		inv := r.service.Expect("INVITE")
		r.service.Respond(inv, 180, "far", "")
		r.adapter.Expect("180")
		<-time.After(saveEvery)
		synctest.Wait()
		var s savedCall
		if err := json.Unmarshal(r.states.all()[1], &s); err != nil {
			t.Fatal(err)
		}
		contains(t, string(s.Invite.Request), "INVITE sip:5550150@")
		lacks(t, string(s.Invite.Request)+string(s.Invite.Sent), "Digest")
		r.machine.saw("1 requested")
		r.restart()
		r.machine.saw("1 requested", "1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
		near.AckFailure(r.adapter.ExpectOf("503", "INVITE"))
		bye, cancel := byeAndCancel(t, r.service)
		r.service.Respond(bye, 481, "", "")
		r.service.Respond(cancel, 200, "", "")
		r.service.Respond(inv, 487, "far", "")
		r.service.Expect("ACK")
		r.atRest()
	})
}

// An emergency call that rang goes on: the 200 of the service, new or repeated, completes it; the caller may hang up
// before.
func TestEmergencyCallThatRangOutlivesAKill(t *testing.T) {
	t.Parallel()
	for _, rang := range []bool{true, false} {
		for _, what := range []string{"answered", "cancelled", "answered before"} {
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				caller := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
				r.adapter.ExpectOf("100", "INVITE")
				inv := r.service.Expect("INVITE")
				tag := ""
				if rang {
					r.service.Respond(inv, 180, "psap", "")
					tag = caller.Early(r.adapter.Expect("180")).Remote
				}
				r.machine.saw("1 requested (emergency)")
				r.kill()
				if what == "answered before" { // while the process is down
					r.service.Respond(inv, 200, "psap", far())
				}
				r.start()
				r.machine.saw("1 requested (emergency)")
				if what == "cancelled" {
					r.again(r.service, inv, func() { r.service.Respond(inv, 180, "psap", "") })
					caller.Cancel()
					r.adapter.ExpectAfter("180", "200")
					r.adapter.ExpectAfter("180", "487")
					r.machine.saw("1 near end cleared")
					r.service.Respond(r.service.Expect("CANCEL"), 200, "", "")
					r.service.Respond(inv, 487, "psap", "")
					r.service.Expect("ACK")
					r.atRest()
					r.nothingSaved()
					return
				}
				r.again(r.service, inv, func() { r.service.Respond(inv, 200, "psap", far()) })
				r.service.Expect("ACK")
				ok := r.adapter.ExpectOf("200", "INVITE")
				if tag != "" {
					is(t, ok, "To", tag)
				}
				contains(t, ok.Body, "m=audio "+num(farSDP))
				caller.Established(ok).Ack("")
				r.machine.saw("1 answered")
				synctest.Wait()
				r.restart() // and now it is an answered call
				r.machine.saw("1 adopted (emergency)")
				<-time.After(time.Second)
				for len(r.adapter.In) > 0 {
					r.adapter.Respond(r.adapter.Next(), 200, "", "")
				}
				for len(r.service.In) > 0 {
					r.service.Respond(r.service.Next(), 200, "", "")
				}
				caller.Request("BYE", "")
				r.machine.saw("1 near end cleared")
				r.service.ExpectAfter("OPTIONS", "BYE")
			})
		}
	}
}

// An emergency call that rang is continued only if it rang a moment ago: nobody may be on the line later, and the
// service would take the INVITE for a new call. While a process lives it notes that the call still rings.
func TestEmergencyCallThatRangLongAgo(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		rang, down time.Duration
		again      bool
	}{
		"rang for an hour": {rang: time.Hour + 2*time.Minute, again: true}, "long ago": {down: 10 * time.Hour},
		"too long ago": {rang: time.Minute, down: defaultTimes().final + 2*ringStep},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				caller := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
				r.adapter.ExpectOf("100", "INVITE")
				inv := r.service.Expect("INVITE")
				r.service.Respond(inv, 180, "psap", "")
				r.adapter.Expect("180")
				r.machine.saw("1 requested (emergency)")
				for end := time.Now().Add(c.rang); time.Now().Before(end); {
					<-time.After(time.Second)
					for len(r.adapter.In) > 0 { // OPTIONS: is the caller still there?
						r.adapter.Respond(r.adapter.Next(), 200, "", "")
					}
					for len(r.service.In) > 0 {
						r.service.Respond(r.service.Next(), 200, "", "")
					}
				}
				r.kill()
				<-time.After(c.down)
				r.start()
				if c.again {
					r.machine.saw("1 requested (emergency)")
					r.again(r.service, inv, func() {})
					return
				}
				// the centre may know of the call, and people must know that it failed
				r.machine.saw("1 requested (emergency)", "1 far end cleared: shutdown",
					"1 adapter leg cleared: confirmed")
				if got := <-r.machine.attempts; got != "1 attempt ended: 0 ringing" {
					t.Fatal(got)
				}
				caller.AckFailure(r.adapter.ExpectOf("503", "INVITE"))
				r.service.Respond(r.service.Expect("BYE"), 481, "", "")
				r.service.Expect("CANCEL")
				if r.service.Repeats.Load() > 0 || len(r.machine.seen) > 0 {
					t.Fatal("the INVITE was sent again")
				}
				r.nothingSaved()
			})
		})
	}
}

// The caller of an emergency call hangs up, and the process ends before the service has confirmed it. Nobody dials the
// number again.
func TestEmergencyCallGivenUpAtAKill(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		caller := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
		r.adapter.ExpectOf("100", "INVITE")
		inv := r.service.Expect("INVITE")
		r.service.Respond(inv, 180, "psap", "")
		r.adapter.Expect("180")
		caller.Cancel()
		r.adapter.ExpectOf("200", "CANCEL")
		caller.AckFailure(r.adapter.ExpectOf("487", "INVITE"))
		r.service.Respond(r.service.Expect("CANCEL"), 200, "", "")
		r.machine.saw("1 requested (emergency)", "1 near end cleared")
		r.restart()
		r.service.Respond(r.service.Expect("BYE"), 481, "", "")
		if synctest.Wait(); r.service.Repeats.Load() != 1 || len(r.machine.seen) > 0 {
			t.Fatal("more than the CANCEL was sent again")
		}
		r.service.Respond(inv, 487, "psap", "")
		r.service.Expect("ACK")
		r.atRest()
		r.nothingSaved()
	})
}
