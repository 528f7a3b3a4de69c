package gpio

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/relay/relaytest/vm"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// testTimeout bounds every wait.
const testTimeout = 20 * time.Second

// simBoard starts a board with one contact on line 0 of a chip. The channel receives its notices.
func simBoard(t *testing.T, o Options, c ContactOptions) (*Contact, *Board, <-chan relay.Notice) {
	t.Helper()
	notices := make(chan relay.Notice, 100) // far more than a test needs
	o.Name, o.Notify = "pins", func(n relay.Notice) { notices <- n }
	b, err := NewBoard(o)
	require.NoError(t, err)
	c.Name = relaytest.LineA
	contact, err := b.Contact(c)
	require.NoError(t, err)
	b.Start()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
		defer cancel()
		b.Shutdown(ctx)
	})
	return contact, b, notices
}

func within(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), testTimeout)
	t.Cleanup(cancel)
	return ctx
}

func await(t *testing.T, notices <-chan relay.Notice, k relay.NoticeKind) relay.Notice {
	t.Helper()
	timer := time.NewTimer(testTimeout)
	defer timer.Stop()
	for {
		select {
		case n := <-notices:
			if n.Kind == k {
				return n
			}
		case <-timer.C:
			t.Fatalf("no notice %v", k)
		}
	}
}

// tracing enables the kernel's trace of all levels that it sets, and returns a function that reads the trace.
func tracing(t *testing.T) func() []string {
	t.Helper()
	const dir = "/sys/kernel/tracing"
	if err := unix.Mount("tracefs", dir, "tracefs", 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
		t.Fatal(err)
	}
	write := func(name, what string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(what), 0o600))
	}
	write("trace", "")
	write("events/gpio/gpio_value/enable", "1")
	t.Cleanup(func() { write("events/gpio/gpio_value/enable", "0") })
	set := regexp.MustCompile(`gpio_value: \d+ set (\d)`)
	return func() []string {
		text, err := os.ReadFile(filepath.Join(dir, "trace"))
		require.NoError(t, err)
		write("trace", "")
		var levels []string
		for _, m := range set.FindAllStringSubmatch(string(text), -1) {
			levels = append(levels, m[1])
		}
		return levels
	}
}

// TestKernelFirstLevel checks, by the kernel's trace, that the level is never anything but closed from the request to
// the release, whatever the pin was before.
func TestKernelFirstLevel(t *testing.T) {
	chip := newSimChip(t, "", "")
	levels := tracing(t)
	for _, activeLow := range []bool{false, true} {
		for _, drive := range []Drive{PushPull, OpenDrain, OpenSource} {
			t.Run(fmt.Sprintf("active low %t, %s", activeLow, drive), func(t *testing.T) {
				chip.pull(0, !activeLow) // toward open
				l, err := Open(chip.path, "0", LineOptions{Output: true, ActiveLow: activeLow, Drive: drive})
				require.NoError(t, err)
				defer l.Close()
				open, closed := "1", "0"
				if activeLow {
					open, closed = closed, open
				}
				got := levels()
				require.NotContains(t, got, open)
				if drive == PushPull { // with the other drives one of the two levels is not driven
					require.Equal(t, []string{closed}, got)
					require.Equal(t, closed == "1", chip.high(0))
					require.NoError(t, l.Set(true))
					require.Equal(t, []string{open}, levels())
					require.Equal(t, open == "1", chip.high(0))
					active, err := l.Get()
					require.NoError(t, err)
					require.True(t, active)
				}
			})
		}
	}
}

// TestKernelLineInfo checks that the kernel reports what was requested, both to us and in its own list.
func TestKernelLineInfo(t *testing.T) {
	chip := newSimChip(t, "cabinet", "", "RELAY1", "SENSE1")
	for _, c := range []struct {
		line  string
		o     LineOptions
		flags uint64
	}{
		{"0", LineOptions{Output: true, Drive: PushPull, Bias: AsIs}, bitOutput},
		{"1", LineOptions{Output: true, ActiveLow: true, Drive: OpenDrain, Bias: PullUp},
			bitOutput | bitActiveLow | bitOpenDrain | bitPullUp},
		{"RELAY1", LineOptions{Output: true, Drive: OpenSource, Bias: PullDown},
			bitOutput | bitOpenSource | bitPullDown},
		{"SENSE1", LineOptions{ActiveLow: true, Drive: PushPull, Bias: NoBias, Debounce: 7 * time.Millisecond},
			bitInput | bitActiveLow | bitNoBias},
	} {
		c.o.Consumer = "clearback a line whose name is far too long for it"
		l, err := Open("cabinet", c.line, c.o)
		require.NoError(t, err)
		i := kernelLine(t, "cabinet", c.line)
		require.Equal(t, c.o.Consumer[:31], text(i.Consumer[:]))
		require.Equal(t, c.flags|bitUsed, i.Flags)
		require.Equal(t, c.o.Debounce > 0, i.Num_attrs > 0)
		if c.o.Debounce > 0 {
			require.Equal(t, uint32(unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE), i.Attrs[0].Id)
			require.EqualValues(t, c.o.Debounce/time.Microsecond, *(*uint32)(unsafe.Pointer(&i.Attrs[0].Flags)))
		}
		require.NoError(t, l.Close())
		require.Zero(t, kernelLine(t, "cabinet", c.line).Flags&bitUsed)
	}
	require.NoError(t, mount("debugfs", "/sys/kernel/debug"))
	l, err := Open(chip.path, "RELAY1", LineOptions{Consumer: "clearback box-office", Output: true, ActiveLow: true})
	require.NoError(t, err)
	defer l.Close()
	text, err := os.ReadFile("/sys/kernel/debug/gpio")
	require.NoError(t, err)
	require.Regexp(t, `\(RELAY1 +\|clearback box-office\) out hi ACTIVE LOW`, string(text))
}

// lineInfoOf describes a line without requesting it.
func lineInfoOf(chip, line string) (LineInfo, error) {
	k := newSystem()
	p, err := find(k, chip, line)
	if err != nil {
		return LineInfo{}, err
	}
	return k.lineInfo(p.path, p.offset)
}

// kernelLine returns the kernel's description of a line.
func kernelLine(t *testing.T, chip, line string) unix.GPIOV2LineInfo {
	t.Helper()
	p, err := find(newSystem(), chip, line)
	require.NoError(t, err)
	i := unix.GPIOV2LineInfo{Offset: uint32(p.offset)}
	require.NoError(t, withChip(p.path, func(fd int) error {
		return ioctl(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&i))
	}))
	return i
}

func mount(kind, dir string) error {
	if err := unix.Mount(kind, dir, kind, 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
		return err
	}
	return nil
}

// TestKernelInUse checks that a line has only one holder, and that a second request's error names the holder.
func TestKernelInUse(t *testing.T) {
	chip := newSimChip(t, "", "FIRST", "")
	l, err := Open(chip.path, "FIRST", LineOptions{Consumer: "door opener", Output: true})
	require.NoError(t, err)
	_, b, notices := simBoard(t, Options{Chip: chip.path}, ContactOptions{Line: "0"})
	lost := await(t, notices, relay.LinkLost)
	require.ErrorIs(t, lost.Err, ErrInUse)
	require.ErrorIs(t, lost.Err, syscall.EBUSY)
	require.ErrorContains(t, lost.Err, `line 0 (FIRST) of `)
	require.ErrorContains(t, lost.Err, `is held by "door opener"`)
	require.NoError(t, l.Close())
	require.NoError(t, b.Ready(within(t)))
	_, err = Open(chip.path, "0", LineOptions{Output: true})
	require.ErrorContains(t, err, `is held by "clearback box-office"`)
}

// TestKernelNames checks the errors for missing and ambiguous names.
func TestKernelNames(t *testing.T) {
	a := newSimChip(t, "twin", "A", "B", "B")
	newSimChip(t, "twin", "C")
	_, err := lineInfoOf("twin", "A")
	require.ErrorIs(t, err, ErrAmbiguous)
	_, err = lineInfoOf(a.path, "B")
	require.ErrorIs(t, err, ErrAmbiguous)
	_, err = lineInfoOf(filepath.Base(a.path), "A")
	require.NoError(t, err)
	_, err = lineInfoOf(a.path, "3")
	require.ErrorIs(t, err, ErrNotFound)
	_, err = lineInfoOf("/dev/null", "3")
	require.ErrorIs(t, err, ErrNotFound)
	require.ErrorContains(t, err, a.path+" (label twin, 3 lines)")
	_, err = lineInfoOf("/dev/gpiochip99", "3")
	require.ErrorIs(t, err, ErrNotFound)
	c, err := findChip(newSystem(), a.path)
	require.NoError(t, err)
	require.Equal(t, ChipInfo{Name: filepath.Base(a.path), Label: "twin", Lines: 3}, c.chip)
}

// TestKernelSense checks the loop-current input by edges, with the kernel's time stamps, and by reading.
func TestKernelSense(t *testing.T) {
	chip := newSimChip(t, "", "", "LOOP")
	type edge struct {
		level relay.Level
		at    time.Time
	}
	edges := make(chan edge, 1000) // far more than the test needs
	chip.pull(1, true)             // active low: no current
	contact, b, _ := simBoard(t, Options{Chip: chip.path}, ContactOptions{Line: "0",
		Sense: &Sense{Line: "LOOP", ActiveLow: true, Edge: func(l relay.Level, at time.Time) { edges <- edge{l, at} }}})
	require.NoError(t, b.Ready(within(t)))
	for n := range 50 {
		current := n%2 == 0
		want := relay.LevelOpen
		if current {
			want = relay.LevelClosed
		}
		begin := time.Now()
		chip.pull(1, !current)
		end := time.Now()
		e := <-edges
		require.Equal(t, want, e.level)
		require.False(t, e.at.Before(begin.Add(-time.Millisecond)) || e.at.After(end.Add(50*time.Millisecond)),
			"%v not in %v to %v", e.at, begin, end)
		l, err := contact.Sense(within(t))
		require.NoError(t, err)
		require.Equal(t, want, l)
	}
	require.Empty(t, edges)
}

// TestKernelDebounce checks that bounces shorter than the limit count as one change.
func TestKernelDebounce(t *testing.T) {
	chip := newSimChip(t, "", "")
	l, err := Open(chip.path, "0", LineOptions{Edges: true, Debounce: 300 * time.Millisecond})
	require.NoError(t, err)
	edges := make(chan Edge, 100) // far more than the test needs
	ended := make(chan error, 1)  // read at the end
	go func() {
		for {
			e, err := l.Edge()
			if err != nil {
				ended <- err
				return
			}
			edges <- e
		}
	}()
	for n := range 9 {
		chip.pull(0, n%2 == 0)
	}
	require.True(t, (<-edges).Active)
	chip.pull(0, false)
	require.False(t, (<-edges).Active)
	require.Empty(t, edges)
	require.NoError(t, l.Close()) // ends the wait
	require.ErrorIs(t, <-ended, ErrClosed)
	_, err = l.Get()
	require.ErrorIs(t, err, ErrClosed)
}

// TestKernelUnplugged checks a chip that goes away while the loop is open, and is found again by its label.
func TestKernelUnplugged(t *testing.T) {
	chip := newSimChip(t, "expander", "")
	contact, b, notices := simBoard(t, Options{Chip: "expander", Poll: 50 * time.Millisecond},
		ContactOptions{Line: "0"})
	require.NoError(t, b.Ready(within(t)))
	opened := make(chan struct{})
	result := make(chan relay.Result, 1) // read at the end
	go func() {
		result <- contact.Interrupt(within(t), relay.Interruption{Seq: 1, Duration: testTimeout,
			NotAfter: time.Now().Add(testTimeout), Opened: func(time.Time) { close(opened) }})
	}()
	<-opened
	require.True(t, chip.high(0))
	chip.unplug()
	r := <-result
	require.Equal(t, relay.Unknown, r.Outcome)
	require.ErrorIs(t, r.Err, syscall.ENODEV)
	await(t, notices, relay.LinkLost)
	levels := tracing(t)
	chip.plug()
	await(t, notices, relay.LinkBack)
	require.NotContains(t, levels(), "1")
	require.False(t, chip.high(0))
	require.NoError(t, contact.Close(within(t)))
	r = contact.Interrupt(within(t), relay.Interruption{Seq: 2, Duration: 50 * time.Millisecond,
		NotAfter: time.Now().Add(testTimeout)})
	require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
}

// TestKernelKilled checks an open loop whose process is killed. The simulated chip's line follows its pull resistor,
// which closes the loop only if it pulls that way. The next start closes the loop in any case.
func TestKernelKilled(t *testing.T) {
	for _, towardOpen := range []bool{false, true} {
		t.Run(fmt.Sprintf("pulled toward open %t", towardOpen), func(t *testing.T) {
			chip := newSimChip(t, "", "")
			chip.pull(0, towardOpen)
			p := holder(t, chip, time.Hour)
			i, err := lineInfoOf(chip.path, "0")
			require.NoError(t, err)
			require.Equal(t, "clearback box-office", i.Consumer)
			p.Kill()
			require.Error(t, p.Err())
			require.Zero(t, kernelLine(t, chip.path, "0").Flags&bitUsed, "the kernel releases the line")
			require.Equal(t, towardOpen, chip.high(0))
			_, b, _ := simBoard(t, Options{Chip: chip.path}, ContactOptions{Line: "0"})
			require.NoError(t, b.Ready(within(t)))
			require.False(t, chip.high(0))
		})
	}
}

// TestKernelStopped checks that an opening of a stopped process has no bound (kind none), and ends as soon as the
// process continues.
func TestKernelStopped(t *testing.T) {
	chip := newSimChip(t, "", "")
	const asked = 300 * time.Millisecond
	p := holder(t, chip, asked)
	p.Signal(syscall.SIGSTOP)
	<-time.After(3 * asked) // the length of the standstill is what is tested
	require.True(t, chip.high(0), "this contact has no timer")
	p.Signal(syscall.SIGCONT)
	require.Eventually(t, func() bool { return !chip.high(0) }, testTimeout, time.Millisecond)
	require.NoError(t, p.Err())
}

// holder starts a process that opens the loop for a time, and returns when the loop is open.
func holder(t *testing.T, chip *simChip, d time.Duration) *programtest.Process {
	t.Helper()
	cmd := exec.Command("/proc/self/exe", "-test.run", "^TestHolder$", "-test.v")
	cmd.Env = append(os.Environ(), "HOLD="+chip.path, "HOLD_FOR="+d.String())
	p := programtest.Start(t, cmd)
	p.Await(t, "the loop is open", time.Minute)
	require.True(t, chip.high(0))
	return p
}

// TestHolder is the process that other tests kill or stop.
func TestHolder(t *testing.T) {
	if os.Getenv("HOLD") == "" || !vm.Inside() {
		t.Skip("is started by other tests")
	}
	contact, b, _ := simBoard(t, Options{Chip: os.Getenv("HOLD")}, ContactOptions{Line: "0"})
	require.NoError(t, b.Ready(within(t)))
	d, err := time.ParseDuration(os.Getenv("HOLD_FOR"))
	require.NoError(t, err)
	contact.Interrupt(context.Background(), relay.Interruption{Seq: 1, Duration: d,
		NotAfter: time.Now().Add(testTimeout),
		Opened:   func(time.Time) { fmt.Println("the loop is open") }})
}
