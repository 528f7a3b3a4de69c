package sipua

import (
	"slices"
	"sync"
	"testing"
	"testing/synctest"

	"clearback/bridge/sipua/uatest"
	"clearback/supervision/callrecord"
)

// notes collects the reported parties of calls.
type notes struct {
	mu    sync.Mutex
	calls []callrecord.CallInfo
	names []string
}

func (n *notes) listen(o *Options, _ *times) {
	o.CallInfo = func(note callrecord.CallInfo) { n.mu.Lock(); defer n.mu.Unlock(); n.calls = append(n.calls, note) }
	o.UserAgent = func(line, name string) {
		n.mu.Lock()
		defer n.mu.Unlock()
		n.names = append(n.names,
			line+": "+name)
	}
}

// of checks for the note of a call, which may come a little after the call's first event.
func (n *notes) of(t *testing.T, want callrecord.CallInfo) {
	t.Helper()
	var got callrecord.CallInfo
	eventually(t, "the note", func() bool {
		n.mu.Lock()
		defer n.mu.Unlock()
		i := slices.IndexFunc(n.calls, func(have callrecord.CallInfo) bool { return have.Call == want.Call })
		if i >= 0 {
			got = n.calls[i]
		}
		return i >= 0
	})
	if got != want {
		t.Errorf("note %+v, want %+v", got, want)
	}
}

func TestCallInfo(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n := &notes{}
		h := newVirtualTestBed(t, n.listen, func(o *Options, _ *times) { o.FirstCall = 40 })
		far := h.arrive(uatest.Offer("127.0.0.1", farSDP, "sendrecv"))
		inv := h.adapter.Expect("INVITE")
		h.adapter.Respond(inv, 486, "near", "")
		h.adapter.Expect("ACK")
		far.AckFailure(h.service.ExpectOf("486", "INVITE"))
		h.machine.saw("40 arrived", "40 near end cleared")
		n.of(t, callrecord.CallInfo{Line: "box-office", Call: 40, Direction: callrecord.Incoming,
			Party: callrecord.Party{Number: "5550150", Name: "Bo Tree", CallID: far.CallID}})

		near := h.request("5550151", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		h.machine.saw("41 requested", "41 far end cleared: bye")
		n.of(t, callrecord.CallInfo{Line: "box-office", Call: 41, Direction: callrecord.Outgoing,
			Party: callrecord.Party{Number: "5550151", CallID: inv.Get("Call-ID")}})
		h.machine.saw("41 adapter leg cleared: confirmed")

		near = h.request("999", uatest.Offer("127.0.0.1", nearSDP, "sendrecv"))
		inv = h.service.Expect("INVITE")
		h.service.Respond(inv, 486, "far", "")
		h.service.Expect("ACK")
		near.AckFailure(h.adapter.ExpectOf("486", "INVITE"))
		n.of(t, callrecord.CallInfo{Line: "box-office", Call: 42, Direction: callrecord.Outgoing, Emergency: true,
			Party: callrecord.Party{Number: "999", CallID: inv.Get("Call-ID")}})
	})
}

// The parties of a refused call are reported too.
func TestCallInfoOfRefusedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n := &notes{}
		h := newVirtualTestBed(t, n.listen)
		h.agent.Drain()
		near := h.dial("5550151")
		near.AckFailure(h.adapter.ExpectOf("503", "INVITE"))
		n.of(t, callrecord.CallInfo{Line: "box-office", Call: 1, Direction: callrecord.Outgoing,
			Party: callrecord.Party{Number: "5550151"}})
	})
}

// A new User-Agent of the adapter is reported, whether it came in REGISTER or in an answer.
func TestUserAgent(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		n := &notes{}
		h := newVirtualTestBed(t, n.listen, registering)
		register := func(name string) {
			h.registerAs(h.adapter, "User-Agent: "+name)
		}
		ask := func(header string) {
			done := make(chan struct{}) // closed when the adapter was asked
			go func() {
				defer close(done)
				if code, _, err := h.line.Ask(t.Context()); code != 200 || err != nil {
					t.Errorf("asked: %d, %v", code, err)
				}
			}()
			h.adapter.Respond(h.adapter.Expect("OPTIONS"), 200, "near", "", header)
			<-done
		}
		register("two-port box/1.0")
		register("two-port box/1.0")
		ask("Server: two-port box/1.0")
		register("two-port box/1.1")
		ask("User-Agent: two-port box (answering)/1.1")
		ask("User-Agent: two-port box (answering)/1.1")
		register("two-port box/1.1")
		want := []string{"box-office: two-port box/1.0", "box-office: two-port box/1.1",
			"box-office: two-port box (answering)/1.1"}
		n.mu.Lock()
		defer n.mu.Unlock()
		if !slices.Equal(n.names, want) {
			t.Errorf("told %q, want %q", n.names, want)
		}
	})
}
