package gpio

import (
	"context"
	"errors"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

func TestOptions(t *testing.T) {
	for want, o := range map[string]Options{
		`chip: "" is not a chip; write its path`:             {},
		"timeout: 1ms is out of range; allowed: 20ms to 10s": {Chip: "a", Timeout: time.Millisecond},
		"timeout: 11s": {Chip: "a", Timeout: 11 * time.Second},
		"poll: 9ms is out of range; allowed: 10ms or more": {Chip: "a", Poll: 9 * time.Millisecond},
	} {
		_, err := NewBoard(o)
		require.ErrorIs(t, err, ErrOptions)
		require.ErrorContains(t, err, want)
	}
	b, err := newBoard(Options{Name: "pins", Chip: relaytest.ProcessName(t.Name())}, newFakeKernel())
	require.NoError(t, err)
	for want, o := range map[string]ContactOptions{
		`line box-office: line: "" is not a GPIO line; write its number or its name`: {},
		`drive: "hard" is not known; allowed: push-pull, open-drain, open-source`:    {Line: "1", Drive: "hard"},
		`bias: "up" is not known; allowed: as-is, disabled, pull-up, pull-down`:      {Line: "1", Bias: "up"},
		`sense.bias: "up" is not known`: {Line: "1",
			Sense: &Sense{Line: "2", Bias: "up"}},
		`sense.line: ""`: {Line: "1", Sense: &Sense{}},
		"sense.line: 1 is the line of the contact": {Line: "1", Sense: &Sense{Line: "1"}},
		"sense.debounce: 11s is out of range; allowed: 0s to 10s": {Line: "1",
			Sense: &Sense{Line: "2", Debounce: 11 * time.Second}},
	} {
		o.Name = "box-office"
		_, err := b.Contact(o)
		require.ErrorIs(t, err, ErrOptions)
		require.ErrorContains(t, err, want)
	}
	c, err := b.Contact(ContactOptions{Name: "box-office", Line: "1"})
	require.NoError(t, err)
	require.Equal(t, relay.KindNone, c.Kind())
	_, err = b.Contact(ContactOptions{Name: "stage-door", Line: "1"})
	require.ErrorIs(t, err, relay.ErrLocked)
	require.ErrorContains(t, err, "lines box-office and stage-door")
	require.Empty(t, b.Shutdown(context.Background()))
}

func TestFind(t *testing.T) {
	k := newFakeKernel(newFakeChip(0, "soc", "", "RELAY1", "17", "X", "X"), newFakeChip(1, "expander"),
		newFakeChip(2, "twin", ""), newFakeChip(3, "twin", ""))
	for _, c := range []struct {
		chip, line string
		want       string
	}{
		{"soc", "RELAY1", "line 1 (RELAY1) of gpiochip0 (soc)"},
		{"gpiochip0", "0", "line 0 of gpiochip0 (soc)"},
		{"/dev/gpiochip0", "1", "line 1 (RELAY1) of gpiochip0 (soc)"},
	} {
		p, err := find(k, c.chip, c.line)
		require.NoError(t, err)
		require.Equal(t, c.want, p.String())
	}
	for _, c := range []struct {
		chip, line string
		is         error
		want       string
	}{
		// A number is an offset, even if a line has it as its name.
		{"soc", "17", ErrNotFound, "line 17 of chip soc; its lines are 0 to 4"},
		{"soc", "RELAY2", ErrNotFound,
			"line RELAY2 of chip soc; its lines with a name are RELAY1, 17, X, X; numbers are 0 to 4"},
		{"soc", "X", ErrAmbiguous, "lines 3, 4 of chip soc are all called X; write the number"},
		{"twin", "0", ErrAmbiguous,
			"2 chips are called twin; write the path; there are /dev/gpiochip0 (label soc, 5 lines), "},
		{"gpiochip2", "A", ErrNotFound, "none of its lines has a name"},
		{"other", "0", ErrNotFound,
			"chip other; there are /dev/gpiochip0 (label soc, 5 lines), /dev/gpiochip1 (label expander, 0 lines)"},
		{"/dev/gpiochip9", "0", ErrNotFound, "chip /dev/gpiochip9; there are "},
	} {
		_, err := find(k, c.chip, c.line)
		require.ErrorIs(t, err, c.is)
		require.ErrorContains(t, err, c.want)
	}
	_, err := find(newFakeKernel(), "soc", "1")
	require.ErrorContains(t, err, "this machine has no GPIO chip")
}

func TestRequestLine(t *testing.T) {
	chip := newFakeChip(0, "soc", "RELAY1", "B")
	k := newFakeKernel(chip)
	chip.lines[0].consumer = "door opener"
	_, _, err := requestLine(k, "soc", "RELAY1", LineOptions{Output: true})
	require.ErrorIs(t, err, ErrInUse)
	require.ErrorContains(t, err,
		`line 0 (RELAY1) of gpiochip0 (soc) is held by "door opener"; release it there, or use another line`)
	chip.lines[1].refuse = syscall.ENXIO
	_, _, err = requestLine(k, "soc", "B", LineOptions{Edges: true})
	require.ErrorContains(t, err, "the chip has no interrupts")
	chip.lines[1].refuse = syscall.EOPNOTSUPP
	_, _, err = requestLine(k, "soc", "B", LineOptions{Output: true, Bias: PullUp, Drive: OpenDrain})
	require.ErrorContains(t, err, "the chip does not support bias pull-up with drive open-drain")
	chip.lines[1].refuse = syscall.EPERM
	_, _, err = requestLine(k, "soc", "B", LineOptions{Output: true})
	require.ErrorIs(t, err, syscall.EPERM)
}

// TestRefusal checks which errors of the kernel prove that nothing was done.
func TestRefusal(t *testing.T) {
	for _, errno := range []syscall.Errno{syscall.EPERM, syscall.EINVAL} {
		var r *controller.Refusal
		require.True(t, errors.As(refusal(errno), &r) && r.Sure)
	}
	for _, errno := range []syscall.Errno{syscall.EIO, syscall.ETIMEDOUT, syscall.ENODEV} {
		require.Equal(t, error(errno), refusal(errno))
	}
	require.NoError(t, refusal(nil))
}

func TestSense(t *testing.T) {
	chip := newFakeChip(0, relaytest.ProcessName(t.Name()), "", "LOOP")
	k := newFakeKernel(chip)
	k.set(chip, 1, true)
	b, err := newBoard(Options{Chip: relaytest.ProcessName(t.Name())}, k)
	require.NoError(t, err)
	levels := make(chan relay.Level, 10) // more than the test makes
	c, err := b.Contact(ContactOptions{Name: "box-office", Line: "0",
		Sense: &Sense{Line: "LOOP", ActiveLow: true, Edge: func(l relay.Level, _ time.Time) { levels <- l }}})
	require.NoError(t, err)
	b.Start()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	require.NoError(t, b.Ready(ctx))
	for _, current := range []bool{true, false} {
		want := map[bool]relay.Level{true: relay.LevelClosed, false: relay.LevelOpen}[current]
		k.set(chip, 1, !current)
		require.Equal(t, want, <-levels)
		got, err := c.Sense(ctx)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	require.Equal(t, "clearback box-office sense", chip.lines[1].consumer)
	require.Empty(t, b.Shutdown(ctx))
	require.Empty(t, chip.lines[0].consumer+chip.lines[1].consumer, "both lines are released")
}

// TestSenseMissing checks that a missing sense line is reported, and that the contact's line is not requested then.
func TestSenseMissing(t *testing.T) {
	chip := newFakeChip(0, "soc", "", "LOOP")
	chip.lines[1].consumer = "somebody"
	d := &contactLines{kernel: newFakeKernel(chip), chip: "soc", timeout: time.Second,
		opt: ContactOptions{Name: "box-office", Line: "0", Sense: &Sense{Chip: "soc", Line: "LOOP"}}}
	_, err := d.connect(context.Background())
	require.ErrorIs(t, err, ErrInUse)
	require.ErrorContains(t, err, "line box-office: sense: ")
	require.Empty(t, chip.lines[0].consumer)
	chip.lines[0].consumer, chip.lines[1].consumer = "somebody", ""
	_, err = d.connect(context.Background())
	require.ErrorContains(t, err, "line box-office: gpio: the line is in use")
	require.Empty(t, chip.lines[1].consumer, "nor the sense line without the contact")
}

// slowKernel hangs in request, and its lines hang in Set, until release is closed.
type slowKernel struct {
	kernel
	inRequest, inSet chan struct{} // nil: does not hang
}

func (k slowKernel) request(path string, offset int, o LineOptions) (line, error) {
	if k.inRequest != nil {
		<-k.inRequest
	}
	l, err := k.kernel.request(path, offset, o)
	return slowLine{l, k.inSet}, err
}

type slowLine struct {
	line
	inSet chan struct{}
}

func (l slowLine) Set(active bool) error {
	if l.inSet != nil && active {
		<-l.inSet
	}
	return l.line.Set(active)
}

// TestHungRequest checks that a request that returns too late is undone, and that no second request begins before that.
func TestHungRequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := newFakeChip(0, "soc", "")
		hung := make(chan struct{})
		d := &contactLines{kernel: slowKernel{kernel: newFakeKernel(chip), inRequest: hung}, chip: "soc",
			timeout: time.Second, opt: ContactOptions{Name: "box-office", Line: "0"}}
		begin := time.Now()
		_, err := d.connect(context.Background())
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.ErrorContains(t, err, "requesting line 0 of chip soc")
		_, err = d.connect(context.Background())
		require.ErrorContains(t, err, "has not returned")
		require.Equal(t, 2*time.Second, time.Since(begin))
		close(hung)
		dev, err := d.connect(context.Background())
		require.NoError(t, err, "EBUSY by our own late request")
		require.Equal(t, "clearback box-office", chip.lines[0].consumer)
		require.NoError(t, dev.Close())
		require.Empty(t, chip.lines[0].consumer)
	})
}

// TestHungOpening checks an opening that the kernel carries out after it was given up. The contact is closed as soon as
// the call returns, before anything else.
func TestHungOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		chip := newFakeChip(0, "soc", "")
		hung := make(chan struct{})
		d := &contactLines{kernel: slowKernel{kernel: newFakeKernel(chip), inSet: hung}, chip: "soc",
			timeout: time.Second, opt: ContactOptions{Name: "box-office", Line: "0"}}
		dev, err := d.connect(context.Background())
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(context.Background())
		opened := make(chan error, 1) // read at the end
		go func() {
			_, err := dev.Do(ctx, controller.Request{Op: controller.Open}, func() error { return nil })
			opened <- err
		}()
		synctest.Wait()
		closing, done := context.WithTimeout(context.Background(), time.Second)
		defer done()
		_, err = dev.Do(closing, controller.Request{Op: controller.Close},
			func() error { t.Error("the close went before the opening"); return nil })
		require.ErrorIs(t, err, context.DeadlineExceeded)
		cancel()
		require.ErrorContains(t, dev.Close(), "a kernel call has not returned within 1s")
		_, err = dev.Do(context.Background(), controller.Request{Op: controller.Read}, func() error { return nil })
		require.ErrorIs(t, err, ErrClosed)
		require.NotEmpty(t, chip.lines[0].consumer, "held while the call hangs")
		close(hung)
		require.NoError(t, <-opened)
		synctest.Wait()
		require.Empty(t, chip.lines[0].consumer)
		require.Equal(t, []bool{true, false}, chip.lines[0].driven)
	})
}

// TestNoChip uses the system on which the test runs.
func TestNoChip(t *testing.T) {
	_, err := Open("/dev/null", "0", LineOptions{})
	require.True(t, errors.Is(err, ErrNotFound) || errors.Is(err, ErrUnsupported), "%v", err)
}

// SAFETY.md S92: an output that somebody else moves is found.
func TestFoundOpen(t *testing.T) {
	relaytest.FindsOpen(t, func(notify func(relay.Notice)) relaytest.Started {
		chip := newFakeChip(0, "soc", "RELAY1")
		k := newFakeKernel(chip)
		b, err := newBoard(Options{Name: "header", Chip: "soc", NoLock: true, Notify: notify}, k)
		require.NoError(t, err)
		_, err = b.Contact(ContactOptions{Name: "box-office", Line: "RELAY1"})
		require.NoError(t, err)
		b.Start()
		return relaytest.Started{Ready: b.Ready, Shutdown: func(ctx context.Context) { b.Shutdown(ctx) },
			Open: func() {
				k.mu.Lock()
				defer k.mu.Unlock()
				chip.lines[0].high = true
			}}
	})
}
