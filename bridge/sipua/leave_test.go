package sipua

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/media"
	"clearback/bridge/sipua/uatest"
)

// leaving is a Leave under way.
type leaving struct {
	t       *testing.T
	settled atomic.Bool
	done    atomic.Bool
}

func (h *testBed) leave(ctx context.Context, t *testing.T) *leaving { return h.leaveIf(ctx, t, true) }

func (h *testBed) leaveIf(ctx context.Context, t *testing.T, settled bool) *leaving {
	l := &leaving{t: t}
	l.settled.Store(settled)
	go func() {
		settled := func(late bool) bool { return late || l.settled.Load() }
		if err := h.agent.Leave(t.Context(), ctx, settled); err != nil {
			t.Error(err)
		}
		l.done.Store(true)
	}()
	return l
}

// after lets d pass and checks whether the agent has left.
func (l *leaving) after(d time.Duration, want bool) {
	l.t.Helper()
	time.Sleep(d) // virtual
	synctest.Wait()
	if got := l.done.Load(); got != want {
		l.t.Fatalf("left: %v, want %v", got, want)
	}
}

// An agent that leaves sends nothing: neither a BYE, so that the calls go on, nor a REGISTER, so that the service still
// finds the line.
func TestLeaveSendsNothing(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.incoming()
		h.leave(t.Context(), t).after(20*time.Millisecond, true)
		h.service.ExpectNone()
		h.adapter.ExpectNone()
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].Register = true })
		reg := h.service.Expect("REGISTER")
		h.service.Respond(reg, 200, "registrar", "", "Contact: "+reg.Get("Contact")+";expires=3600")
		synctest.Wait()
		h.leave(t.Context(), t).after(20*time.Millisecond, true)
		h.service.ExpectNone()
	})
}

// An agent leaves in no opening, in no change of a call, and not while a call ends. What happens meanwhile is served.
func TestLeaveWaits(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		l := h.leaveIf(t.Context(), t, false)
		l.after(defaultTimes().leave+settleFor-time.Second, false)
		l.settled.Store(true)
		l.after(20*time.Millisecond, true)
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
		h.service.ExpectOf("100", "INVITE")
		hold := h.adapter.Expect("INVITE")
		l := h.leave(t.Context(), t)
		l.after(time.Second, false)
		h.adapter.Respond(hold, 200, "near", uatest.Offer("127.0.0.1", nearSDP, "recvonly"))
		h.adapter.Expect("ACK")
		l.after(100*time.Millisecond, false)
		h.service.ExpectFinal("200")
		c.far.Ack("")
		l.after(20*time.Millisecond, true)
	})
	synctest.Test(t, func(t *testing.T) { // a change that was given up, and whose end the adapter has not confirmed
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
		h.service.ExpectOf("100", "INVITE")
		hold := h.adapter.Expect("INVITE")
		h.adapter.Respond(hold, 100, "near", "")
		c.far.Cancel()
		h.service.ExpectOf("200", "CANCEL")
		h.adapter.Respond(h.adapter.Expect("CANCEL"), 200, "near", "")
		l := h.leave(t.Context(), t)
		l.after(20*time.Millisecond, false)
		h.adapter.Respond(hold, 487, "near", "")
		h.adapter.Expect("ACK")
		l.after(20*time.Millisecond, true)
		c.far.AckFailure(h.service.ExpectFinal("487"))
	})
	synctest.Test(t, func(t *testing.T) { // a refresh of the session timer (RFC 4028 section 7.4) by INVITE
		h := newVirtualTestBed(t, timed(90, 20*time.Millisecond))
		h.answered("Session-Expires: 90;refresher=uac", "Require: timer", "Allow: INVITE, ACK, BYE, CANCEL")
		refresh := h.service.Expect("INVITE")
		l := h.leave(t.Context(), t)
		l.after(100*time.Millisecond, false)
		h.service.Respond(refresh, 200, "", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.service.Expect("ACK")
		l.after(20*time.Millisecond, true)
	})
	synctest.Test(t, func(t *testing.T) { // a digit on its way to the far end (RFC 6086)
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("INFO", "Signal=5\r\n", "Content-Type: application/dtmf-relay")
		info := h.service.Expect("INFO")
		l := h.leave(t.Context(), t)
		l.after(time.Second, false)
		h.service.Respond(info, 200, "", "")
		h.adapter.ExpectOf("200", "INFO")
		l.after(20*time.Millisecond, true)
	})
	synctest.Test(t, func(t *testing.T) { // a transfer that the service has not accepted
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("REFER", "", "Refer-To: <sip:555-0160@pbx.example>")
		refer := h.service.Expect("REFER")
		l := h.leave(t.Context(), t)
		l.after(time.Second, false)
		h.service.Respond(refer, 202, "", "")
		h.adapter.ExpectOf("202", "REFER")
		l.after(20*time.Millisecond, true)
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		c.near.Request("BYE", "")
		h.adapter.ExpectOf("200", "BYE")
		bye := h.service.Expect("BYE")
		l := h.leave(t.Context(), t)
		l.after(100*time.Millisecond, false)
		h.service.Respond(bye, 200, "", "")
		l.after(20*time.Millisecond, true)
	})
}

// A call that rings is awaited for times.leave, an emergency call that is not answered for as long as it takes, unless
// ctx ends.
func TestLeaveWithUnansweredCalls(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		h.adapter.Respond(h.adapter.Expect("INVITE"), 180, "near", "")
		h.service.Expect("180")
		l := h.leave(t.Context(), t)
		l.after(defaultTimes().leave-time.Second, false)
		l.after(2*time.Second, true)
	})
	emergency := func(t *testing.T, h *testBed) (answer func()) {
		near := h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 180, "psap", "")
		h.adapter.Expect("180")
		return func() {
			h.service.Respond(inv, 200, "psap", uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
			h.service.Expect("ACK")
			near.Established(h.adapter.Expect("200")).Ack("")
		}
	}
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		answer := emergency(t, h)
		l := h.leave(t.Context(), t)
		l.after(2*defaultTimes().leave, false)
		answer()
		l.after(100*time.Millisecond, true)
		h.service.ExpectNone()
		h.adapter.ExpectNone()
	})
	synctest.Test(t, func(t *testing.T) { // the time for the loops begins with the answer
		h := newVirtualTestBed(t)
		answer := emergency(t, h)
		l := h.leaveIf(t.Context(), t, false)
		l.after(2*defaultTimes().leave, false)
		answer()
		l.after(defaultTimes().leave, false)
		l.after(settleFor+time.Second, true)
	})
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		emergency(t, h)
		ctx, hurry := context.WithCancel(t.Context())
		l := h.leave(ctx, t)
		l.after(time.Second, false)
		hurry()
		l.after(20*time.Millisecond, true)
	})
}

// The next process registers the Contact of the one that has left, under which the service calls. Until then it passes
// ordinary calls on as if it were registered. A full stop leaves nothing.
func TestRegistrationOfAnEarlierProcess(t *testing.T) {
	t.Parallel()
	saved := map[string]SavedRegistration{}
	registering := func(o *Options, _ *times) {
		o.Lines[0].Register = true
		o.SavedRegistration = func(line string, second bool) (SavedRegistration, bool) {
			r, ok := saved[line]
			return r, ok && !second
		}
		o.SaveRegistration = func(line string, _ bool, r *SavedRegistration) {
			if delete(saved, line); r != nil {
				saved[line] = *r
			}
		}
	}
	granted := func(h *testBed) (contact string) {
		reg := h.service.Expect("REGISTER")
		h.service.Respond(reg, 200, "registrar", "", "Contact: "+reg.Get("Contact")+";expires=3600")
		synctest.Wait()
		return reg.Get("Contact")
	}
	user := func(contact string) string {
		name, _, _ := strings.Cut(contact, "@")
		return name
	}
	var former string
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		former = granted(h)
		h.leave(t.Context(), t).after(20*time.Millisecond, true)
	})
	kept := saved["box-office"]
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, registering)
		reg := h.service.Expect("REGISTER")
		if got := reg.Get("Contact"); user(got) != user(former) {
			t.Errorf("Contact %s, but the service calls %s", got, former)
		}
		h.request("5550150", uatest.Offer("127.0.0.1", nearSDP, "sendrecv")) // the REGISTER is not answered yet
		h.service.Expect("INVITE")
	})
	for what, spoil := range map[string]func(*SavedRegistration){
		"another account's": func(r *SavedRegistration) { r.Owner = "sip:elsewhere.example" },
		"malformed":         func(r *SavedRegistration) { r.Token = "x>\r\nContact: <sip:y" },
	} {
		spoilt := kept
		spoil(&spoilt)
		saved["box-office"] = spoilt
		synctest.Test(t, func(t *testing.T) {
			h := newVirtualTestBed(t, registering)
			got := h.service.Expect("REGISTER").Get("Contact")
			if user(got) == user(former) || !validToken.MatchString(strings.TrimPrefix(user(got), "<sip:")) {
				t.Errorf("%s: Contact %s", what, got)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) { // each refresh is saved
		h := newVirtualTestBed(t, registering)
		granted(h)
		first := saved["box-office"].Until
		time.Sleep(54 * time.Minute) // virtual; the refresh is due then
		granted(h)
		if until := saved["box-office"].Until; !until.After(first) {
			t.Errorf("saved until %v, before the refresh %v", until, first)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		kept.Until = time.Now()
		saved["box-office"] = kept
		h := newVirtualTestBed(t, registering)
		if h.line.Status().Service.Registered {
			t.Error("registered, but the time has passed")
		}
		granted(h)
	})
	if len(saved) > 0 {
		t.Errorf("after a full stop: %v", saved)
	}
}

// handOver has the agent leave, and starts another one.
func (r *restartable) handOver() {
	r.t.Helper()
	if err := r.agent.Leave(r.t.Context(), r.t.Context(), func(bool) bool { return true }); err != nil {
		r.t.Fatal(err)
	}
	if err := r.agent.media.Leave(); err != nil {
		r.t.Fatal(err)
	}
	r.states = &savedStates{calls: r.states.all()}
	r.start()
}

// An agent that leaves saves the last change of each call, which a crash might lose. Its calls have not made it crash,
// so they are taken up however often it leaves.
func TestLeaveSavesTheLastChange(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := newRestartable(t)
		c := r.incoming()
		for range maxAdoptions + 2 {
			c.far.Request("INVITE", uatest.Offer("127.0.0.1", farSDP, "sendonly"))
			r.adapter.Respond(r.adapter.Expect("INVITE"), 200, "near", uatest.Offer("127.0.0.1", nearSDP, "recvonly"))
			r.adapter.Expect("ACK")
			m := r.service.ExpectFinal("200")
			c.far.Ack("")
			synctest.Wait()
			r.handOver()
			var s savedCall
			if err := json.Unmarshal(r.states.all()[1], &s); err != nil {
				t.Fatal(err)
			}
			if seq, _ := m.CSeq(); int(s.Legs[media.ServiceSide].RemoteSeq) != seq {
				t.Errorf("saved: the request %d of the far end; the last one was %d",
					s.Legs[media.ServiceSide].RemoteSeq, seq)
			}
			r.adopted("1 adopted")
			synctest.Wait()
		}
	})
}

// If the caller changes its mind, the agent goes on.
func TestLeaveGivenUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		c := h.incoming()
		ctx, stay := context.WithCancel(t.Context())
		left := make(chan error, 1) // one result, received below
		go func() { left <- h.agent.Leave(ctx, t.Context(), func(bool) bool { return false }) }()
		time.Sleep(time.Second)
		stay()
		if err := <-left; !errors.Is(err, context.Canceled) {
			t.Fatalf("left: %v", err)
		}
		c.far.Request("BYE", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "", "")
		h.service.ExpectOf("200", "BYE")
	})
}

// What was read may take long to handle, for example because a TCP peer does not read. The sockets are not paused for
// that long: calls for help are served meanwhile.
func TestLeavePausesBriefly(t *testing.T) {
	t.Parallel()
	h := newTestBed(t) // of real time: the gate of the sockets does not stop virtual time
	h.incoming()
	c, reading, handled := h.agent.call(1), make(chan struct{}), make(chan struct{}) // closed when they have happened
	read, handle := sync.OnceFunc(func() { close(reading) }), sync.OnceFunc(func() { close(handled) })
	defer handle()
	left := make(chan error, 1) // one result, received below
	go func() {
		left <- h.agent.Leave(t.Context(), t.Context(), func(bool) bool {
			c.post(func() { read(); <-handled })
			return true
		})
	}()
	<-reading
	h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
	h.service.Respond(h.service.Expect("INVITE"), 486, "psap", "")
	h.service.Expect("ACK")
	handle()
	if err := <-left; err != nil {
		t.Error(err)
	}
}

// An emergency call that has been left to the next process is no reason to wait for this one.
func TestLeftEmergencyCallIsNotUp(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		h.emergency()
		if !h.agent.EmergencyUp() {
			t.Error("no emergency call is up")
		}
		h.leave(t.Context(), t).after(20*time.Millisecond, true)
		if h.agent.EmergencyUp() {
			t.Error("it is still up here")
		}
	})
}
