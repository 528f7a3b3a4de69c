package sipua

import (
	"encoding/json"
	"net/netip"
	"reflect"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
)

// The fields that a process reads from a state of any version. Never change these lists.
var (
	basicFields = []string{"Line", "Owner", "Call", "Began", "Answered", "Emergency", "Arrived", "Relay", "Invite",
		"Legs"}
	legFields = []string{"Socket", "Second", "CallID", "Tag", "Local", "Remote", "Target", "Routes", "Seq",
		"Transport", "Dest", "Source"}
	inviteFields = []string{"Request", "From", "Sent", "Dest", "Rang", "Early", "At", "Over"}
)

// asVersion returns a state as another version might have written it: only the fields that all versions share are as
// they were, and there are new ones.
func asVersion(t testing.TB, version int, state []byte) []byte {
	t.Helper()
	var all map[string]any
	if err := json.Unmarshal(state, &all); err != nil {
		t.Fatal(err)
	}
	change := func(fields any, keep []string) {
		m := fields.(map[string]any)
		for name := range m {
			if !slices.Contains(keep, name) {
				m[name] = "of another type"
			}
		}
		m["New"] = []int{1}
	}
	change(all, basicFields)
	for _, leg := range all["Legs"].([]any) {
		change(leg, legFields)
	}
	if all["Invite"] != nil {
		change(all["Invite"], inviteFields)
	}
	all["Version"] = version
	state, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	return state
}

// What all versions share is read from a state of another version, whatever became of the rest.
func TestStateOfAnotherVersion(t *testing.T) {
	t.Parallel()
	state := []byte(savedExample(t, time.Now()))
	want, err := readSavedCall(1, state)
	if err != nil {
		t.Fatal(err)
	}
	want.Invite = &savedInvite{Request: []byte("INVITE"), From: netip.MustParseAddrPort("192.0.2.1:5060"),
		Sent: []byte("INVITE"), Dest: "192.0.2.2:5060", Rang: true, Early: "<sip:x@x>;tag=1", At: want.Began, Over: true}
	if state, err = json.Marshal(want); err != nil {
		t.Fatal(err)
	}
	for _, version := range []int{1, savedVersion + 1} {
		got, err := readSavedCall(1, asVersion(t, version, state))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got.savedBasics, want.savedBasics) {
			t.Errorf("%+v\nwant\n%+v", got.savedBasics, want.savedBasics)
		}
		for side := range got.Legs {
			if got, want := got.Legs[side].savedDialog, want.Legs[side].savedDialog; !reflect.DeepEqual(got, want) {
				t.Errorf("%+v\nwant\n%+v", got, want)
			}
		}
	}
}

// A call that another version of the program saved is cleared on both sides, in both directions, and nothing opens.
// Nobody else would ever clear it.
func TestCallOfAnotherVersion(t *testing.T) {
	t.Parallel()
	for name, set := range callDirections {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := newRestartable(t)
				set(r.testBed)
				r.kill()
				r.states.calls[1] = asVersion(t, savedVersion+1, r.states.calls[1])
				r.start()
				r.onlyClears("1 adopted")
				r.incomingAs(2)
			})
		})
	}
}

// An answered emergency call of another version goes on, and from then on as one of this version.
func TestEmergencyCallOfAnotherVersion(t *testing.T) {
	t.Parallel()
	for _, relay := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			call := r.testBed.emergency()
			r.kill()
			r.changeSaved(func(s *savedCall) { s.Relay = relay })
			r.states.calls[1] = asVersion(t, savedVersion-1, r.states.calls[1])
			for range 2 {
				r.start()
				r.machine.saw("1 adopted (emergency)")
				r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
				r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
				if synctest.Wait(); !r.agent.EmergencyUp() || !r.line.inCallbackWindow() {
					t.Fatal("the emergency call does not count")
				}
				r.kill()
				if s, err := readSavedCall(1, r.states.calls[1]); err != nil || s.Version != savedVersion {
					t.Fatalf("%v; saved as version %d", err, s.Version)
				}
			}
			r.start()
			r.machine.saw("1 adopted (emergency)")
			r.adapter.Respond(r.adapter.Expect("OPTIONS"), 200, "", "")
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
			r.hangUp(call.near)
		})
	}
}

// An emergency call of another version that rang goes on if its sound goes directly. Otherwise its caller hears at once
// that it failed, and dials again.
func TestRingingEmergencyCallOfAnotherVersion(t *testing.T) {
	t.Parallel()
	for _, relay := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			near := r.ask(r.adapter, "sip:999@"+r.toAdapter.String())
			r.adapter.ExpectOf("100", "INVITE")
			inv := r.service.Expect("INVITE")
			r.kill()
			r.changeSaved(func(s *savedCall) { s.Relay = relay })
			r.states.calls[1] = asVersion(t, savedVersion+1, r.states.calls[1])
			r.start()
			if relay {
				near.AckFailure(r.adapter.ExpectOf("503", "INVITE"))
				return
			}
			r.again(r.service, inv, func() { r.service.Respond(inv, 200, "psap", far()) })
			r.service.Expect("ACK")
			near.Established(r.adapter.ExpectOf("200", "INVITE")).Ack("")
			var up bool
			r.agent.call(1).runInMailbox(func() { up = r.agent.call(1).legs[media.AdapterSide].state == legUp })
			if !up || !r.agent.EmergencyUp() {
				t.Fatal("the emergency call does not go on")
			}
		})
	}
}
