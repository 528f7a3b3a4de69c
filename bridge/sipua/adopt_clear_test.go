package sipua

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// A call that is only cleared stays on the line for the machine until the adapter's leg is over, although the adapter
// does not answer our BYE for 32 s (RFC 3261 section 17.1.2.2, Timer F). So the far end of a held call beside it opens
// nothing meanwhile, nor does an operator, and no reload changes the line.
func TestOnlyClearedCallIsOnTheLine(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		held := r.incomingAs(2)
		r.kill()
		r.changeSaved(func(s *savedCall) { s.Trial = true })
		r.start()
		r.machine.saw("2 adopted", "1 adopted")
		held.far.Request("BYE", "")
		for n := 0; n < 2; {
			switch m := r.adapter.Next(); {
			case m.Is("BYE") && m.Get("Call-ID") == held.near.CallID:
				r.adapter.Respond(m, 200, "", "")
				n++
			case m.Is("BYE"): // not answered
				n++
			case m.Get("Call-ID") == held.near.CallID:
				r.adapter.Respond(m, 200, "", "")
			default:
				r.adapter.Respond(m, 481, "", "")
			}
		}
		r.machine.saw("2 adapter leg heard", "2 far end cleared: bye", "2 adapter leg cleared: confirmed")
		r.machine.saw("1 far end cleared: shutdown", "1 adapter leg cleared: no answer")
	})
}

// A near end that hangs up while its call is only cleared has cleared it.
func TestNearEndHangsUpWhileItsCallIsCleared(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		call := r.incoming()
		r.kill()
		r.changeSaved(func(s *savedCall) { s.Trial = true })
		r.start()
		r.machine.saw("1 adopted")
		bye := r.adapter.Expect("BYE")
		call.near.Request("BYE", "")
		r.adapter.ExpectOf("200", "BYE")
		r.adapter.Respond(bye, 200, "", "")
		r.service.Respond(r.service.Expect("BYE"), 200, "", "")
		r.machine.saw("1 near end cleared")
		r.atRest()
		if len(r.machine.seen) > 0 {
			t.Fatalf("event %s", <-r.machine.seen)
		}
	})
}

// A daemon that shuts down just after its start clears an adopted call when it is known whether the adapter's leg was
// heard, a second after the start at the latest: otherwise the hold would be stranded.
func TestShutdownAfterRestart(t *testing.T) {
	t.Parallel()
	for _, silent := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			r.incoming()
			r.restart()
			began := time.Now()
			r.machine.saw("1 adopted")
			done := make(chan struct{}) // closed when ClearOrdinary has returned
			go func() { defer close(done); r.agent.ClearOrdinary() }()
			<-time.After(farEndAfter - 1)
			if synctest.Wait(); len(r.machine.seen) > 0 {
				t.Fatalf("event %s", <-r.machine.seen)
			}
			if silent {
				r.asksAdapter(0, 0)
			} else {
				r.asksAdapter(481, 200)
				r.machine.saw("1 adapter leg heard")
			}
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			r.machine.saw("1 far end cleared: shutdown")
			if took := time.Since(began); took > farEndAfter+10*time.Millisecond {
				t.Fatalf("after %v", took)
			}
			<-done
			r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
			r.service.Respond(r.service.Expect("BYE"), 200, "", "")
			r.machine.saw("1 adapter leg cleared: confirmed")
			r.atRest()
		})
	}
}

// The file was edited between the runs. A renamed line keeps its calls, and those of a removed line are cleared: nobody
// else would ever do that. An emergency call goes on even then.
func TestCallOfARenamedLine(t *testing.T) {
	t.Parallel()
	state := string(stateOfACall(t))
	for name, c := range map[string]struct {
		owner     string
		emergency bool
	}{"renamed": {}, "removed": {owner: "green-room, "}, "removed, emergency": {"green-room, ", true}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				r.kill()
				one := strings.NewReplacer(`"Line":"box-office"`, `"Line":"stage-door"`, `"Owner":"`,
					`"Owner":"`+c.owner).Replace(state)
				if c.emergency {
					one = strings.Replace(one, `"Emergency":false`, `"Emergency":true`, 1)
				}
				r.states.calls = map[supervision.CallID][]byte{1: []byte(one)}
				r.start()
				switch name {
				case "renamed":
					r.adopted("1 adopted")
					return
				case "removed":
					r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
					r.service.Respond(r.service.Expect("BYE"), 200, "", "")
					r.nothingSaved()
				default:
					r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
					r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
					if synctest.Wait(); !r.agent.EmergencyUp() || len(r.states.all()) != 1 {
						t.Fatal("the emergency call does not go on")
					}
				}
				r.incomingAs(2) // the line that is there knows nothing of the other's call
			})
		})
	}
}

// An emergency call whose line was removed ends with either side, as a call of any line does.
func TestEmergencyCallOfARemovedLine(t *testing.T) {
	t.Parallel()
	for _, who := range []string{"adapter", "service", "adapter lost", "cancelled"} {
		t.Run(who, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				var call callPair
				var inv uatest.Message
				if who == "cancelled" {
					call.near = r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
					r.adapter.ExpectOf("100", "INVITE")
					inv = r.service.Expect("INVITE")
				} else {
					call = r.testBed.emergency()
					r.learnt(200)
				}
				r.kill()
				r.changeSaved(func(s *savedCall) {
					s.Line, s.Owner = "stage-door", "green-room, coil 3, 5550109@pbx.example"
				})
				r.start()
				code := 200
				if who == "adapter lost" {
					code = 481
				}
				if who == "cancelled" {
					r.again(r.service, inv, func() { r.service.Respond(inv, 180, "psap", "") })
					r.adapter.Expect("180")
				} else {
					r.adapter.Respond(r.adapter.Expect("OPTIONS"), code, "", "")
					r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
				}
				// no line on the same loop is added before the call is over: its machine would not know of the call
				named, wired := r.line.o, r.line.o
				named.Name, named.AdapterUser, named.ServiceUser = "stage-door", "port-3", "5550103"
				wired.Name, wired.AdapterUser, wired.ServiceUser = "workshop", "green-room", "5550104"
				require.False(t, r.change([]LineOptions{named}))
				require.False(t, r.change([]LineOptions{wired}))
				wired.AdapterUser, wired.Contact = "port-4", "coil 3"
				require.False(t, r.change([]LineOptions{wired}))
				ended, other := r.adapter, r.service
				switch who {
				case "adapter":
					call.near.Request("BYE", "")
				case "service":
					call.far.Request("BYE", "")
					ended, other = other, ended
				case "adapter lost":
					ended.Respond(ended.Expect("BYE"), 481, "", "")
				default:
					call.near.Cancel()
					ended.ExpectOf("200", "CANCEL")
					ended.Expect("487")
					other.Respond(other.Expect("CANCEL"), 200, "", "")
					other.Respond(inv, 487, "psap", "")
					other.Expect("ACK")
				}
				if code == 200 && who != "cancelled" {
					ended.ExpectOf("200", "BYE")
				}
				if who != "cancelled" {
					other.Respond(other.Expect("BYE"), 200, "", "")
				}
				r.atRest()
				r.nothingSaved()
				if synctest.Wait(); r.agent.EmergencyUp() || len(r.machine.seen) > 0 {
					t.Fatal("the call has not ended, or another line heard of it")
				}
			})
		})
	}
}

// Whoever edits the file may rename a line and change its contact and account too. The call is still on the loop of the
// same adapter, so its line knows of it, and not the line that has the name now.
func TestCallOfTheSameAdapter(t *testing.T) {
	t.Parallel()
	for _, emergency := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t, secondLine)
			call := r.incoming()
			r.kill()
			r.changeSaved(func(s *savedCall) {
				s.Line, s.Owner, s.Emergency = "stage-door", adapterUser+", another contact", emergency
			})
			r.start()
			if !emergency {
				r.onlyClears("1 adopted")
				return
			}
			r.machine.saw("1 adopted (emergency)")
			r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			call.far.Request("BYE", "")
			r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
			r.service.ExpectOf("200", "BYE")
			r.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
			r.atRest()
		})
	}
}

// Whoever edits the file may rename a line and give its adapter another user too. The call is still on the loop of the
// same contact. So the line that has the contact now knows of the call, and opens nothing during an emergency call.
func TestCallOfTheSameContact(t *testing.T) {
	t.Parallel()
	wired := func(o *Options, _ *times) { o.Lines[0].Contact = "coil 3 of unit 1 at relays" }
	for _, emergency := range []bool{false, true} {
		for _, with := range []setting{func(*Options, *times) {}, secondLine} { // secondLine has the name now
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t, with, wired)
				call := r.incoming()
				r.kill()
				r.changeSaved(func(s *savedCall) {
					s.Line, s.Emergency = "stage-door", emergency
					s.Owner = "green-room, coil 3 of unit 1 at relays, 5550109@pbx.example"
				})
				r.start()
				if !emergency {
					r.onlyClears("1 adopted")
					return
				}
				r.machine.saw("1 adopted (emergency)")
				r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
				r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
				call.far.Request("BYE", "")
				r.adapter.Respond(r.adapter.Expect("BYE"), 200, "", "")
				r.service.ExpectOf("200", "BYE")
				r.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
				r.atRest()
			})
		}
	}
}

// eventRecord keeps the events of a line, and does nothing.
type eventRecord struct{ all []string }

func (e *eventRecord) Post(ev supervision.Event) { e.all = append(e.all, text(ev)) }

// The machine learns what the adapter answered to the BYE even if the call is gone when it asks for the clearing.
func TestOnlyClearedCallIsReportedOnce(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		r.kill()
		r.changeSaved(func(s *savedCall) { s.Trial = true })
		var events eventRecord
		r.start(func(o *Options, _ *times) { o.Lines[0].Events = &events })
		r.adapter.Expect("BYE") // not answered
		r.service.Respond(r.service.Expect("BYE"), 200, "", "")
		r.atRest()
		synctest.Wait()
		r.line.ClearAdapterLeg(1)
		require.Equal(t, []string{"1 adopted", "1 far end cleared: shutdown", "1 adapter leg cleared: no answer"}, events.all)
	})
}

// A new emergency call has the ends of the others checked, also of one that is only cleared.
func TestOnlyClearedCallIsNotChecked(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.testBed.emergency()
		r.kill()
		r.changeSaved(func(s *savedCall) { s.Trial = true })
		r.start()
		c, done := r.agent.call(1), false
		c.runInMailbox(func() { defer func() { recover() }(); c.checkEndsSoon(); done = true })
		if !done {
			t.Fatal("the step failed")
		}
		r.onlyClears("1 adopted (emergency)")
	})
}
