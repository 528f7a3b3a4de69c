package gpio

import (
	"fmt"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay/relaytest"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fakeKernel is a kernel with chips in memory.
type fakeKernel struct {
	mu    sync.Mutex
	there []*fakeChip
}

type fakeChip struct {
	path  string
	info  ChipInfo
	gone  bool
	lines []fakeLine
}

type fakeLine struct {
	name     string
	high     bool
	driven   []bool // the levels set so far; true means active
	pull     bool
	consumer string // name of the holder
	held     *fakeRequestedLine
	refuse   error // the error of a request
}

// fakeRequestedLine is a requested line.
type fakeRequestedLine struct {
	k      *fakeKernel
	chip   *fakeChip
	offset int
	opt    LineOptions
	edges  chan Edge     // buffer 16: the kernel's default
	over   chan struct{} // closed by Close
}

func newFakeKernel(chips ...*fakeChip) *fakeKernel { return &fakeKernel{there: chips} }

func newFakeChip(n int, label string, names ...string) *fakeChip {
	name := fmt.Sprintf("gpiochip%d", n)
	c := &fakeChip{path: "/dev/" + name, info: ChipInfo{Name: name, Label: label, Lines: len(names)},
		lines: make([]fakeLine, len(names))}
	for i, name := range names {
		c.lines[i].name = name
	}
	return c
}

func (k *fakeKernel) chips() ([]string, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	var all []string
	for _, c := range k.there {
		if !c.gone {
			all = append(all, c.path)
		}
	}
	return all, nil
}

// chip finds a chip by its path. The caller holds mu.
func (k *fakeKernel) chip(path string) (*fakeChip, error) {
	for _, c := range k.there {
		if c.path == path && !c.gone {
			return c, nil
		}
	}
	return nil, &os.PathError{Op: "open", Path: path, Err: syscall.ENOENT}
}

func (k *fakeKernel) chipInfo(path string) (ChipInfo, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c, err := k.chip(path)
	if err != nil {
		return ChipInfo{}, err
	}
	return c.info, nil
}

func (k *fakeKernel) lineInfo(path string, offset int) (LineInfo, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c, err := k.chip(path)
	if err != nil {
		return LineInfo{}, err
	}
	l := c.lines[offset]
	return LineInfo{Name: l.name, Consumer: l.consumer}, nil
}

func (k *fakeKernel) request(path string, offset int, o LineOptions) (line, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c, err := k.chip(path)
	if err != nil {
		return nil, err
	}
	l := &c.lines[offset]
	switch {
	case l.refuse != nil:
		return nil, l.refuse
	case l.consumer != "":
		return nil, syscall.EBUSY
	}
	h := &fakeRequestedLine{k: k, chip: c, offset: offset, opt: o, edges: make(chan Edge, 16),
		over: make(chan struct{})}
	l.consumer, l.held = o.Consumer, h
	if o.Output {
		l.high = o.ActiveLow
	}
	return h, nil
}

func (h *fakeRequestedLine) line() *fakeLine { return &h.chip.lines[h.offset] }

func (h *fakeRequestedLine) Set(active bool) error {
	h.k.mu.Lock()
	defer h.k.mu.Unlock()
	if h.chip.gone {
		return syscall.ENODEV
	}
	h.line().high = active != h.opt.ActiveLow
	h.line().driven = append(h.line().driven, active)
	return nil
}

func (h *fakeRequestedLine) Get() (bool, error) {
	h.k.mu.Lock()
	defer h.k.mu.Unlock()
	if h.chip.gone {
		return false, syscall.ENODEV
	}
	return h.line().high != h.opt.ActiveLow, nil
}

func (h *fakeRequestedLine) Edge() (Edge, error) {
	select {
	case e := <-h.edges:
		return e, nil
	case <-h.over:
		return Edge{}, ErrClosed
	}
}

func (h *fakeRequestedLine) Close() error {
	h.k.mu.Lock()
	defer h.k.mu.Unlock()
	close(h.over)
	l := h.line()
	l.consumer, l.held, l.high = "", nil, l.pull
	return nil
}

// set moves a line from outside: an input, or an output that is not requested.
func (k *fakeKernel) set(c *fakeChip, offset int, high bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	l := &c.lines[offset]
	l.pull = high
	if l.held != nil && l.held.opt.Output || l.high == high {
		return
	}
	l.high = high
	if l.held != nil && l.held.opt.Edges {
		l.held.edges <- Edge{Active: high != l.held.opt.ActiveLow, At: time.Now()}
	}
}

// newFaultyKernel returns a failing kernel with such a chip. Its label must be unique among the tests, since a contact
// has only one driver on a machine.
func newFaultyKernel(label string, activeLow bool) *failingKernel {
	chip := newFakeChip(0, label, "", "", "", "")
	k := newFakeKernel(chip)
	b := &failingKernel{kernel: k, timeout: 100 * time.Millisecond}
	b.isOpen = func(n int) bool {
		k.mu.Lock()
		defer k.mu.Unlock()
		return chip.lines[n].high != activeLow
	}
	b.pull = func(n int, open bool) { k.set(chip, n, open != activeLow) }
	b.pull(0, false)
	b.pull(1, false)
	return b
}

// TestSuite runs the conformance suite on the fake kernel. TestKernelSuite runs it on a real one.
func TestSuite(t *testing.T) {
	relaytest.RunVirtual(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
		chip := relaytest.ProcessName(t.Name())
		return subject(t, newFaultyKernel(chip, true), s, chip, ContactOptions{ActiveLow: true})
	})
}
