package sipua

import (
	"context"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/sipua/uatest"
)

// change calls Change with a commit that always agrees.
func (h *testBed) change(set []LineOptions, remove ...string) bool {
	h.t.Helper()
	done, err := h.agent.Change(h.t.Context(), set, remove, func([]*Line) bool { return true })
	require.NoError(h.t, err)
	return done
}

// A line with a call is neither replaced nor removed. Other lines come and go meanwhile, and the call continues.
func TestChangeBesideACall(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var door LineOptions
		h := newVirtualTestBed(t, secondLine, func(o *Options, _ *times) { door = o.Lines[1] })
		call := h.incoming()
		require.True(t, h.change(nil, "stage-door"))
		require.Nil(t, h.agent.Line("stage-door"))
		stranger := h.service.Call("sip:5550101@"+h.toService.String(), "<sip:5550150@pbx.example>", h.toService, "")
		stranger.AckFailure(h.service.Expect("404"))
		require.True(t, h.change([]LineOptions{door}))
		require.NotNil(t, h.agent.Line("stage-door"))

		more := h.line.o
		more.MaxCalls = 9
		require.False(t, h.change([]LineOptions{more}))
		require.False(t, h.change(nil, "box-office"))
		require.Same(t, h.line, h.agent.Line("box-office"))
		call.far.Request("BYE", "")
		h.adapter.Respond(h.adapter.Expect("BYE"), 200, "near", "")
		h.service.ExpectOf("200", "BYE")
		h.machine.saw("1 far end cleared: bye", "1 adapter leg cleared: confirmed")
		h.atRest()

		done, err := h.agent.Change(t.Context(), []LineOptions{more}, nil, func([]*Line) bool { return false })
		require.NoError(t, err)
		require.False(t, done, "the machine does not agree")
		require.Same(t, h.line, h.agent.Line("box-office"))
		require.True(t, h.change([]LineOptions{more}))
		require.NotSame(t, h.line, h.agent.Line("box-office"))
		h.line = h.agent.Line("box-office")
		h.incomingAs(2)
	})
}

// Change waits for a call that is being admitted, and a call that comes meanwhile gets the new line.
func TestChangeWaitsForAdmission(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		require.True(t, h.agent.admission.enter())
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		done, err := h.agent.Change(ctx, []LineOptions{h.line.o}, nil, func([]*Line) bool { return true })
		require.NoError(t, err)
		require.False(t, done)
		changed := make(chan bool, 1) // one result
		go func() { changed <- h.change([]LineOptions{h.line.o}) }()
		synctest.Wait()
		h.agent.admission.leave()
		require.True(t, <-changed)
		now := h.agent.Line("box-office")
		require.Same(t, now, h.line.current(false))
		require.Same(t, now.accounts[0], h.line.accounts[0].current(false))
		now.adapter = now.service // the line gets other sockets
		require.Nil(t, h.line.current(false))
		require.Same(t, now, h.line.current(true), "a call for help is put through even so")
		require.Same(t, now.accounts[0], h.line.accounts[0].current(true))
		require.True(t, h.change(nil, "box-office"))
		require.Nil(t, h.line.current(true))
		require.Nil(t, h.line.accounts[0].current(true))
	})
}

// Nobody asks any more whether the service of a line that a reload has replaced is back.
func TestChangeEndsRecoveryProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		old := h.line.accounts[0]
		old.down.Store(true)
		old.probing.Store(true)
		ended := make(chan struct{}) // closed when the probes have ended
		go func() { old.awaitRecovery(); close(ended) }()
		time.Sleep(h.agent.times.recoveryProbe)
		h.service.Expect("OPTIONS") // left unanswered
		require.True(t, h.change([]LineOptions{h.line.o}))
		<-ended
		require.True(t, old.down.Load())
	})
}

// A call for help is put through on a line that is replaced again and again.
func TestChangesAndACallForHelp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		for range 20 {
			stop := make(chan struct{}) // closed when the call is over
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				for {
					select {
					case <-stop:
						return
					case <-time.After(time.Microsecond):
						h.change([]LineOptions{h.line.o})
					}
				}
			}()
			near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			h.adapter.ExpectOf("100", "INVITE")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 486, "far", "")
			near.AckFailure(h.adapter.Expect("486"))
			h.service.Expect("ACK")
			close(stop)
			<-ended
		}
	})
}

// A line that gets the account of another one registers once that one has un-registered, whatever its name. An
// un-REGISTER that came later would end the new registration at services that keep one for each user. A line whose
// account stays the same sends nothing.
func TestChangeMovesAnAccount(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.Lines[0].Register = true })
		grant := func(expires string) {
			t.Helper()
			m := h.service.Expect("REGISTER")
			require.Equal(t, expires, m.Get("Expires"))
			h.service.ExpectNone() // nothing beside it
			h.service.Respond(m, 200, "pbx", "", "Contact: "+m.Get("Contact"), "Expires: "+expires)
			synctest.Wait()
		}
		grant("3600")
		more := h.line.o
		more.MaxCalls = 9
		for range 2 {
			require.True(t, h.change([]LineOptions{more}))
			h.service.ExpectNone()
			require.True(t, h.agent.Line("box-office").Status().Service.Registered)
		}
		require.Same(t, h.agent.Line("box-office").accounts[0], h.agent.Line("box-office").accounts[0].client.owner.Load())
		renamed := more
		renamed.Name = "stage-door"
		require.True(t, h.change([]LineOptions{renamed}, "box-office"))
		grant("0")
		grant("3600")
		require.True(t, h.agent.Line("stage-door").Status().Service.Registered)
		go func() { h.service.Respond(h.service.Expect("REGISTER"), 200, "pbx", "") }() // the end of the agent
		h.agent.Unregister()
	})
}

// A replaced line ends its registration at the service before it makes a new one, with the same Contact. The other line
// sends nothing.
func TestChangeRegistersAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		register := func(o *Options, _ *times) {
			for i := range o.Lines {
				o.Lines[i].Register = true
			}
		}
		h := newVirtualTestBed(t, secondLine, register)
		var contact string
		for range 2 {
			m := h.service.Expect("REGISTER")
			if uatest.URI(m.Get("To")) == "sip:"+serviceUser+"@"+h.service.At.String() {
				contact = m.Get("Contact")
			}
			h.service.Respond(m, 200, "pbx", "", "Contact: "+m.Get("Contact"), "Expires: 3600")
		}
		require.NotEmpty(t, contact)
		synctest.Wait() // both are registered
		o := h.line.o
		o.Expires = 10 * time.Minute
		require.True(t, h.change([]LineOptions{o}))
		last := h.service.Expect("REGISTER")
		require.Equal(t, "0", last.Get("Expires"))
		h.service.ExpectNone()
		h.service.Respond(last, 200, "pbx", "")
		next := h.service.Expect("REGISTER")
		require.Equal(t, "600", next.Get("Expires"))
		require.Equal(t, uatest.URI(contact), uatest.URI(next.Get("Contact")))
		h.service.Respond(next, 200, "pbx", "", "Contact: "+next.Get("Contact"), "Expires: 600")
		synctest.Wait()
		require.True(t, h.agent.Line("box-office").Status().Service.Registered)
		go func() { // the end of the agent
			for range 2 {
				h.service.Respond(h.service.Expect("REGISTER"), 200, "pbx", "")
			}
		}()
		h.agent.Unregister()
	})
}

// The call-back window of a line that was removed and comes back holds for all lines again.
func TestChangeAddsACallbackWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var door LineOptions
		h := newVirtualTestBed(t, secondLine, func(o *Options, _ *times) {
			door, o.Lines = o.Lines[1], o.Lines[:1]
			door.CallbackUntil = time.Now().Add(time.Minute)
		})
		require.False(t, h.agent.expectsCallback())
		require.True(t, h.change([]LineOptions{door}))
		require.True(t, h.agent.expectsCallback())
		time.Sleep(time.Minute)
		require.False(t, h.agent.expectsCallback())
	})
}

// A line that replaces another one keeps its call-back window.
func TestChangeKeepsTheCallbackWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t, func(o *Options, _ *times) { o.CallbackWindow = time.Minute })
		h.line.expectCallback()
		o := h.line.o
		o.MaxCalls = 3
		require.True(t, h.change([]LineOptions{o}))
		require.True(t, h.agent.Line("box-office").inCallbackWindow())
		time.Sleep(time.Minute)
		require.False(t, h.agent.Line("box-office").inCallbackWindow())
	})
}

// Check names what a restart would be needed for.
func TestCheckLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newVirtualTestBed(t)
		o := h.line.o
		require.NoError(t, h.agent.Check([]LineOptions{o}))
		require.ErrorContains(t, h.agent.Check([]LineOptions{o, o}), "given twice")
		other := o
		other.Name = "stage-door"
		require.ErrorContains(t, h.agent.Check([]LineOptions{o, other}), "is also used by line box-office")
		other.ServiceSocket.Listen = netip.MustParseAddrPort("127.0.0.1:5999")
		require.ErrorIs(t, h.agent.Check([]LineOptions{o, other}), ErrNoSocket)
		h.agent.media = nil
		o.Relay = true
		require.ErrorIs(t, h.agent.Check([]LineOptions{o}), ErrNoRelay)
	})
}
