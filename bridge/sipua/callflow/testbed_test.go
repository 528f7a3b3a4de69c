package callflow

import (
	"fmt"
	"net/netip"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/emiago/sipgo/sip"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge"
	"clearback/bridge/media"
	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/sipua"
	"clearback/bridge/sipua/conformance"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// defaultTimeout bounds every wait. Only a failing flow waits that long.
const defaultTimeout = slow * 5 * time.Second

const (
	adapterUser   = "box-office"
	adapterSecret = "footlights"
	serviceUser   = "5550100"
	serviceSecret = "limelight"
	number        = "5550150" // at the far end
)

// tester is a testing.T, or a substitute for flows that have to fail.
type tester interface {
	Helper()
	Error(a ...any)
	Errorf(format string, a ...any)
	Fatal(a ...any)
	Fatalf(format string, a ...any)
	Logf(format string, a ...any)
	Failed() bool
}

// testBed is one line between the two peers.
type testBed struct {
	t                tester
	f                *flow
	adapter, service *peer
	agent            *sipua.Agent
	line             *bridge.Line
	contact          *relaytest.Fake
	logged           *observer.ObservedLogs
	opens            int
	closed           chan struct{} // closed when the agent has ended; nil while it runs
	relaying         bool
	timeout          time.Duration

	notes   []string // what the parties did; owned by the flow's goroutine
	started time.Time

	mu      sync.Mutex
	events  []string // events of the machine that no step has taken yet
	changed chan struct{}
}

func newTestBed(t tester, f *flow, relayer *media.Relay) *testBed {
	s := &testBed{t: t, f: f, contact: relaytest.NewFake(relay.KindOneshot), started: time.Now(),
		timeout: defaultTimeout, changed: make(chan struct{}, 1)} // buffer of 1: several changes need one check
	s.adapter = newPeer(s, "adapter", adapterUser, "adapter.near-side.example:5062", "192.0.2.21", "192.0.2.22")
	s.service = newPeer(s, "service", number, "gateway.far-side.example:5064", "192.0.2.41", "192.0.2.42")
	s.adapter.secret, s.service.secret = adapterSecret, serviceSecret
	core, logged := observer.New(zap.WarnLevel)
	s.logged = logged
	local := netip.MustParseAddr("127.0.0.1")
	o := sipua.LineOptions{
		Name:          "box-office",
		AdapterSocket: sipua.Socket{Listen: netip.AddrPortFrom(local, 0), UDP: true},
		AdapterUser:   adapterUser, AdapterSecret: adapterSecret,
		AdapterFixed:  &sip.Uri{Scheme: "sip", User: adapterUser, Host: "127.0.0.1", Port: int(s.adapter.at.Port())},
		ServiceSocket: sipua.Socket{Listen: netip.AddrPortFrom(local, 0), UDP: true},
		Registrar:     sip.Uri{Scheme: "sip", Host: "127.0.0.1", Port: int(s.service.at.Port())},
		ServiceProxy:  s.service.at.String(),
		ServiceUser:   serviceUser, ServiceAuth: serviceUser, ServiceSecret: serviceSecret, Relay: true,
	}
	for _, set := range f.settings {
		if err := setting(&o, set.what); err != nil {
			t.Fatalf("%s: %v", set.place, err)
		}
	}
	s.relaying = o.Relay
	numbers, err := supervision.NewNumbers(supervision.NumbersOptions{Country: "GB"})
	if err != nil {
		t.Fatal(err)
	}
	p := supervision.DefaultPolicy()
	p.Interval, p.MaxInterval, p.GuardTime, p.OnHookRecognition = 10*time.Millisecond, 300*time.Millisecond,
		5*time.Millisecond, 10*time.Millisecond
	p.Watch, p.Listening = 0, 0
	p.Lead = 1650 * time.Millisecond // the longest: on a busy machine the adapter's response may be read late
	s.line = bridge.NewLine(bridge.LineOptions{Name: "box-office", Policy: p, Contact: s.contact, Epoch: s.started,
		Logger: zap.New(core), Record: s.record})
	o.Events = s.line
	s.agent, err = sipua.Start(sipua.Options{Lines: []sipua.LineOptions{o}, Realm: "millrace.example", Numbers: numbers,
		Media: relayer, Logger: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	s.line.Start(s.agent.Line("box-office"))
	st := s.agent.Line("box-office").Status()
	s.adapter.line, s.service.line = st.AdapterAddr, st.ServiceAddr
	s.adapter.foreign = []string{s.service.at.String(), s.service.host, s.service.line.String()}
	s.service.foreign = []string{s.adapter.at.String(), s.adapter.host, s.adapter.line.String(), adapterUser}
	if s.relaying {
		s.adapter.foreign = append(s.adapter.foreign, s.service.ip, s.service.moved)
		s.service.foreign = append(s.service.foreign, s.adapter.ip, s.adapter.moved)
	}
	return s
}

// setting applies a set step to the line's options.
func setting(o *sipua.LineOptions, what string) error {
	switch name, value, _ := strings.Cut(what, " "); name {
	case "registers": // the line registers at the service
		o.Register, o.Expires = true, time.Hour
	case "adapter-registers":
		o.AdapterFixed = nil
	case "direct": // media does not pass through the relay
		o.Relay = false
	case "digest":
		o.AdapterDigest = strings.Fields(value)
	case "refuse-transfer":
		o.RefuseTransfer = true
	case "session":
		d, err := time.ParseDuration(value)
		o.SessionExpires = d
		return err
	default:
		return fmt.Errorf("set %q is unknown", name)
	}
	return nil
}

// record takes the events of the machine.
func (s *testBed) record(e callrecord.Entry) {
	switch e.Event.Kind {
	case supervision.EventNone, supervision.TimePassed, supervision.LoopOpened, supervision.LoopClosed:
		return
	}
	ev := e.Event
	if ev.Kind == supervision.FarEndCleared {
		ev.Late = 0 // how long this process waited for a processor is not part of a flow
	}
	s.mu.Lock()
	s.events = append(s.events, ev.String())
	s.mu.Unlock()
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

// sees waits for the next event.
func (s *testBed) sees(st step) {
	limit := time.After(s.timeout)
	for {
		s.mu.Lock()
		got := slices.Clone(s.events)
		if len(got) > 0 && got[0] == st.what {
			s.events = s.events[1:]
			s.mu.Unlock()
			s.note("line     saw    %s", st.what)
			return
		}
		s.mu.Unlock()
		if len(got) > 0 {
			s.fail(st, "the line saw %q", got)
		}
		select {
		case <-s.changed:
		case <-limit:
			s.fail(st, "the line saw nothing more")
		}
	}
}

// interrupted waits until the contact has been asked to open one more time.
func (s *testBed) interrupted(st step) {
	s.opens++
	s.until(func() bool { return s.openings() >= s.opens }, func() {
		s.fail(st, "the loop was opened %d times",
			s.openings())
	})
	s.note("loop     opened")
}

func (s *testBed) openings() (n int) {
	for _, c := range s.contact.Calls() {
		if c.Name == "interrupt" {
			n++
		}
	}
	return n
}

// until polls until a condition is true.
func (s *testBed) until(is func() bool, otherwise func()) {
	limit := time.After(s.timeout)
	look := time.NewTicker(2 * time.Millisecond)
	defer look.Stop()
	for !is() {
		select {
		case <-look.C:
		case <-limit:
			otherwise()
			return
		}
	}
}

func (s *testBed) note(format string, a ...any) {
	s.notes = append(s.notes,
		fmt.Sprintf("%7.1f ms  ", float64(time.Since(s.started).Microseconds())/1000)+fmt.Sprintf(format, a...))
}

// fail ends the flow.
func (s *testBed) fail(st step, format string, a ...any) {
	s.t.Helper()
	s.t.Fatalf("%s: %s\n%s\n\n%s", st.place, st.text, fmt.Sprintf(format, a...), s.account())
}

// account returns the history of the flow, for a failure.
func (s *testBed) account() string {
	all := strings.Join(s.notes, "\n")
	for _, e := range s.logged.All() {
		all += fmt.Sprintf("\n  logged: %s %s %v", e.Level, e.Message, e.ContextMap())
	}
	return all
}

// addresses returns the From and the destination of a peer's request outside of dialogs.
func (s *testBed) addresses(p *peer, st step) (own, called string) {
	to := st.o.call
	if p == s.adapter {
		if to != "" {
			to += "@"
		} else if st.what == "INVITE" {
			to = number + "@"
		}
		return fmt.Sprintf(`"Box Office" <sip:%s@%s>`, adapterUser, p.line), "sip:" + to + p.line.String()
	}
	contact, at, _ := s.agent.Line("box-office").Inbound()
	if to == "" {
		to = contact.User
	}
	return `"Bo Tree" <sip:` + number + `@pbx.far-side.example>`, "sip:" + to + "@" + at.String()
}

var variable = regexp.MustCompile(`\$\{([^}]*)\}`)

// fill replaces ${...} in a text.
func (s *testBed) fill(st step, text string) string {
	return variable.ReplaceAllStringFunc(text, func(v string) string {
		path := strings.Split(v[2:len(v)-1], ".")
		p := map[string]*peer{"adapter": s.adapter, "service": s.service}[path[0]]
		switch {
		case len(path) == 1 && p != nil:
			return p.at.String()
		case len(path) == 2 && path[0] == "line" && path[1] == "adapter":
			return s.adapter.line.String()
		case len(path) == 2 && path[0] == "line" && path[1] == "service":
			return s.service.line.String()
		case len(path) == 3 && p != nil && p.dialogs[path[1]] != nil:
			d := p.dialogs[path[1]]
			switch path[2] {
			case "id":
				return d.id
			case "here":
				return d.end("").here
			case "there":
				return d.end("").there
			case "rseq":
				return d.rseq
			}
		}
		s.fail(st, "%s is nothing", v)
		return ""
	})
}

// play runs the steps, then checks that everything has ended.
func (s *testBed) play() {
	steps := s.f.steps
	for i := 0; i < len(steps); i++ {
		st := steps[i]
		p := map[string]*peer{"adapter": s.adapter, "service": s.service}[st.party]
		switch {
		case st.party == "line" && st.verb == "sees":
			s.sees(st)
		case st.party == "line" && st.verb == "registers":
			s.until(func() bool { return s.agent.Line("box-office").Status().Service.Registered },
				func() { s.fail(st, "it does not") })
		case st.party == "line":
			s.close()
		case st.party == "loop":
			s.interrupted(st)
		case st.verb == "sends":
			p.sends(st)
		case st.verb == "answers":
			p.answers(st)
		case st.verb == "repeats":
			p.repeats(st)
		case st.verb == "releases":
			p.releases(st)
		default:
			together := []step{st}
			for i+1 < len(steps) && steps[i+1].party == st.party && steps[i+1].also {
				i++
				together = append(together, steps[i])
			}
			p.gets(together)
		}
	}
	s.finish()
}

// close closes the agent in the background, because its last messages may be part of the flow.
func (s *testBed) close() {
	s.closed = make(chan struct{}) // closed when the agent has ended
	go func() {
		defer close(s.closed)
		if err := s.agent.Close(); err != nil {
			s.t.Error(err)
		}
	}()
}

// finish checks the state and the traces at the end of a flow.
func (s *testBed) finish() {
	line := s.agent.Line("box-office")
	s.until(func() bool { return line.Status().Calls == 0 && s.line.AtRest() }, func() {
		s.t.Errorf("%s: %d calls are active, the line is idle: %t", s.f.place, line.Status().Calls, s.line.AtRest())
	})
	if s.closed == nil {
		s.close()
	}
	<-s.closed
	s.line.Stop()
	for _, p := range []*peer{s.adapter, s.service} {
		for _, m := range p.drained(s.t) {
			s.t.Errorf("%s: unread:\n%s", p.name, m.text)
		}
		for _, fault := range p.left() {
			s.t.Error(fault)
		}
		for _, fault := range p.checkConformance().Faults() {
			s.t.Errorf("%s got %s", p.name, fault)
		}
	}
	for _, fault := range conformance.SharedIdentifiers(s.adapter.checkConformance(), s.service.checkConformance()) {
		s.t.Error(fault)
	}
	if len(s.events) > 0 {
		s.t.Errorf("no step takes the events %q", s.events)
	}
	if n := s.openings(); n != s.opens {
		s.t.Errorf("the loop was opened %d times, the flow says %d", n, s.opens)
	}
	for _, e := range s.logged.All() {
		if e.Level >= zap.ErrorLevel {
			s.t.Errorf("logged: %s %v", e.Message, e.ContextMap())
		}
	}
	if s.t.Failed() {
		s.t.Logf("%s\n%s", s.f.place, s.account())
	}
}

func (p *peer) checkConformance() conformance.Trace {
	return conformance.Trace{Messages: p.trace, Own: p.line.String(), Foreign: p.foreign}
}

// end closes what a failed flow has left open.
func (s *testBed) end() {
	if s.closed == nil {
		s.close()
	}
	<-s.closed
	s.line.Stop()
	for _, p := range []*peer{s.adapter, s.service} {
		p.conn.Close()
		<-p.ended
	}
}
