package sipua

import (
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"clearback/supervision"
)

// behind is how far the clock of a machine without a battery may be in the past when it starts.
var behind = []time.Duration{0, time.Hour, 60 * 24 * time.Hour}

// powerCut ends the agent, and starts one after the machine's start. Its clock is in the past by so much. If offline is
// true, nothing that it sends reaches anybody until dead is false.
func (r *restartable) powerCut(behind time.Duration, offline bool) {
	r.t.Helper()
	r.kill()
	r.changeSaved(func(s *savedCall) {
		s.Began, s.Answered = s.Began.Add(behind), s.Answered.Add(behind)
		for i := range s.Legs {
			s.Legs[i].Until = s.Legs[i].Until.Add(behind)
		}
		if s.Invite != nil {
			s.Invite.At = s.Invite.At.Add(behind)
		}
	})
	r.start(func(o *Options, _ *times) {
		r.dead.Store(offline)
		o.Rebooted = map[supervision.CallID]bool{1: true}
	})
}

// SAFETY.md S130. The far end has hung up while the machine had no power. The network comes a minute after the daemon.
// Then both ends are asked, whatever the clock says, and the hold is cleared.
func TestFarEndGoneAfterAPowerCut(t *testing.T) {
	t.Parallel()
	for _, behind := range behind {
		t.Run(fmt.Sprint(behind), func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				r.incoming()
				r.powerCut(behind, true)
				r.machine.saw("1 adopted")
				<-time.After(time.Minute)
				if len(r.machine.seen) > 0 {
					t.Fatalf("without a network: %s", <-r.machine.seen)
				}
				r.dead.Store(false)
				back := time.Now()
				r.asksAdapter(481, 200)
				r.machine.saw("1 adapter leg heard")
				for len(r.machine.seen) == 0 && time.Since(back) < time.Hour {
					<-time.After(100 * time.Millisecond)
					for len(r.service.In) > 0 {
						switch m := r.service.Next(); {
						case m.Is("ACK"):
						case strings.Contains(m.Get("To"), ";tag="):
							r.service.Respond(m, 481, "", "")
						default:
							r.service.Respond(m, 200, "x", "")
						}
					}
				}
				r.machine.saw("1 far end cleared: service-lost")
				if took := time.Since(back); took > time.Minute {
					t.Fatalf("learnt %v after the network was back", took)
				}
				r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
				r.machine.saw("1 adapter leg cleared: confirmed")
				r.nothingSaved()
			})
		})
	}
}

// SAFETY.md S130. A call that both ends still have goes on, an emergency call too.
func TestCallOutlivesAPowerCut(t *testing.T) {
	t.Parallel()
	for _, behind := range behind {
		for _, emergency := range []bool{false, true} {
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				set, event := r.incoming, "1 adopted"
				if emergency {
					set, event = r.testBed.emergency, "1 adopted (emergency)"
				}
				c := set()
				r.powerCut(behind, true)
				r.machine.saw(event)
				<-time.After(time.Minute)
				r.dead.Store(false)
				for range 200 { // both ends answer everything
					for len(r.adapter.In) > 0 {
						m := r.adapter.Next()
						code := 481
						if m.Get("Call-ID") == c.near.CallID {
							code = 200
						}
						r.adapter.Respond(m, code, "x", "")
					}
					for len(r.service.In) > 0 {
						r.service.Respond(r.service.Next(), 200, "x", "")
					}
					<-time.After(time.Second)
				}
				c.far.Request("BYE", "")
				if !emergency {
					r.machine.saw("1 adapter leg heard")
				}
				r.machine.saw("1 far end cleared: bye")
			})
		}
	}
}

// SAFETY.md S130. An emergency call that rang when the power failed is ended on both sides, even if the clock says that
// it rang just now or has yet to ring: nobody may be on the line, and the service would take the INVITE for a new call.
func TestEmergencyCallThatRangAtAPowerCut(t *testing.T) {
	t.Parallel()
	for _, behind := range behind {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			caller := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
			r.adapter.ExpectOf("100", "INVITE")
			r.service.Respond(r.service.Expect("INVITE"), 180, "psap", "")
			r.adapter.Expect("180")
			r.machine.saw("1 requested (emergency)")
			r.powerCut(behind, false)
			r.machine.saw("1 requested (emergency)", "1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
			if got := <-r.machine.attempts; got != "1 attempt ended: 0 ringing" {
				t.Fatal(got)
			}
			caller.AckFailure(r.adapter.ExpectOf("503", "INVITE"))
			bye, _ := byeAndCancel(t, r.service)
			r.service.Respond(bye, 481, "", "")
			if r.service.Repeats.Load() > 0 || len(r.machine.seen) > 0 {
				t.Fatal("the INVITE was sent again")
			}
			r.nothingSaved()
		})
	}
}
