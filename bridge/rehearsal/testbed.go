package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"go.uber.org/zap"

	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/keysystem"
)

const (
	// The numbers of the far ends. The lines have lower numbers.
	firstFarEnd, lastFarEnd = 151, 198
	// emergencyNumber is an emergency number in every country that the daemon knows.
	emergencyNumber = "911"
	// readyFor is the time limit for the registrations, and stepFor that of one step of a scene. Both are ample even on
	// a busy machine.
	readyFor = 10 * time.Second
	stepFor  = 6 * time.Second
	// watchFor is how long a scene waits to see that nothing happens. It is longer than the longest time until the end
	// of an opening, `lead` and `interval` together, which invariant 11 limits to 2 s.
	watchFor = 2200 * time.Millisecond
	// remindEvery is the interval at which the daemon logs an incident that lasts. It is shorter than in service, where
	// it is minutes.
	remindEvery = 700 * time.Millisecond
	// stuckFor is how long a line is watched without the daemon before it counts as stuck.
	stuckFor = 3 * time.Second
)

// parts returns the times of the model's parts. The flash window has the defaults of RFC 5098. The adapter recognises
// on hook after a longer time.
func parts() keysystem.Options {
	return keysystem.Options{
		Release: 350 * time.Millisecond, FlashMin: 300 * time.Millisecond, FlashMax: 800 * time.Millisecond,
		OnHook: time.Second, Move: 5 * time.Millisecond, Bounce: 3 * time.Millisecond,
	}
}

// line is one line of the key system, on one port of the adapter.
type line struct {
	lineSetup
	habit     habit
	policy    supervision.Policy
	lineModel *lineModel
	port      *port
	board     *board // nil without the daemon
	coil      int
}

// testBed is the simulated environment: one PBX, one adapter, the boards, and one daemon for all scenes.
type testBed struct {
	o          Options
	habit      habit // of the adapter that the scenes are about
	pbx        *pbx
	boards     map[string]*board
	runs       []*sceneRun
	daemon     Daemon
	notes      *notes
	nextFarEnd int
	mu         sync.Mutex // guards far
}

// sceneRun is one scene on a test bed.
type sceneRun struct {
	scene
	*timeline
	testBed *testBed
	without bool
	lines   map[string]*line
	phones  []*phone
	// strandedLine is the line that was watched without the daemon
	strandedLine *line
	tuned        time.Duration // what Options.Tune recommends
	took         time.Duration
	err          error
	verdict      sceneResult
}

func newTestBed(ctx context.Context, o Options, h habit, scenes []scene) (*testBed, error) {
	s := &testBed{o: o, habit: h, boards: map[string]*board{}, notes: &notes{}, nextFarEnd: firstFarEnd}
	err := s.build(scenes)
	if err == nil && !o.Without {
		err = s.start(ctx)
	}
	if err == nil {
		err = s.connectPorts()
	}
	if err == nil {
		err = s.awaitReady(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

// build sets up the PBX, the lines and the boards to which they are wired.
func (s *testBed) build(scenes []scene) (err error) {
	if s.pbx, err = openPBX(); err != nil {
		return err
	}
	wiring := map[string][]terminal{}
	for _, sc := range scenes {
		p := &sceneRun{scene: sc, timeline: &timeline{}, testBed: s, without: s.o.Without, lines: map[string]*line{}}
		s.runs = append(s.runs, p)
		for _, part := range sc.lines {
			l := newLine(part, s.habitOf(part))
			say := func(at time.Time, who, text string) { p.add(at, part.name, who, text) }
			if l.lineModel, err = newLineModel(l.model(), say); err != nil {
				return err
			}
			p.lines[part.name] = l
			s.pbx.addLine(part.number, servicePassword(part.name))
			l.coil = len(wiring[part.board])
			wiring[part.board] = append(wiring[part.board], terminal{l.lineModel.energise,
				func() bool { return l.lineModel.state().Current }})
		}
	}
	if s.o.Without {
		return nil
	}
	for name, wired := range wiring {
		if s.boards[name], err = openBoard(wired); err != nil {
			return err
		}
	}
	for _, p := range s.runs {
		for _, l := range p.lines {
			l.board = s.boards[l.lineSetup.board]
		}
	}
	return nil
}

// habitOf returns the habit of the adapter port that the line is on. A line whose far end does not clear is on another
// adapter, without a habit.
func (s *testBed) habitOf(part lineSetup) habit {
	if part.plainAdapter {
		return habit{}
	}
	if part.habit == "" {
		return s.habit
	}
	h, err := habitNamed(part.habit)
	if err != nil {
		return habit{name: part.habit} // the table of scenes is wrong; a test detects that
	}
	return h
}

func newLine(part lineSetup, h habit) *line {
	l := &line{lineSetup: part, habit: h, policy: supervision.DefaultPolicy()}
	l.policy.FlashMax = parts().FlashMax
	l.policy.Listening = 0 // this keeps the scenes short
	if part.interval > 0 {
		l.policy.Interval = part.interval
	}
	h.configure(&l.policy)
	if part.hasSensor {
		l.policy.ProbeTrusted, l.policy.SenseTrusted = false, true
	}
	if part.set != nil {
		part.set(&l.policy)
	}
	return l
}

// model returns the times of the line's parts.
func (l *line) model() keysystem.Options {
	o := parts()
	if l.release > 0 {
		o.Release = l.release
	}
	if l.releases != nil {
		o.Releases = l.releases()
	}
	return o
}

func servicePassword(line string) string { return "at-the-pbx-" + line }
func adapterPassword(line string) string { return "on-the-shelf-" + line }

// configuration returns what a user would configure for this test bed.
func (s *testBed) configuration() *config.Config {
	loopback := netip.AddrPortFrom(netip.AddrFrom4([4]byte{127, 0, 0, 1}), 0)
	c := &config.Config{
		Country:   "US",
		Emergency: config.Emergency{CallbackWindow: supervision.DefaultPolicy().CallbackWindow},
		SIP: config.SIP{
			Realm: "clearback",
			// this differs from the other, so that each side has its own socket although both listen on any free port
			AdapterSide: config.Socket{Listen: loopback, Transports: []string{"udp"}},
			ServiceSide: config.Socket{Listen: loopback, Transports: []string{"udp"}, Advertise: "127.0.0.1"},
		},
		Media: config.Media{AdapterAddress: loopback.Addr(), ServiceAddress: loopback.Addr(), PortLow: 20000,
			PortHigh: 29999},
		Log: config.Log{Level: "info", Format: "json", Remind: remindEvery},
	}
	for name, b := range s.boards {
		c.Controllers = append(c.Controllers, config.Controller{
			Name: name, Driver: "modbus", Modbus: config.Modbus{Address: b.addr.String(), Timeout: timeouts(name)},
		})
	}
	for _, p := range s.runs {
		for _, part := range p.scene.lines {
			c.Lines = append(c.Lines, s.lineConfiguration(p.lines[part.name]))
		}
	}
	return c
}

// timeouts returns the time-out of a board. The cabinet never fails, so its time-out is longer than a busy machine
// takes for an answer.
func timeouts(board string) time.Duration {
	switch board {
	case slowBoard:
		return 2 * slowFor
	case cabinet:
		return 2 * time.Second
	default:
		return 500 * time.Millisecond
	}
}

func (s *testBed) lineConfiguration(l *line) config.Line {
	c := config.Line{
		Name:    l.name,
		Adapter: config.Adapter{User: l.name, Password: config.NewSecret(adapterPassword(l.name))},
		Service: config.Service{
			Registrar: "sip:" + domain, User: l.number, AuthUser: l.number,
			Password: config.NewSecret(servicePassword(l.name)),
			Proxy:    s.pbx.addr.String(), Register: true, Expires: registerFor,
		},
		Media: "relay",
		Contact: config.Contact{
			Driver: "modbus", Controller: l.lineSetup.board, Unit: boardUnit, Coil: uint16(l.coil), OpenLevel: "on",
			AcceptOpenIfDaemonDies: !l.timed,
		},
		Policy: l.policy,
		Verify: config.Verify{By: "options", Watch: l.policy.Watch, Listening: l.policy.Listening},
	}
	switch {
	case l.hasSensor:
		c.Verify.By = "sense"
		c.Contact.Sense = &config.SenseInput{Input: uint16(l.coil), CurrentWhen: "on"}
	case !l.policy.ProbeTrusted:
		c.Verify.By = "none"
	}
	if l.offHookAfter > 0 {
		c.Verify.OffHookNumber = offHookNumber
	}
	if l.direct {
		c.Media = "direct"
	}
	if l.timed {
		c.Contact.Timed = &config.TimedOutput{Register: uint16(timedBase + l.coil), Unit: timedUnit,
			Limit: 3 * time.Second}
	}
	return c
}

func (s *testBed) start(ctx context.Context) (err error) {
	core := &capture{lines: map[string]*timeline{}, controllers: map[string]*timeline{}, notes: s.notes}
	for _, p := range s.runs {
		for name, l := range p.lines {
			core.lines[name] = p.timeline
			if l.lineSetup.board != cabinet { // several scenes share that board
				core.controllers[l.lineSetup.board] = p.timeline
			}
		}
	}
	if s.daemon, err = s.o.Start(ctx, s.configuration(), zap.New(core)); err != nil {
		return fmt.Errorf("start the daemon: %w", err)
	}
	return nil
}

// connectPorts connects each port of the adapter to the daemon, or to the PBX if there is no daemon.
func (s *testBed) connectPorts() (err error) {
	for _, p := range s.runs {
		for _, l := range p.lines {
			out := outbound{at: s.pbx.addr, domain: domain, user: l.number, password: servicePassword(l.name)}
			if s.daemon != nil {
				at := s.daemon.AdapterAddr(l.name)
				if !at.IsValid() {
					return fmt.Errorf("line %s: the daemon does not listen for its adapter", l.name)
				}
				out = outbound{at: at, domain: at.String(), user: l.name, password: adapterPassword(l.name)}
			}
			say := func(text string) { p.add(time.Now(), l.name, "adapter", text) }
			if l.port, err = openPort(out, l.lineModel, l.habit, l.offHookAfter, say); err != nil {
				return fmt.Errorf("line %s: %w", l.name, err)
			}
		}
	}
	return nil
}

// awaitReady waits for the registrations on both sides and for the boards to have a master.
func (s *testBed) awaitReady(ctx context.Context) error {
	for _, p := range s.runs {
		for _, l := range p.lines {
			if err := await(ctx, readyFor, func() bool {
				ok, trouble := l.port.bound()
				return ok ||
					trouble != ""
			}); err != nil {
				return fmt.Errorf("line %s: the adapter did not register: %w", l.name, err)
			}
			if ok, trouble := l.port.bound(); !ok {
				return fmt.Errorf("line %s: the adapter did not register: %s", l.name, trouble)
			}
			if err := await(ctx, readyFor, func() bool { return s.pbx.bound(l.number) }); err != nil {
				return fmt.Errorf("line %s: not registered at the PBX: %w", l.name, err)
			}
		}
	}
	limit, cancel := context.WithTimeout(ctx, readyFor/4)
	defer cancel()
	for _, b := range s.boards {
		// if no master connects to a board, the scenes will report that
		if await(limit, readyFor, b.hasMaster) != nil && ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}

// endDaemon shuts the daemon down, if it was started, while all peers still answer it.
func (s *testBed) endDaemon() error {
	if s.daemon == nil {
		return nil
	}
	err := s.daemon.Close()
	s.daemon = nil
	if err != nil {
		return fmt.Errorf("end the daemon: %w", err)
	}
	return nil
}

// close shuts the daemon down first, and then everything else.
func (s *testBed) close() error {
	err := s.endDaemon()
	for _, p := range s.runs {
		for _, f := range p.phones {
			f.close()
		}
		for _, l := range p.lines {
			if l.port != nil {
				l.port.close()
			}
			if l.lineModel != nil {
				l.lineModel.close()
			}
		}
	}
	for _, b := range s.boards {
		if b != nil {
			b.close()
		}
	}
	if s.pbx != nil {
		s.pbx.close()
	}
	return err
}

// errTimedOut means that something did not happen in time.
var errTimedOut = errors.New("it did not happen")

// pollEvery is the interval at which await calls so.
const pollEvery = 2 * time.Millisecond

// await waits until so returns true. It returns errTimedOut after d, and the error of ctx when that ends.
func await(ctx context.Context, d time.Duration, so func() bool) error {
	ticks := time.NewTicker(pollEvery)
	defer ticks.Stop()
	began := time.Now()
	for !so() {
		if time.Since(began) > d {
			return fmt.Errorf("%w within %v", errTimedOut, d)
		}
		select {
		case <-ticks.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// pause waits for d, or until ctx ends.
func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
