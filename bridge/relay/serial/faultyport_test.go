package serial

import (
	"context"
	"errors"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var errUnplugged = errors.New("unplugged")

// faultyPorts is the other side of two ports. It stands between the driver and the kernel, produces the faults and
// records the movements.
type faultyPorts struct {
	ports [2]faultyPortState
	begin time.Time
	over  chan struct{} // closed at the end of the test, so that hanging calls return

	timeout time.Duration // the driver's time-out

	mu     sync.Mutex
	faults []relaytest.Fault
	cut    bool

	relaytest.Stall
}

// faultyPortState is one port: how it is opened, moved by hand and read from outside.
type faultyPortState struct {
	opt     ContactOptions
	open    openFunc
	byHand  func(l Line, on bool)
	outputs func() [2]bool

	mu      sync.Mutex
	changes []relaytest.Change
}

// look records whether the loop is open now. The relay is connected between the two lines, as the package comment
// recommends.
func (b *faultyPorts) look(line int) {
	p := &b.ports[line]
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.outputs()
	open := out[p.opt.Line] == p.opt.OpenOn && (!p.opt.OpenOn || !out[1-p.opt.Line])
	if was := len(p.changes) > 0 && p.changes[len(p.changes)-1].Open; open != was {
		p.changes = append(p.changes, relaytest.Change{At: time.Since(b.begin), Open: open})
	}
}

func (b *faultyPorts) Inject(f relaytest.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, f)
}

func (b *faultyPorts) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *faultyPorts) setCut(cut bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = cut
}

func (b *faultyPorts) Cut()     { b.setCut(true) }
func (b *faultyPorts) Restore() { b.setCut(false) }

func (b *faultyPorts) Move(line int, open bool) {
	p := &b.ports[line]
	p.byHand(p.opt.Line, open == p.opt.OpenOn)
	b.look(line)
}

func (b *faultyPorts) Changes(line int) []relaytest.Change {
	b.look(line)
	p := &b.ports[line]
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]relaytest.Change(nil), p.changes...)
}

// fault returns the fault that applies to a call; nil if there is none.
func (b *faultyPorts) fault(on relaytest.On) (*relaytest.Fault, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cut {
		return nil, errUnplugged
	}
	for i, f := range b.faults {
		if f.On == relaytest.Any || f.On == on {
			if f.Once {
				b.faults = append(b.faults[:i:i], b.faults[i+1:]...)
			}
			return &f, nil
		}
	}
	return nil, nil
}

// hang is a call that does not return before its caller gives up.
func (b *faultyPorts) hang() {
	t := time.NewTimer(b.timeout * 3 / 2)
	defer t.Stop()
	select {
	case <-b.over:
	case <-t.C:
	}
}

// faultyPort is a port with the faults of a faultyPorts.
type faultyPort struct {
	port
	ports *faultyPorts
	line  int
}

func (s *faultyPort) call(on relaytest.On, do func() error) error {
	f, err := s.ports.fault(on)
	switch {
	case err != nil:
		return err
	case f == nil:
		err := do()
		s.ports.look(s.line)
		return err
	}
	switch f.Do {
	case relaytest.Refuse:
		return refusal{syscall.EINVAL}
	case relaytest.Ignore: // in the end the kernel gives up
		s.ports.hang()
		return syscall.EIO
	case relaytest.StallRequest:
		defer s.ports.Wait()()
	case relaytest.Hangup:
		return syscall.EIO
	case relaytest.Delay:
		<-time.After(f.Delay)
	}
	err = do()
	s.ports.look(s.line)
	switch f.Do {
	case relaytest.Mute:
		s.ports.hang()
	case relaytest.ActHangup:
		return syscall.EIO
	}
	return err
}

func (s *faultyPort) Get() (l lines, err error) {
	err = s.call(relaytest.Any, func() (err error) { l, err = s.port.Get(); return err })
	return l, err
}

func (s *faultyPort) Both(out [2]bool) error {
	return s.call(relaytest.Closing, func() error { return s.port.Both(out) })
}

func (s *faultyPort) Set(l Line, on bool) error {
	what := relaytest.Closing
	if on == s.ports.ports[s.line].opt.OpenOn {
		what = relaytest.Opening
	}
	return s.call(what, func() error { return s.port.Set(l, on) })
}

func (s *faultyPort) Close() {
	s.port.Close()
	s.ports.look(s.line)
}

var names = [2]string{relaytest.LineA, relaytest.LineB}

func newFaultyPorts() *faultyPorts { return &faultyPorts{begin: time.Now(), over: make(chan struct{})} }

// subject puts a driver on each of the two ports.
func (b *faultyPorts) subject(t *testing.T, s relaytest.Setup, timeout time.Duration,
	devices [2]string) *relaytest.Subject {
	t.Helper()
	var boards [2]*Board
	b.timeout = timeout
	sub := &relaytest.Subject{Controller: b, Timeout: timeout}
	for i := range boards {
		if s.Open {
			b.Move(i, true)
		}
		board, err := NewBoard(Options{Name: devices[i], Device: devices[i], Timeout: timeout,
			Poll: 50 * time.Millisecond, Notify: s.Notify, NoLock: true})
		require.NoError(t, err)
		board.open = func(device string, hangUp bool) (port, lines, error) {
			if _, err := b.fault(relaytest.Any); err != nil {
				return nil, lines{}, err
			}
			p, found, err := b.ports[i].open(device, hangUp)
			if err != nil {
				return nil, found, err
			}
			b.look(i)
			return &faultyPort{p, b, i}, found, nil
		}
		o := b.ports[i].opt
		o.Name = names[i]
		sub.Contacts[i], err = board.Contact(o)
		require.NoError(t, err)
		boards[i] = board
	}
	sub.Start = func() { boards[0].Start(); boards[1].Start() }
	sub.Ready = func(ctx context.Context) error { return errors.Join(boards[0].Ready(ctx), boards[1].Ready(ctx)) }
	sub.Shutdown = func(ctx context.Context) []string {
		var left [2][]string
		var both sync.WaitGroup
		for i, board := range boards {
			both.Go(func() {
				for _, n := range board.Shutdown(ctx) {
					left[i] = append(left[i], n.Contact)
				}
			})
		}
		both.Wait()
		return append(left[0], left[1]...)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), timeout)
		defer cancel()
		b.Release()
		sub.Shutdown(ctx)
		close(b.over)
	})
	return sub
}

// memoryPort is a port in memory.
type memoryPort struct {
	mu  sync.Mutex
	out [2]bool
	in  [4]bool
}

func (m *memoryPort) Get() (lines, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return lines{m.out, m.in}, nil
}

func (m *memoryPort) Both(out [2]bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.out = out
	return nil
}

func (m *memoryPort) Set(l Line, on bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.out[l] = on
	return nil
}

// Close leaves the lines as they are, so that only the driver's own movements are recorded.
func (m *memoryPort) Close() {}

// TestSuite drives ports in memory. It covers all of the driver except the kernel calls, which TestVM covers.
func TestSuite(t *testing.T) {
	for name, o := range map[string]ContactOptions{"rts": {OpenOn: true}, "open when off": {Line: DTR}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			relaytest.RunVirtual(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				b := newFaultyPorts()
				for i := range b.ports {
					m := &memoryPort{}
					m.out[o.Line] = !o.OpenOn
					p := &b.ports[i]
					p.opt, p.open = o, func(string, bool) (port, lines, error) {
						l, err := m.Get()
						return m, l, err
					}
					p.byHand = func(l Line, on bool) { _ = m.Set(l, on) }
					p.outputs = func() [2]bool { l, _ := m.Get(); return l.out }
				}
				return b.subject(t, s, 150*time.Millisecond, [2]string{"/dev/ttyX0", "/dev/ttyX1"})
			})
		})
	}
}

var _ relay.Sensor = (*Contact)(nil)
