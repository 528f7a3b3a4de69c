package sipua

import (
	"bytes"
	"encoding/json"
	"net/netip"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge/media"
	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

func containsText(state []byte, text string) bool { return bytes.Contains(state, []byte(text)) }

// stateOfACall is the state of an incoming call.
func stateOfACall(t testing.TB) (state []byte) {
	t.Helper()
	synctest.Test(t.(*testing.T), func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		synctest.Wait()
		state = r.states.all()[1]
	})
	return state
}

// A state that was tampered with, or fits nothing here, is refused with a sentence and removed. Nobody hears of it.
func TestForeignStatesAreRefused(t *testing.T) {
	t.Parallel()
	good := string(stateOfACall(t))
	field := func(name string) string { // its value
		_, after, ok := strings.Cut(good, `"`+name+`":"`)
		if !ok {
			t.Fatalf("no %s in %s", name, good)
		}
		value, _, _ := strings.Cut(after, `"`)
		return value
	}
	replaced := func(old, with string) string {
		if !strings.Contains(good, old) {
			t.Fatalf("no %s in %s", old, good)
		}
		return strings.Replace(good, old, with, 1)
	}
	otherVersion := strings.NewReplacer(`"Version":2`, `"Version":3`, `"Legs":[`, `"Legs":1,"Ends":[`)
	for want, state := range map[string]string{
		"unexpected EOF": good[:len(good)/2], "EOF": "", "unknown field": replaced(`"Line"`, `"Wire":1,"Line"`),
		"another version":           otherVersion.Replace(good),
		"the name of another":       replaced(`"Call":1`, `"Call":2`),
		"it began at":               replaced(`"Began":"`+field("Began"), `"Began":"1999-12-28T00:00:00Z`),
		"control characters":        replaced(`","Tag":"`, `\r\nEvil: 1","Tag":"`),
		"no Call-ID or no tag":      replaced(`"Tag":"`+field("Tag"), `"Tag":"`),
		"the local tag is not that": replaced(`"Tag":"`, `"Tag":"other`),
		"transport":                 replaced(`"Transport":"UDP"`, `"Transport":"SCTP"`),
		"session interval -1 s":     replaced(`"Seconds":0`, `"Seconds":-1`),
		"CSeq number":               replaced(`"Seq":0`, `"Seq":4294967200`),
		"no host":                   replaced(`"Target":"`+field("Target")+`"`, `"Target":"urn:x"`),
		"local address":             replaced(`"Local":"`, `"Local":"\u003c\u003c`),
	} {
		synctest.Test(t, func(t *testing.T) {
			core, logs := observer.New(zapcore.WarnLevel)
			r := newRestartable(t, func(o *Options, _ *times) { o.Logger = zap.New(core) })
			r.kill()
			r.states.calls = map[supervision.CallID][]byte{1: []byte(state)}
			r.start()
			synctest.Wait()
			said := logs.FilterMessageSnippet("cannot be taken up").All()
			if len(said) != 1 || !strings.Contains(quoted(said[0].ContextMap()["error"]), want) {
				t.Errorf("want %q: %v\n%s", want, said, state)
			}
			r.adapter.ExpectNone()
			r.service.ExpectNone()
			r.nothingSaved()
			r.incomingAs(int(r.agent.lastCall.Load()) + 1) // and the line works
		})
	}
}

func quoted(v any) string { text, _ := json.Marshal(v); return string(text) }

// A line takes up a bounded number of calls, emergency calls first.
func TestSavedCallsAreBounded(t *testing.T) {
	t.Parallel()
	state := string(stateOfACall(t))
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.kill()
		r.states.calls = map[supervision.CallID][]byte{}
		for n := 1; n <= maxSavedCalls+2; n++ {
			id := num(n)
			one := strings.NewReplacer(`"Call":1,`, `"Call":`+id+",", `","Tag":"`, id+`","Tag":"`).Replace(state)
			if n == maxSavedCalls+2 {
				one = strings.Replace(one, `"Emergency":false`, `"Emergency":true`, 1)
			}
			r.states.calls[supervision.CallID(n)] = []byte(one)
		}
		r.start()
		r.machine.saw(num(maxSavedCalls+2)+" adopted (emergency)", num(maxSavedCalls+1)+" adopted")
		if n := r.line.ordinary.Load(); n != maxSavedCalls-1 {
			t.Fatalf("%d ordinary calls", n)
		}
	})
}

// A session description with keys is not saved, and the call is taken up without it.
func TestKeysAreNotSaved(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		keyed := strings.Replace(far(), "RTP/AVP", "RTP/SAVP", 1) +
			"a=crypto:1 AES_CM_128_HMAC_SHA1_80 inline:WVNfX19zZW1jdGwgKCkgewkyMjA7fQp9CnVubGVz\r\n" // RFC 4568 section 4
		d := r.arrive(keyed)
		inv := r.adapter.Expect("INVITE")
		r.adapter.Respond(inv, 200, "near", keyed)
		r.adapter.Expect("ACK")
		d.Established(r.service.Expect("200")).Ack("")
		r.machine.saw("1 arrived", "1 answered")
		synctest.Wait()
		var s savedCall
		if err := json.Unmarshal(r.states.all()[1], &s); err != nil || s.Sent[0].Body != nil || s.Sent[1].Body != nil {
			t.Fatalf("%v; saved:\n%s%s", err, s.Sent[0].Body, s.Sent[1].Body)
		}
		r.restart()
		r.adopted("1 adopted")
	})
}

// savedExample is a state of version 2, answered at that time. If its form changes, so does savedVersion.
func savedExample(t testing.TB, answered time.Time) string {
	t.Helper()
	text, err := os.ReadFile("testdata/savedcall.json")
	if err != nil {
		t.Fatal(err)
	}
	at := answered.Format(time.RFC3339)
	return strings.ReplaceAll(string(text), "2000-01-01T00:00:00Z", at)
}

// The form of a state does not change unnoticed.
func TestFormOfAState(t *testing.T) {
	t.Parallel()
	s, err := readSavedCall(1, []byte(savedExample(t, time.Now())))
	if err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	want := &bytes.Buffer{}
	if err := json.Compact(want, []byte(savedExample(t, s.Answered))); err != nil {
		t.Fatal(err)
	}
	was := strings.NewReplacer("<", `\u003c`, ">", `\u003e`).Replace(want.String())
	if string(again) != was {
		t.Fatalf("%s\nwant\n%s", again, was)
	}
	side := streamSide{live: true, mux: true, dtls: true, opaque: true, sendsNothing: true, onHold: true,
		clocks: media.ClockRates{8: 8000}, clear: true, types: media.PayloadTypes{1, 2},
		events: media.PayloadTypes{3, 4}}
	one, err := json.Marshal((&stream{sides: [2]streamSide{side, side}}).saved().Sides[1])
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"Live":true,"Mux":true,"DTLS":true,"Opaque":true,"SendsNothing":true,"OnHold":true,"RTP":"","RTCP":"",` +
		`"Types":[1,2],"Events":[3,4]}`; string(one) != want {
		t.Fatalf("%s\nwant\n%s", one, want)
	}
}

// No state of a call, however it was changed, stops the agent.
func FuzzSavedCall(f *testing.F) {
	good := savedExample(f, time.Now())
	f.Add([]byte(good), 0, byte(0))
	f.Add([]byte(nil), 700, byte('"'))
	f.Add([]byte(strings.Replace(good, `"Invite": null`, `"Invite": {"Request": "SU5WSVRFIHNpcDo5OTkgU0lQLzIuMA0KDQo=",
		"From": "192.0.2.7:5060", "Sent": "SU5WSVRF", "Dest": "", "Rang": true, "Early": ""}`, 1)), 0, byte(0))
	network := endpointtest.Network{}
	ep, err := endpoint.Open(endpoint.Options{Packets: network.Listen(netip.MustParseAddrPort("192.0.2.1:5060"))}, nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { _ = ep.Close() })
	f.Fuzz(func(t *testing.T, state []byte, at int, with byte) {
		if len(state) == 0 { // one byte of a good state changed
			state = []byte(good)
			state[((at%len(good))+len(good))%len(good)] = with
		}
		s, err := readSavedCall(1, state)
		if err != nil {
			return
		}
		a := &Agent{log: zap.NewNop()}
		a.tables.init()
		l := &Line{a: a, log: a.log}
		l.accounts = newAccounts(l)
		c := a.makeCall(l, s.Call, s.Emergency, s.Arrived)
		for side := range s.Legs {
			if c.legs[side], err = s.Legs[side].rebuild(c, media.Side(side)); err != nil {
				return
			}
			c.legs[side].s = &socket{a: a, ep: ep}
			c.legs[side].build(sip.BYE)
			c.legs[side].refusePending(&s.Legs[side])
		}
		c.first = &inviteForwarding{from: c.legs[0], inviteAttempt: &inviteAttempt{to: c.legs[1]}}
		pair(c.legs[1].dialog, c.legs[0].dialog)
		if s.Invite != nil && c.ring(s.Invite) == nil {
			c.first.refuse(sip.StatusServiceUnavailable)
		}
		if err := c.path.restore(s); err == nil {
			c.path.expectsSound()
		}
	})
}

// A process that ends soon after it has taken up a call may have ended because of that call. After three in a row the
// call is left alone, so that the line serves again. A process that lives on begins the count anew.
func TestCallThatEndsProcesses(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.incoming()
		restart := func() {
			r.restart()
			r.machine.saw("1 adopted")
			r.asksAdapter(481, 200)
			r.machine.saw("1 adapter leg heard")
			r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
		}
		for range maxAdoptions - 1 {
			restart()
		}
		<-time.After(settledAfter + time.Second)
		for range maxAdoptions {
			restart()
		}
		r.restart()
		r.nothingSaved()
		r.line.Offer(1)
		if len(r.machine.seen) > 0 {
			t.Fatalf("event %s", <-r.machine.seen)
		}
	})
}

// An emergency call that was answered, and that cannot be continued or read, begins the call-back window all the same.
func TestLostEmergencyCallBeginsTheWindow(t *testing.T) {
	t.Parallel()
	emergency := strings.Replace(string(stateOfACall(t)), `"Emergency":false`, `"Emergency":true`, 1)
	for name, state := range map[string]string{
		"cannot be read": strings.Replace(emergency, `"Transport":"UDP"`, `"Transport":"SCTP"`, 1),
		"another socket": strings.Replace(emergency, `"Socket":"127.0.0.1:`, `"Socket":"127.0.0.2:`, 1),
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t, func(o *Options, _ *times) { o.CallbackWindow = time.Hour })
			r.kill()
			r.states.calls = map[supervision.CallID][]byte{1: []byte(state)}
			r.start()
			if name == "another socket" {
				r.onlyClears("1 adopted (emergency)")
			} else {
				r.machine.saw("1 adopted (emergency)", "1 adapter lost")
			}
			if synctest.Wait(); !r.line.inCallbackWindow() {
				t.Errorf("%s: no window", name)
			}
		})
	}
}

// The file was edited between the runs, and the line's name belongs to another adapter, contact or account now. The
// call is cleared on both sides, and nothing is opened: the loop would be another one's.
func TestCallOfAnotherOwner(t *testing.T) {
	t.Parallel()
	for _, edit := range []setting{
		func(o *Options, _ *times) { o.Lines[0].Contact = "coil 3 of unit 1 at relays" },
		func(o *Options, _ *times) { o.Lines[0].AdapterUser = "workshop" },
		func(o *Options, _ *times) { o.Lines[0].ServiceUser = "5550199" },
	} {
		synctest.Test(t, func(t *testing.T) {
			r := newRestartable(t)
			r.incoming()
			r.kill()
			r.start(edit)
			r.onlyClears("1 adopted")
		})
	}
}

// A fault of this program that one call provokes does not keep the line from serving.
func TestFaultWhileACallIsTakenUp(t *testing.T) {
	t.Parallel()
	state := strings.Replace(string(stateOfACall(t)), `"Sides":[`, `"Sides":[{},{},`, 1)
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		r.kill()
		r.states.calls = map[supervision.CallID][]byte{1: []byte(state)}
		r.start(func(o *Options, _ *times) {
			o.CallInfo = func(n callrecord.CallInfo) {
				if n.Call == 1 {
					panic("a fault")
				}
			}
		})
		r.onlyClears("1 adopted")
		r.incomingAs(2)
	})
}
