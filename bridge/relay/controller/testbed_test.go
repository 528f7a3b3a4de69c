package controller_test

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const timeout = 200 * time.Millisecond

var errGone = errors.New("the device is gone")

// testController is a controller in memory with two contacts, reached by one device each or by one device together.
type testController struct {
	began time.Time

	mu      sync.Mutex
	cut     chan struct{} // closed while the link is cut
	open    [2]bool
	changes [2][]relaytest.Change
	faults  []relaytest.Fault
	log     []controller.Request // in the order in which they were carried out
	timed   bool
	timers  [2]*time.Timer
	release []chan struct{} // closed to release the held requests
	holding sync.WaitGroup

	// turn has buffer 1: whoever has put its token in has the one request that is served. If it is nil, all requests
	// are served at once.
	turn chan struct{}
}

func newTestController(open bool) *testController {
	b := &testController{began: time.Now(), cut: make(chan struct{})}
	b.open = [2]bool{open, open}
	return b
}

// testDevice is the test controller as one session sees it. The index of its first contact is first.
type testDevice struct {
	*testController
	first int
	gone  chan struct{} // closed by Close
	once  *sync.Once
}

func (b *testController) connect(first int) func(context.Context) (controller.Session, error) {
	return func(context.Context) (controller.Session, error) {
		b.mu.Lock()
		defer b.mu.Unlock()
		if isClosed(b.cut) {
			return nil, errGone
		}
		return controller.NewDeviceSession(&testDevice{b, first, make(chan struct{}), new(sync.Once)}, timeout), nil
	}
}

func isClosed(ch chan struct{}) bool {
	select {
	case <-ch:
		return true
	default:
		return false
	}
}

// fault takes the first fault that applies to the request.
func (b *testController) fault(op controller.Op) (relaytest.Fault, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, f := range b.faults {
		if f.On == relaytest.Any || f.On == relaytest.Opening && op == controller.Open || f.On == relaytest.Closing &&
			op == controller.Close {
			if f.Once {
				b.faults = slices.Delete(b.faults, i, i+1)
			}
			return f, true
		}
	}
	return relaytest.Fault{}, false
}

func (p *testDevice) Do(ctx context.Context, r controller.Request, before func() error) (relay.Level, error) {
	p.mu.Lock()
	cut := p.cut
	p.mu.Unlock()
	if isClosed(cut) {
		return relay.LevelUnknown, errGone // as if each request had a connection of its own
	}
	if err := before(); err != nil {
		return relay.LevelUnknown, err
	}
	if err := p.enter(ctx); err != nil {
		return relay.LevelUnknown, err
	}
	f, met := p.fault(r.Op)
	if met && f.Do == relaytest.StallRequest {
		return p.hold(ctx, r) // keeps the turn too
	}
	if met && f.Do == relaytest.Delay {
		select {
		case <-time.After(f.Delay):
		case <-ctx.Done(): // a device does not notice that
		}
	}
	level := relay.LevelUnknown
	if !met || f.Do == relaytest.Delay || f.Do == relaytest.Mute || f.Do == relaytest.ActHangup {
		level = p.act(r, p.first)
	}
	p.leave()
	return p.answer(ctx, cut, f, met, level)
}

// answer returns the device's answer after the request was carried out, or the error of the fault.
func (p *testDevice) answer(ctx context.Context, cut chan struct{}, f relaytest.Fault, met bool,
	level relay.Level) (relay.Level, error) {
	switch {
	case !met || f.Do == relaytest.Delay:
		return level, nil
	case f.Do == relaytest.Refuse:
		return relay.LevelUnknown, &controller.Refusal{Cause: errors.New("the device says no"), Sure: true}
	case f.Do == relaytest.Hangup, f.Do == relaytest.ActHangup:
		return relay.LevelUnknown, errGone
	}
	select { // the fault is Ignore or Mute
	case <-ctx.Done():
	case <-p.gone:
	case <-cut:
		return relay.LevelUnknown, errGone
	}
	return relay.LevelUnknown, context.Cause(ctx)
}

// enter waits for the turn if the device serves one request after the other.
func (b *testController) enter(ctx context.Context) error {
	if b.turn == nil {
		return nil
	}
	select {
	case b.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (b *testController) leave() {
	if b.turn != nil {
		<-b.turn
	}
}

// hold keeps a request until Release, even if the request is given up. A device that serves one request after the other
// serves no other request during that time.
func (p *testDevice) hold(ctx context.Context, r controller.Request) (relay.Level, error) {
	release, done := make(chan struct{}), make(chan relay.Level, 1) // buffer 1: the caller may have given up
	p.mu.Lock()
	p.release = append(p.release, release)
	p.holding.Go(func() {
		<-release
		done <- p.act(r, p.first)
		p.leave()
	})
	p.mu.Unlock()
	select {
	case level := <-done:
		return level, nil
	case <-ctx.Done():
		return relay.LevelUnknown, context.Cause(ctx)
	}
}

func (b *testController) Stalled() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.release)
}

func (b *testController) Release() {
	b.mu.Lock()
	for _, r := range b.release {
		close(r)
	}
	b.release = nil
	b.mu.Unlock()
	b.holding.Wait()
}

// act carries out a request.
func (b *testController) act(r controller.Request, first int) relay.Level {
	b.mu.Lock()
	defer b.mu.Unlock()
	i := first + r.Contact
	b.log = append(b.log, r)
	switch r.Op {
	case controller.Open:
		b.moveLocked(i, true)
		if b.timed {
			var t *time.Timer
			t = time.AfterFunc(r.Duration, func() {
				b.mu.Lock()
				defer b.mu.Unlock()
				if b.timers[i] == t { // otherwise the timer was stopped too late
					b.moveLocked(i, false)
				}
			})
			b.timers[i] = t
		}
	case controller.Close:
		b.moveLocked(i, false)
	}
	if b.open[i] {
		return relay.LevelOpen
	}
	return relay.LevelClosed
}

func (b *testController) moveLocked(i int, open bool) {
	if t := b.timers[i]; t != nil && !open {
		t.Stop()
		b.timers[i] = nil
	}
	if b.open[i] != open {
		b.open[i] = open
		b.changes[i] = append(b.changes[i], relaytest.Change{At: time.Since(b.began), Open: open})
	}
}

func (p *testDevice) Close() error {
	p.once.Do(func() { close(p.gone) })
	return nil
}

// The methods of relaytest.Controller.

func (b *testController) Inject(f relaytest.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, f)
}

func (b *testController) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *testController) Cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	close(b.cut)
}

func (b *testController) Restore() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = make(chan struct{})
}

func (b *testController) Move(line int, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.moveLocked(line, open)
}

func (b *testController) Changes(line int) []relaytest.Change {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.changes[line])
}

// driver is the two contacts of a test controller, with one controller for each or one for both.
type driver struct {
	group    controller.Group
	contacts [2]*controller.Contact
}

func newDriver(t *testing.T, b *testController, apart bool, o controller.Options,
	change func(*controller.ContactOptions)) *driver {
	t.Helper()
	d := &driver{}
	var c *controller.Controller
	for i, line := range []string{relaytest.LineA, relaytest.LineB} {
		if first := i; c == nil || apart {
			o.Name, o.At, o.Timeout = "bench", "here", timeout
			if !apart {
				first = 0
			}
			o.Connect = b.connect(first)
			c = controller.New(o)
			d.group.Add(c)
		}
		co := controller.ContactOptions{Name: line, Claim: relaytest.ProcessName(t.Name() + line)}
		if change != nil {
			change(&co)
		}
		var err error
		d.contacts[i], err = c.Contact(co)
		require.NoError(t, err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), timeout)
		defer cancel()
		d.group.Shutdown(ctx)
	})
	return d
}

// suite runs the conformance suite on a test controller that serves one request after the other, or all at once. In the
// second case nothing stops an opening that the controller held.
func suite(t *testing.T, apart bool, options controller.Options, change func(*controller.ContactOptions), timed bool) {
	relaytest.RunVirtual(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
		b, late := newTestController(s.Open), relaytest.LateObeyed
		b.timed = timed
		if !options.Unordered {
			b.turn, late = make(chan struct{}, 1), relaytest.LateInOrder
		}
		o := options
		o.Notify, o.Poll = s.Notify, 50*time.Millisecond
		d := newDriver(t, b, apart, o, change)
		return &relaytest.Subject{Controller: b, Contacts: [2]relay.Contact{d.contacts[0], d.contacts[1]},
			Start: d.group.Start, Ready: d.group.Ready, Timeout: timeout, Late: late, Outlasts: outlasting(change),
			Says: "the device says no", Tries: outlasting(change),
			Shutdown: func(ctx context.Context) []string {
				var names []string
				for _, n := range d.group.Shutdown(ctx) {
					names = append(names, n.Contact)
				}
				return names
			}}
	})
}

func outlasting(change func(*controller.ContactOptions)) bool {
	var o controller.ContactOptions
	if change != nil {
		change(&o)
	}
	return o.Timed != nil && o.Timed.SurvivesLoss && !o.Blind
}

func TestSuite(t *testing.T) {
	for name, f := range map[string]func(*testing.T){
		"one controller": func(t *testing.T) { suite(t, false, controller.Options{}, nil, false) },
		"apart":          func(t *testing.T) { suite(t, true, controller.Options{Unordered: true}, nil, false) },
		"blind": func(t *testing.T) {
			suite(t, true, controller.Options{Unordered: true}, func(o *controller.ContactOptions) { o.Blind = true },
				false)
		},
		"timed": func(t *testing.T) {
			suite(t, true, controller.Options{Unordered: true}, func(o *controller.ContactOptions) {
				o.Kind, o.Timed = relay.KindOneshot, &controller.Timed{Quantum: time.Millisecond,
					Limit: 10 * time.Second, SurvivesLoss: true}
				o.Try = controller.TryWithZeroLength
			}, true)
		},
		"timed and blind": func(t *testing.T) {
			suite(t, true, controller.Options{}, func(o *controller.ContactOptions) {
				o.Blind, o.Kind, o.Timed = true, relay.KindOneshot, &controller.Timed{Quantum: time.Millisecond,
					Limit: 10 * time.Second}
			}, true)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f(t)
		})
	}
}
