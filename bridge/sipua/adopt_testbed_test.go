package sipua

import (
	"maps"
	"net/netip"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/endpoint"
	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/uatest"
	"clearback/supervision"
)

// savedStates stands in for the folder of saved calls.
type savedStates struct {
	mu    sync.Mutex
	calls map[supervision.CallID][]byte
	saves int
	// saving, if not nil, gets each state that is to be saved
	saving func(state []byte)
	// slow: the states that are to be saved wait in waiting
	slow    bool
	waiting []func(error)
}

func (s *savedStates) save(call supervision.CallID, state []byte, done func(error)) {
	if s.saving != nil {
		s.saving(state)
	}
	s.mu.Lock()
	slow := s.slow
	if s.saves++; state == nil {
		delete(s.calls, call)
	} else {
		if s.calls == nil {
			s.calls = map[supervision.CallID][]byte{}
		}
		s.calls[call] = state
	}
	if slow && done != nil {
		s.waiting = append(s.waiting, done)
	}
	s.mu.Unlock()
	if !slow && done != nil {
		done(nil)
	}
}

func (s *savedStates) all() map[supervision.CallID][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return maps.Clone(s.calls)
}

func (s *savedStates) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.saves
}

// savingTo saves the calls in s, and takes up those that are there.
func savingTo(s *savedStates) setting {
	return func(o *Options, _ *times) { o.SavedCalls, o.SaveCall = s.all(), s.save }
}

// restartable is a test bed whose agent can be killed and started again.
type restartable struct {
	*testBed
	states   *savedStates
	network  *memoryNetwork // nil: real sockets
	settings []setting
	dead     atomic.Bool       // nothing leaves the agent
	sockets  [2]netip.AddrPort // the agent's; set before it is dead for the first time
}

func newRestartable(t *testing.T, settings ...setting) *restartable {
	t.Helper()
	r := &restartable{states: &savedStates{}, network: &memoryNetwork{}, settings: settings}
	r.network.network.Lose = func(p endpointtest.Packet) bool {
		return r.dead.Load() && (p.From == r.sockets[0] || p.From == r.sockets[1])
	}
	r.testBed = newTestBedIn(t, r.network, append([]setting{savingTo(r.states)}, settings...)...)
	r.sockets = [2]netip.AddrPort{r.toAdapter, r.toService}
	return r
}

// newRestartableRelay is newRestartable on real sockets, with relayed media.
func newRestartableRelay(t *testing.T, settings ...setting) *restartable {
	t.Helper()
	r := &restartable{states: &savedStates{}, settings: append([]setting{relaying}, settings...)}
	r.testBed = newTestBed(t, append([]setting{savingTo(r.states)}, r.settings...)...)
	return r
}

// kill ends the agent without a message to anybody.
func (r *restartable) kill() {
	r.t.Helper()
	if r.network != nil {
		<-time.After(saveEvery)
		synctest.Wait()
	}
	states := &savedStates{calls: r.states.all()}
	r.dead.Store(true)
	if err := r.agent.closeSockets(); err != nil {
		r.t.Fatal(err)
	}
	if err := r.agent.media.Close(); err != nil {
		r.t.Fatal(err)
	}
	r.states = states
}

// start starts an agent again on the sockets of the last one. It takes up what was saved.
func (r *restartable) start(more ...setting) {
	r.t.Helper()
	toAdapter, toService := r.toAdapter, r.toService
	here := func(o *Options, _ *times) {
		o.Lines[0].AdapterSocket.Listen, o.Lines[0].ServiceSocket.Listen = toAdapter, toService
		if r.network != nil {
			o.packets = func(at netip.AddrPort) endpoint.Packets { return r.network.network.Listen(at) }
		}
	}
	r.dead.Store(false)
	settings := append([]setting{savingTo(r.states), here}, append(r.settings, more...)...)
	r.testBed = newTestBedOf(r.t, r.adapter, r.service, settings...)
}

func (r *restartable) restart(more ...setting) {
	r.t.Helper()
	r.kill()
	r.start(more...)
}

// asksAdapter answers the two questions to the adapter: one in a dialog that never existed, one in the call. A code of
// 0 leaves the question unanswered.
func (r *restartable) asksAdapter(foreign, known int) uatest.Message {
	r.t.Helper()
	q := r.adapter.Expect("OPTIONS")
	m := r.adapter.Expect("OPTIONS")
	if q.Get("Call-ID") == m.Get("Call-ID") || q.Get("From") == m.Get("From") || q.Get("To") == m.Get("To") {
		r.t.Fatalf("the first question is in the dialog of the call: %s", q)
	}
	if foreign > 0 {
		r.adapter.Respond(q, foreign, "", "")
	}
	if known > 0 {
		r.adapter.Respond(m, known, "", "")
	}
	return m
}

// adopted plays both ends of a call that is up after a restart.
func (r *restartable) adopted(event string) {
	r.t.Helper()
	r.machine.saw(event)
	r.asksAdapter(481, 200)
	r.machine.saw("1 adapter leg heard")
	r.service.Respond(r.service.Expect("OPTIONS"), 200, "", "")
}

// onlyClears plays both ends of a call that is only cleared after a restart. The machine learns of it at once, and of
// its end when the adapter's leg is over.
func (r *restartable) onlyClears(event string) {
	r.t.Helper()
	r.machine.saw(event)
	bye := r.adapter.Expect("BYE")
	if len(r.machine.seen) > 0 {
		r.t.Fatalf("event %s", <-r.machine.seen)
	}
	r.adapter.Respond(bye, 200, "", "")
	r.machine.saw("1 far end cleared: shutdown", "1 adapter leg cleared: confirmed")
	r.service.Respond(r.service.Expect("BYE"), 200, "", "")
	r.atRest()
	if len(r.machine.seen) > 0 {
		r.t.Fatalf("event %s", <-r.machine.seen)
	}
	r.nothingSaved()
}

// nothingSaved checks that no state is left.
func (r *restartable) nothingSaved() {
	r.t.Helper()
	eventually(r.t, "no state is left", func() bool { return len(r.states.all()) == 0 })
}
