package sipua

import (
	"encoding/json"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
)

// changeSaved changes the saved state of the first call.
func (r *restartable) changeSaved(change func(s *savedCall)) {
	r.t.Helper()
	var s savedCall
	if err := json.Unmarshal(r.states.calls[1], &s); err != nil {
		r.t.Fatal(err)
	}
	change(&s)
	state, err := json.Marshal(&s)
	if err != nil {
		r.t.Fatal(err)
	}
	r.states.calls[1] = state
}

// The state of an answered emergency call is on its way to the disk before the 200 is passed on: a later process would
// take a call that was saved before its answer for one that rings.
func TestEmergencyAnswerIsSavedFirst(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
		r.adapter.ExpectOf("100", "INVITE")
		inv := r.service.Expect("INVITE")
		synctest.Wait()
		r.states.saving = func(state []byte) {
			if containsText(state, `"Invite":null`) {
				r.dead.Store(true) // the process dies
			}
		}
		r.service.Respond(inv, 200, "psap", far())
		synctest.Wait()
		r.adapter.ExpectNone()
		if !containsText(r.states.all()[1], `"Invite":null`) {
			t.Fatal("the answer was not saved")
		}
	})
}

// An emergency call whose adapter has lost it ends after a restart, although this adapter was never seen to know the
// call: it answers two methods with 481 (RFC 3261 section 12.2.1.2). Without a second method the service must agree. An
// adapter that answers only OPTIONS with 481 (common practice) keeps its call whatever the service says.
func TestEmergencyCallThatBothEndsHaveLost(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		second, service int // second: the adapter's answer to the second method; 0: there is none
		ends            bool
	}{
		"lost by the adapter": {481, 200, true}, "lost by both": {481, 481, true},
		"the adapter answers 481 to OPTIONS": {200, 481, false}, "refuses the second method": {488, 481, false},
		"no second method, lost by both": {0, 481, true}, "no second method": {0, 200, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				call := r.testBed.emergency()
				r.learnt(481)
				r.kill()
				if c.second == 0 {
					r.changeSaved(func(s *savedCall) { s.Sent[media.AdapterSide].Body = nil })
				}
				r.start()
				began := time.Now()
				r.machine.saw("1 adopted (emergency)")
				r.adapter.Respond(r.adapter.Expect("OPTIONS"), 481, "", "")
				r.service.Respond(r.service.Expect("OPTIONS"), c.service, "", "")
				if c.second > 0 {
					inv, body := r.adapter.Expect("INVITE"), ""
					is(t, inv, "Call-ID", call.near.CallID)
					if c.second == 200 {
						body = near()
					}
					r.adapter.Respond(inv, c.second, "", body)
					r.adapter.Expect("ACK")
				}
				if c.ends {
					r.machine.saw("1 adapter lost")
					r.adapter.Respond(r.adapter.Expect("BYE"), 481, "", "")
					r.service.Respond(r.service.Expect("BYE"), 481, "", "")
					if took := time.Since(began); took > time.Second {
						t.Fatalf("learnt after %v", took)
					}
					r.atRest()
					r.nothingSaved()
					return
				}
				if c.second == 200 { // it is not asked so again
					r.learnt(481)
					r.asked(481, c.service)
					r.silentFor(time.Minute)
				}
				r.hangUp(call.near)
			})
		})
	}
}
