package gpio

import (
	"context"
	"errors"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
)

// TestBoundsAreAllowed checks that each bound of a setting is allowed, and that a value just beyond it is not.
func TestBoundsAreAllowed(t *testing.T) {
	for _, o := range []Options{
		{Timeout: 20 * time.Millisecond}, {Timeout: 10 * time.Second}, {Poll: 10 * time.Millisecond},
	} {
		o.Chip = "soc"
		_, err := NewBoard(o)
		require.NoError(t, err)
	}
	for _, o := range []Options{
		{Timeout: 20*time.Millisecond - 1}, {Timeout: 10*time.Second + 1}, {Poll: 10*time.Millisecond - 1},
		{Chip: "so\x00c"},
	} {
		if o.Chip == "" {
			o.Chip = "soc"
		}
		_, err := NewBoard(o)
		require.ErrorIs(t, err, ErrOptions)
	}
	for debounce, ok := range map[time.Duration]bool{-1: false, 0: true, maxDebounce: true, maxDebounce + 1: false} {
		_, err := ContactOptions{Line: "1", Sense: &Sense{Line: "2", Debounce: debounce}}.withDefaults("soc")
		require.Equal(t, ok, err == nil, debounce)
	}
	_, err := ContactOptions{Line: "1", Sense: &Sense{Chip: "so\x00c", Line: "2"}}.withDefaults("soc")
	require.ErrorContains(t, err, `sense.chip: "so\x00c"`)
	o, err := ContactOptions{Line: "1", Sense: &Sense{Line: "2"}}.withDefaults("soc")
	require.NoError(t, err)
	require.Equal(t, ContactOptions{Line: "1", Drive: PushPull, Bias: AsIs,
		Sense: &Sense{Chip: "soc", Line: "2", Bias: AsIs}}, o)
}

// faultyKernel is a kernel in which some calls fail.
type faultyKernel struct {
	kernel
	list           error
	chips1, lines1 map[string]error // by path
}

func (k faultyKernel) chips() ([]string, error) {
	if k.list != nil {
		return nil, k.list
	}
	return k.kernel.chips()
}

func (k faultyKernel) chipInfo(path string) (ChipInfo, error) {
	if err := k.chips1[path]; err != nil {
		return ChipInfo{}, err
	}
	return k.kernel.chipInfo(path)
}

func (k faultyKernel) lineInfo(path string, offset int) (LineInfo, error) {
	if err := k.lines1[path]; err != nil {
		return LineInfo{}, err
	}
	return k.kernel.lineInfo(path, offset)
}

// TestFindOnFaultyChips checks that a chip that cannot be read hides no other chip, and that its error is reported if
// it may be the reason.
func TestFindOnFaultyChips(t *testing.T) {
	broken := errors.New("broken")
	k := faultyKernel{kernel: newFakeKernel(newFakeChip(0, "gpiochip0", "A"), newFakeChip(1, "expander", "B", ""))}
	for place, want := range map[[2]string]string{
		{"gpiochip0", "A"}: "line 0 (A) of gpiochip0", {"expander", "1"}: "line 1 of gpiochip1 (expander)",
		{"/dev/gpiochip1", "B"}: "line 0 (B) of gpiochip1 (expander)",
	} {
		p, err := find(k, place[0], place[1])
		require.NoError(t, err)
		require.Equal(t, want, p.String())
	}
	require.Equal(t, "line 3 of gpiochip2", place{chip: ChipInfo{Name: "gpiochip2"}, offset: 3}.String())
	for _, c := range []struct{ chip, line, want string }{
		{"gpiochip0", "1", "its lines are 0 to 0"}, {"expander", "2", "its lines are 0 to 1"},
		{"expander", "2147483647", "its lines are 0 to 1"},
		{"expander", "2147483648", "its lines with a name are B"},
	} {
		_, err := find(k, c.chip, c.line)
		require.ErrorIs(t, err, ErrNotFound)
		require.ErrorContains(t, err, c.want)
	}

	k.chips1 = map[string]error{"/dev/gpiochip0": broken}
	p, err := find(k, "expander", "B")
	require.NoError(t, err)
	require.Equal(t, "/dev/gpiochip1", p.path)
	_, err = find(k, "soc", "A")
	require.ErrorIs(t, err, ErrNotFound)
	require.ErrorIs(t, err, broken)
	require.ErrorContains(t, err, "there are /dev/gpiochip0, /dev/gpiochip1 (label expander, 2 lines)")
	_, err = find(k, "/dev/gpiochip0", "A")
	require.ErrorIs(t, err, broken)
	k.chips1["/dev/gpiochip0"] = syscall.ENOTTY
	_, err = find(k, "/dev/gpiochip0", "A")
	require.ErrorIs(t, err, ErrNotFound)
	k.chips1["/dev/gpiochip0"] = os.ErrNotExist
	_, err = find(k, "/dev/gpiochip0", "A")
	require.ErrorIs(t, err, ErrNotFound)
	k.lines1 = map[string]error{"/dev/gpiochip1": broken}
	for _, line := range []string{"1", "B"} {
		_, err = find(k, "expander", line)
		require.ErrorIs(t, err, broken)
	}
	k.list = broken
	_, err = find(k, "expander", "B")
	require.ErrorIs(t, err, broken)
}

// TestWhyALineIsNotGiven checks that each refusal of the kernel is explained for the kind of line.
func TestWhyALineIsNotGiven(t *testing.T) {
	chip := newFakeChip(0, "soc", "RELAY1")
	k := newFakeKernel(chip)
	for _, c := range []struct {
		refuse error
		o      LineOptions
		says   string
	}{
		{syscall.ENXIO, LineOptions{Edges: true}, "the chip has no interrupts"},
		{syscall.EOPNOTSUPP, LineOptions{Debounce: 1}, "the chip has no interrupts"},
		{syscall.EOPNOTSUPP, LineOptions{Bias: PullUp}, "the chip does not support bias pull-up"},
		{syscall.EOPNOTSUPP, LineOptions{Output: true, Edges: true}, "the chip does not support bias"},
		{syscall.ENXIO, LineOptions{}, "requesting line 0 (RELAY1) of gpiochip0 (soc): no such device"},
		{syscall.EBUSY, LineOptions{}, "is held by the kernel or one of its drivers"},
	} {
		chip.lines[0].refuse = c.refuse
		_, _, err := requestLine(k, "soc", "RELAY1", c.o)
		require.ErrorIs(t, err, c.refuse)
		require.ErrorContains(t, err, c.says)
	}
	_, _, err := requestLine(faultyKernel{kernel: k, lines1: map[string]error{"/dev/gpiochip0": errors.New("broken")}},
		"soc", "RELAY1", LineOptions{})
	require.ErrorContains(t, err, "broken")
}

// TestLineOutsideOfABoard checks a line without a board, and the error for a missing line.
func TestLineOutsideOfABoard(t *testing.T) {
	chip := newFakeChip(0, "soc", "RELAY1")
	l, _, err := requestLine(newFakeKernel(chip), "soc", "RELAY1", LineOptions{Output: true})
	require.NoError(t, err)
	line := &Line{l}
	require.NoError(t, line.Set(true))
	active, err := line.Get()
	require.NoError(t, err)
	require.True(t, active)
	l.(*fakeRequestedLine).edges <- Edge{Active: true}
	e, err := line.Edge()
	require.NoError(t, err)
	require.True(t, e.Active)
	require.NoError(t, line.Close())
	require.Nil(t, chip.lines[0].held)
	_, err = line.Edge()
	require.ErrorIs(t, err, ErrClosed)
	_, err = Open("/dev/null", "1", LineOptions{})
	require.ErrorIs(t, err, ErrNotFound)
}

// TestDevice checks that a device drives and reads its lines and reports failures, and that it does nothing that before
// forbids or after Close.
func TestDevice(t *testing.T) {
	chip := newFakeChip(0, "soc", "RELAY1", "LOOP")
	d := &contactLines{kernel: newFakeKernel(chip), chip: "soc", timeout: time.Second,
		opt: ContactOptions{Name: "box-office", Line: "RELAY1", Drive: OpenDrain, Bias: PullUp,
			Sense: &Sense{Chip: "soc", Line: "LOOP", Edge: func(relay.Level, time.Time) {}}}}
	dev, err := d.connect(t.Context())
	require.NoError(t, err)
	require.Equal(t, LineOptions{Consumer: "clearback box-office", Output: true, Drive: OpenDrain, Bias: PullUp},
		chip.lines[0].held.opt)
	do := func(op controller.Op, before error) (relay.Level, error) {
		return dev.Do(t.Context(), controller.Request{Op: op}, func() error { return before })
	}
	forbidden := errors.New("forbidden")
	for _, op := range []controller.Op{controller.Open, controller.Close, controller.Read, controller.Sense} {
		_, err := do(op, forbidden)
		require.Equal(t, forbidden, err)
	}
	require.Empty(t, chip.lines[0].driven)
	_, err = do(controller.Open, nil)
	require.NoError(t, err)
	level, err := do(controller.Read, nil)
	require.NoError(t, err)
	require.Equal(t, relay.LevelOpen, level)
	level, err = do(controller.Sense, nil)
	require.NoError(t, err)
	require.Equal(t, relay.LevelOpen, level, "no current")
	_, err = do(controller.Close, nil)
	require.NoError(t, err)
	require.Equal(t, []bool{true, false}, chip.lines[0].driven)
	held := dev.contact
	dev.contact = stuckLine{held}
	level, err = do(controller.Read, nil)
	require.ErrorIs(t, err, syscall.EIO, "whatever the level")
	require.Equal(t, relay.LevelOpen, level)
	dev.contact = held
	require.NoError(t, dev.Close())
	select {
	case <-d.gone:
	default:
		t.Error("the lines are released")
	}
	for _, op := range []controller.Op{controller.Open, controller.Close, controller.Read, controller.Sense} {
		_, err := do(op, nil)
		require.ErrorIs(t, err, ErrClosed)
	}
	require.Equal(t, []bool{true, false, false}, chip.lines[0].driven, "closed last of all")
}

// stuckLine reads active and returns an error.
type stuckLine struct{ line }

func (stuckLine) Get() (bool, error) { return true, syscall.EIO }

// TestAttempt checks that the result of a request counts unless the request was given up before. In that case its lines
// are released.
func TestAttempt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, failed := range []error{nil, errors.New("failed")} {
			chip := newFakeChip(0, "soc", "RELAY1")
			contact, _, err := requestLine(newFakeKernel(chip), "soc", "RELAY1",
				LineOptions{Output: true, Consumer: "clearback"})
			require.NoError(t, err)
			dev := &device{contact: contact, gone: make(chan struct{})}
			if failed != nil {
				dev = nil
			}
			a := &attempt{over: make(chan struct{})}
			a.end(dev, failed)
			<-a.over
			require.False(t, a.giveUp(), "the attempt has a result")
			require.False(t, a.givenUp)
			require.Equal(t, "clearback", chip.lines[0].consumer)

			a = &attempt{over: make(chan struct{})}
			require.True(t, a.giveUp())
			a.end(dev, failed)
			<-a.over
			require.Equal(t, failed == nil, chip.lines[0].consumer == "")
		}
	})
}

// TestTakenContact checks that a contact claimed by another process is refused.
func TestTakenContact(t *testing.T) {
	chip := relaytest.ProcessName(t.Name())
	for i, want := range []error{nil, relay.ErrLocked} {
		b, err := newBoard(Options{Name: "pins", Chip: chip}, newFakeKernel())
		require.NoError(t, err)
		_, err = b.Contact(ContactOptions{Name: "box-office", Line: "1"})
		require.ErrorIs(t, err, want)
		if i == 0 {
			defer b.Shutdown(context.Background())
		}
	}
}
