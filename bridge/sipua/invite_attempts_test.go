package sipua

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/uatest"
)

// emergencyService is how a service responds to an emergency call.
type emergencyService struct {
	name string
	at   []time.Duration // the times of the responses in says
	says []int
	gone bool // its host is not found: a transport error
}

// sec is a second on the clock of these tests. TestMain shortens T1 to a twentieth, and all other times are shortened
// alike.
const sec = time.Second / 20

// emergencyServices are the services. The second is tried when the first has sent no 18x for 4 s (2 s if it sends
// nothing).
var emergencyServices = []emergencyService{
	{name: "480", at: []time.Duration{0}, says: []int{480}},
	{name: "503", at: []time.Duration{0}, says: []int{503}},
	{name: "486", at: []time.Duration{0}, says: []int{486}},
	{name: "404", at: []time.Duration{0}, says: []int{404}},
	{name: "500 after 6 s", at: []time.Duration{0, 6 * sec}, says: []int{100, 500}},
	{name: "486 after it rang", at: []time.Duration{sec, 9 * sec}, says: []int{180, 486}},
	{name: "nothing"},
	{name: "no host", gone: true},
	{name: "100 only", at: []time.Duration{0}, says: []int{100}},
	{name: "180 only", at: []time.Duration{sec}, says: []int{180}},
	{name: "183 after 5 s only", at: []time.Duration{0, 5 * sec}, says: []int{100, 183}},
	{name: "200", at: []time.Duration{0}, says: []int{200}},
	{name: "200 after 5 s", at: []time.Duration{0, 5 * sec}, says: []int{100, 200}},
	{name: "200 after 15 s", at: []time.Duration{0, 15 * sec}, says: []int{100, 200}},
	{name: "200 after it rang", at: []time.Duration{sec, 12 * sec}, says: []int{180, 200}},
	{name: "200 out of silence", at: []time.Duration{3 * sec}, says: []int{200}},
}

func (b *emergencyService) last() int {
	if len(b.says) == 0 {
		return 0
	}
	return b.says[len(b.says)-1]
}

func (b *emergencyService) answers() bool { return b.last() == 200 }
func (b *emergencyService) refuses() bool { return b.last() >= 300 }

// rings reports whether the service rings without answering at once, and when.
func (b *emergencyService) rings() (time.Duration, bool) {
	for i, code := range b.says {
		if code > 100 && code < 200 {
			return b.at[i], true
		}
	}
	return 0, false
}

// centre is a service with one of these behaviours. It handles a CANCEL as RFC 3261 section 9.2 requires: before a
// final response the CANCEL ends the INVITE.
type centre struct {
	p     *uatest.Peer
	habit *emergencyService

	mu        sync.Mutex
	invited   time.Time // zero: never
	answered  bool
	cancelled bool
	cleared   bool
}

// serve runs until the test of its peer ends.
func (s *centre) serve(quit <-chan struct{}) {
	for {
		select {
		case m := <-s.p.In:
			s.take(m)
		case <-quit:
			return
		}
	}
}

func (s *centre) take(m uatest.Message) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case m.Is("INVITE"):
		if !s.invited.IsZero() {
			s.p.T.Errorf("%s: a second INVITE", s.p.Name)
		}
		s.invited = time.Now()
		for i := range s.habit.says {
			time.AfterFunc(s.habit.at[i], func() { s.say(m, s.habit.says[i]) })
		}
	case m.Is("CANCEL"):
		s.p.Respond(m, 200, s.p.Name, "")
		if !s.answered && !s.cancelled {
			s.cancelled = true
			s.p.Respond(*s.invite(m), 487, s.p.Name, "")
		}
	case m.Is("BYE"):
		s.cleared = true
		s.p.Respond(m, 200, "", "")
	case m.Is("OPTIONS"):
		if s.habit.last() != 0 {
			s.p.Respond(m, 200, s.p.Name, "")
		}
	}
}

// invite returns the INVITE that a CANCEL belongs to, as far as a response needs it.
func (s *centre) invite(m uatest.Message) *uatest.Message {
	m.Headers = slices.Clone(m.Headers)
	for i, h := range m.Headers {
		if strings.HasPrefix(h, "CSeq:") {
			m.Headers[i] = strings.Replace(h, "CANCEL", "INVITE", 1)
		}
	}
	return &m
}

func (s *centre) say(m uatest.Message, code int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cancelled || s.cleared {
		return
	}
	s.answered = s.answered || code >= 200
	body := ""
	if code == 200 {
		body = far()
	}
	s.p.Respond(m, code, s.p.Name, body)
}

// emergencyCase is a pair of services. The expected outcome follows from the standards and SAFETY.md, not from the
// code.
type emergencyCase struct{ first, second *emergencyService }

// secondTried returns when the second service is tried: as soon as the first has failed, after 2 s without a response,
// or after 4 s without an 18x.
func (c emergencyCase) secondTried() (at time.Duration, tried bool) {
	f := c.first
	rings, ringing := f.rings()
	switch {
	case f.gone:
		return 0, true
	case len(f.says) == 0, f.at[0] >= 2*sec:
		return 2 * sec, true
	case f.refuses() && (f.at[len(f.at)-1] < 4*sec || ringing && rings < 4*sec):
		return f.at[len(f.at)-1], true
	case ringing && rings < 4*sec:
		return 0, false
	case f.answers() && f.at[len(f.at)-1] < 4*sec:
		return 0, false
	}
	return 4 * sec, true
}

// answered returns which service gets the call, 0 for none.
func (c emergencyCase) answered() int {
	at, tried := c.secondTried()
	first, second := c.first.answers(), tried && c.second.answers()
	switch {
	case first && second:
		if c.first.at[len(c.first.at)-1] <= at+c.second.at[len(c.second.at)-1] {
			return 1
		}
		return 2
	case first:
		return 1
	case second:
		return 2
	}
	return 0
}

// For each pair of services: if one can answer the call, exactly one does. If none can, the final status of each
// service is posted.
func TestEmergencyServices(t *testing.T) {
	t.Parallel()
	for i := range emergencyServices {
		for k := range emergencyServices {
			c := emergencyCase{&emergencyServices[i], &emergencyServices[k]}
			t.Run(c.first.name+", "+c.second.name, func(t *testing.T) { synctest.Test(t, c.run) })
		}
	}
}

func (c emergencyCase) run(t *testing.T) {
	h, reserve := newVirtualTestBedOfTwo(t, func(o *Options, times *times) {
		d := defaultTimes()
		times.silence, times.emergencySilence, times.final, times.probe = d.silence/20, d.emergencySilence/20,
			d.final/20, d.probe/20
		if c.first.gone {
			o.Lines[0].ServiceProxy = "pbx.example:5060"
		}
		if c.second.gone {
			o.Lines[0].Second.Proxy = "reserve.example:5060"
		}
	})
	first, second := &centre{p: h.service, habit: c.first}, &centre{p: reserve, habit: c.second}
	quit := make(chan struct{}) // closed at the end of the test
	var served sync.WaitGroup
	served.Go(func() { first.serve(quit) })
	served.Go(func() { second.serve(quit) })
	defer func() { close(quit); served.Wait() }()

	began := time.Now()
	near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
	code := h.finalOf(near, 60*sec)
	synctest.Wait()
	h.machine.saw("1 requested (emergency)")

	who, gaveUp := c.answered(), code == 487
	switch {
	case who != 0 && code != 200:
		t.Errorf("service %d answers, and the adapter gets %d", who, code)
	case who == 0 && code == 200:
		t.Error("no service answers, and the adapter gets 200")
	}
	at, tried := c.secondTried()
	if who == 1 && c.first.at[len(c.first.at)-1] <= at {
		tried = false
	}
	if !c.second.gone && tried == second.invited.IsZero() {
		t.Errorf("the second service is tried: %t, want %t", !second.invited.IsZero(), tried)
	}
	if d := second.invited.Sub(began); tried && !second.invited.IsZero() && (d < at || d > at+sec/10) {
		t.Errorf("the second service is tried after %v, want %v", d, at)
	}
	c.ends(h, near, [3]*centre{nil, first, second}, who, tried, gaveUp)
}

// finalOf waits for the final response and acknowledges it. Without one the call is cancelled after d.
func (h *testBed) finalOf(near *uatest.Dialog, d time.Duration) int {
	h.t.Helper()
	limit := time.AfterFunc(d, near.Cancel)
	defer limit.Stop()
	for {
		m := <-h.adapter.In
		_, method := m.CSeq()
		code := atoi(strings.Fields(m.Start)[1])
		switch {
		case method != "INVITE" || code < 200:
		case code == 200:
			near.Established(m).Ack("")
			return code
		default:
			near.AckFailure(m)
			return code
		}
	}
}

// ends checks the events, ends the call, and checks what is left at the services.
func (c emergencyCase) ends(h *testBed, near *uatest.Dialog, at [3]*centre, who int, tried, gaveUp bool) {
	t := h.t
	if who != 0 {
		h.machine.saw("1 answered")
		time.Sleep(40 * sec) // late responses of the other service
		near.Request("BYE", "")
		h.adapter.Expect("200")
		h.machine.saw("1 near end cleared")
	} else if gaveUp {
		h.machine.saw("1 near end cleared")
	} else {
		h.machine.saw(c.evidence())
	}
	told := h.machine.attemptEvents()
	if who == 0 {
		for n, service := range []string{1: "", 2: " second"} {
			if n == 0 || n == 2 && !tried {
				continue
			}
			k := slices.IndexFunc(told, func(s string) bool { return strings.HasSuffix(s, " second") == (n == 2) })
			if k < 0 {
				t.Errorf("the outcome at the%s service was not posted: %q", service, told)
			} else if want := c.said(n); told[k] != want {
				t.Errorf("posted %q, want %q", told[k], want)
			}
		}
	}
	time.Sleep(120 * sec)
	synctest.Wait()
	h.atRest()
	for n, s := range at {
		if s == nil || s.invited.IsZero() {
			continue
		}
		s.mu.Lock()
		switch {
		case s.answered && s.habit.answers() && !s.cleared:
			t.Errorf("service %d answered, and its call was not cleared", n)
		case !s.answered && !s.cancelled && len(s.habit.says) > 0:
			t.Errorf("the call at service %d was not ended", n)
		}
		s.mu.Unlock()
	}
	if who == 0 {
		return
	}
	told = append(told, h.machine.attemptEvents()...)
	switch other := at[3-who]; {
	case other.answered && other.habit.answers():
		if !strings.Contains(strings.Join(told, ","), " 200 ") {
			t.Errorf("a second answer was not posted: %q", told)
		}
	case !other.invited.IsZero() && len(other.habit.says) == 0 && !slices.Contains(told, c.said(3-who)):
		t.Errorf("posted %q, want %q", told, c.said(3-who))
	}
}

// attemptEvents returns the AttemptEnded events so far.
func (d *machineStandIn) attemptEvents() []string {
	var all []string
	for len(d.attempts) > 0 {
		all = append(all, <-d.attempts)
	}
	return all
}

// evidence is that of the service that fails last. A service that sends nothing is abandoned 4 s after it was tried.
func (c emergencyCase) evidence() string {
	fails := func(b *emergencyService) time.Duration {
		switch {
		case b.gone:
			return 0
		case b.refuses():
			return b.at[len(b.at)-1]
		}
		return 4 * sec
	}
	at, _ := c.secondTried()
	last := c.second
	if fails(c.first) > at+fails(c.second) {
		last = c.first
	}
	if last.refuses() {
		return "1 far end cleared: bye"
	}
	return "1 far end cleared: service-lost"
}

// said is the expected event for a service that did not answer.
func (c emergencyCase) said(n int) string {
	b, second := c.first, ""
	if n == 2 {
		b, second = c.second, " second"
	}
	progress := "none"
	if len(b.says) > 0 && b.says[0] == 100 {
		progress = "trying"
	}
	if _, rings := b.rings(); rings {
		progress = "ringing"
	}
	code := 0
	if b.refuses() {
		code = b.last()
	}
	return fmt.Sprintf("1 attempt ended: %d %s%s", code, progress, second)
}

// Two accounts at one host are one attempt. While the first account may still answer, the call is not tried there a
// second time. After a refusal it is tried with the other account.
func TestEmergencyServicesAtOneHost(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t)
		h.line.accounts[1].Proxy = h.service.At.String()
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.Expect("100")
		inv := h.service.Expect("INVITE")
		h.service.Respond(inv, 100, "", "")
		h.service.ExpectSilence(20 * sec)
		h.service.Respond(inv, 480, "far", "")
		h.service.Expect("ACK")
		inv = h.service.Expect("INVITE")
		contains(t, inv.Start, "sip:999@"+reserve.At.String())
		h.service.Respond(inv, 200, "far", far())
		h.service.Expect("ACK")
		near.Established(h.adapter.Expect("200")).Ack("")
		h.machine.saw("1 requested (emergency)", "1 answered")
		if got, want := h.machine.attemptEvents(), []string{"1 attempt ended: 480 trying"}; !slices.Equal(got, want) {
			t.Errorf("posted %q, want %q", got, want)
		}
	})
}

// A caller gives up while both services are tried. No call is left at either, and both attempts are posted.
func TestEmergencyCallGivenUpAtBoth(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, reserve := newVirtualTestBedOfTwo(t, callbackWindow(time.Minute))
		near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
		h.adapter.Expect("100")
		first := h.service.Expect("INVITE")
		h.service.Respond(first, 100, "", "")
		second := reserve.Expect("INVITE")
		reserve.Respond(second, 180, "far", "")
		h.adapter.Expect("180")
		near.Cancel()
		for _, s := range []struct {
			p   *uatest.Peer
			inv uatest.Message
		}{{h.service, first}, {reserve, second}} {
			s.p.Respond(s.p.Expect("CANCEL"), 200, "far", "")
			s.p.Respond(s.inv, 487, "far", "")
			s.p.Expect("ACK")
		}
		h.adapter.ExpectOf("200", "CANCEL")
		near.AckFailure(h.adapter.Expect("487"))
		h.machine.saw("1 requested (emergency)", "1 near end cleared")
		want := []string{"1 attempt ended: 0 ringing second", "1 attempt ended: 0 trying"}
		if got := h.machine.attemptEvents(); !slices.Equal(slices.Sorted(slices.Values(got)), want) {
			t.Errorf("posted %q, want %q", got, want)
		}
		h.atRest()
		if !h.agent.expectsCallback() {
			t.Error("no call-back is expected, though the call rang")
		}
	})
}

// After an emergency call that failed, no call-back is expected.
func TestNoCallbackAfterAFailedCall(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct {
			says   []int
			expect bool
		}{{[]int{480}, false}, {[]int{100, 503}, false}, {[]int{180, 480}, true}} {
			h := newVirtualTestBed(t, callbackWindow(time.Minute))
			h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			inv := h.service.Expect("INVITE")
			for _, code := range c.says {
				h.service.Respond(inv, code, "far", "")
			}
			h.service.Expect("ACK")
			h.atRest()
			if got := h.agent.expectsCallback(); got != c.expect {
				t.Errorf("after %v a call-back is expected: %t", c.says, got)
			}
		}
	})
}

// The first service sends 100 and then nothing, and the second refuses. The call waits at the first for as long as the
// caller does. After a 100, RFC 3261 has no timer that ends an INVITE at its sender (section 17.1.1.2; Timer C, some 3
// min, is a proxy's, section 16.6). An emergency call that a service still has may be the next one to be answered, so
// it must not be ended.
func TestEmergencyCallWaitsAtTheServiceThatHasIt(t *testing.T) {
	t.Parallel()
	for _, answered := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			h, reserve := newVirtualTestBedOfTwo(t, inShort)
			near := h.ask(h.adapter, "sip:999@"+h.toAdapter.String())
			h.adapter.Expect("100")
			inv := h.service.Expect("INVITE")
			h.service.Respond(inv, 100, "", "")
			reserve.Respond(reserve.Expect("INVITE"), 480, "reserve", "")
			reserve.Expect("ACK")
			h.machine.saw("1 requested (emergency)")
			for range 2 { // 10 min; both ends answer their checks
				h.asked(200, 200)
			}
			told := []string{"1 attempt ended: 480 none second"}
			if answered {
				h.service.Respond(inv, 200, "far", far())
				h.service.Expect("ACK")
				near.Established(h.adapter.Expect("200")).Ack("")
				h.machine.saw("1 answered")
			} else {
				near.Cancel()
				h.adapter.ExpectOf("200", "CANCEL")
				near.AckFailure(h.adapter.Expect("487"))
				h.service.Respond(h.service.Expect("CANCEL"), 200, "", "")
				h.service.Respond(inv, 487, "far", "")
				h.service.Expect("ACK")
				h.machine.saw("1 near end cleared")
				told = append(told, "1 attempt ended: 0 trying")
			}
			if got := h.machine.attemptEvents(); !slices.Equal(got, told) {
				t.Errorf("posted %q, want %q", got, told)
			}
		})
	}
}
