package gpio

import (
	"context"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// began is the zero of the test clock.
var began = time.Now()

// failingKernel is a kernel with two adjacent lines of one chip, the first at offset first. Its calls can be made to
// fail, to hang or to come late. It does not derive the positions of the contacts from the calls. It reads them from
// the chip's side before and after each call.
type failingKernel struct {
	kernel
	first   int
	timeout time.Duration
	isOpen  func(line int) bool       // reads the chip's side
	pull    func(line int, open bool) // moves the contact while the line is not requested
	hanging sync.WaitGroup

	mu      sync.Mutex
	faults  []relaytest.Fault
	cut     bool
	held    [2]line // the real lines
	changes [2][]relaytest.Change
	driving [2]sync.Mutex // the kernel drives a line for one caller at a time

	relaytest.Stall
}

func (b *failingKernel) Inject(f relaytest.Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = append(b.faults, f)
}

func (b *failingKernel) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

func (b *failingKernel) setCut(cut bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = cut
}

func (b *failingKernel) Cut()     { b.setCut(true) }
func (b *failingKernel) Restore() { b.setCut(false) }

// Move moves a contact without the driver.
func (b *failingKernel) Move(n int, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if l := b.held[n]; l != nil {
		_ = l.Set(open)
	} else {
		b.pull(n, open)
	}
	b.note(n)
}

func (b *failingKernel) Changes(n int) []relaytest.Change {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note(n)
	return append([]relaytest.Change{}, b.changes[n]...)
}

// note records the contact's position if it has moved. The caller holds mu.
func (b *failingKernel) note(n int) {
	open, c := b.isOpen(n), b.changes[n]
	if was := len(c) > 0 && c[len(c)-1].Open; open != was {
		b.changes[n] = append(c, relaytest.Change{At: time.Since(began), Open: open})
	}
}

// act makes one real call, and notes the contact's position before and after it.
func (b *failingKernel) act(n int, f func() error) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note(n)
	defer b.note(n)
	return f()
}

// fault returns the fault that applies to such a call.
func (b *failingKernel) fault(on relaytest.On) (relaytest.Fault, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cut {
		return relaytest.Fault{Do: relaytest.Hangup}, true
	}
	for i, f := range b.faults {
		if f.On == relaytest.Any || f.On == on {
			if f.Once {
				b.faults = append(b.faults[:i:i], b.faults[i+1:]...)
			}
			return f, true
		}
	}
	return relaytest.Fault{}, false
}

// call makes one call into the kernel, with the fault that applies.
func (b *failingKernel) call(n int, on relaytest.On, f func() error) error {
	b.hanging.Add(1)
	defer b.hanging.Done()
	wait := func(d time.Duration) { <-time.After(d) }
	fault, ok := b.fault(on)
	switch {
	case !ok:
		return b.act(n, f)
	case fault.Do == relaytest.StallRequest:
		defer b.Wait()()
		return b.act(n, f)
	case fault.Do == relaytest.Refuse:
		return syscall.EPERM
	case fault.Do == relaytest.Ignore: // in the end the kernel gives up, as for an expander on a dead bus
		wait(b.timeout * 3 / 2)
		return syscall.ETIMEDOUT
	case fault.Do == relaytest.Mute:
		err := b.act(n, f)
		wait(b.timeout * 3 / 2)
		return err
	case fault.Do == relaytest.Hangup:
		return syscall.ENODEV
	case fault.Do == relaytest.ActHangup:
		_ = b.act(n, f)
		return syscall.ENODEV
	default:
		wait(fault.Delay)
		return b.act(n, f)
	}
}

func (b *failingKernel) chipInfo(path string) (ChipInfo, error) {
	b.mu.Lock()
	cut := b.cut
	b.mu.Unlock()
	if cut {
		return ChipInfo{}, syscall.ENODEV
	}
	return b.kernel.chipInfo(path)
}

func (b *failingKernel) request(path string, offset int, o LineOptions) (line, error) {
	var l line
	n := offset - b.first
	err := b.act(n, func() (err error) {
		if b.cut {
			return syscall.ENODEV
		}
		l, err = b.kernel.request(path, offset, o)
		if err == nil {
			b.held[n] = l
			b.pull(n, false)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return &faultyLine{line: l, kernel: b, n: n}, nil
}

type faultyLine struct {
	line
	kernel *failingKernel
	n      int
}

func (l *faultyLine) Set(active bool) error {
	l.kernel.driving[l.n].Lock()
	defer l.kernel.driving[l.n].Unlock()
	on := relaytest.Closing
	if active {
		on = relaytest.Opening
	}
	return l.kernel.call(l.n, on, func() error { return l.line.Set(active) })
}

func (l *faultyLine) Get() (active bool, err error) {
	err = l.kernel.call(l.n, relaytest.Any, func() (err error) {
		active, err = l.line.Get()
		return err
	})
	return active, err
}

func (l *faultyLine) Close() error {
	return l.kernel.act(l.n, func() error {
		l.kernel.held[l.n] = nil
		return l.line.Close()
	})
}

// subject puts two contacts on a failing kernel.
func subject(t *testing.T, b *failingKernel, s relaytest.Setup, chip string, c ContactOptions) *relaytest.Subject {
	t.Helper()
	if s.Open {
		b.pull(0, true)
		b.pull(1, true)
	}
	board, err := newBoard(Options{Name: "pins", Chip: chip, Timeout: b.timeout, Poll: 100 * time.Millisecond,
		Notify: s.Notify}, b)
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: b, Start: board.Start, Ready: board.Ready, Timeout: b.timeout}
	for n, name := range []string{relaytest.LineA, relaytest.LineB} {
		c.Name, c.Line = name, strconv.Itoa(b.first+n)
		contact, err := board.Contact(c)
		require.NoError(t, err)
		sub.Contacts[n] = contact
	}
	sub.Shutdown = func(ctx context.Context) []string {
		var names []string
		for _, n := range board.Shutdown(ctx) {
			names = append(names, n.Contact)
		}
		return names
	}
	t.Cleanup(func() {
		b.Clear()
		b.Restore()
		b.Release()
		ctx, cancel := context.WithTimeout(context.Background(), 10*b.timeout)
		defer cancel()
		board.Shutdown(ctx)
		b.hanging.Wait()
	})
	return sub
}
