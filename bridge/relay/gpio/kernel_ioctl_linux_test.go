package gpio

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Bits of a line's flags as linux/gpio.h numbers them (GPIO_V2_LINE_FLAG_..., from memory).
const (
	bitUsed       = 1
	bitActiveLow  = 2
	bitInput      = 4
	bitOutput     = 8
	bitRising     = 16
	bitFalling    = 32
	bitOpenDrain  = 64
	bitOpenSource = 128
	bitPullUp     = 256
	bitPullDown   = 512
	bitNoBias     = 1024
)

// ioctlChip answers the driver's calls on a chip with one line. Its device is an ordinary file, and its line is a pipe.
type ioctlChip struct {
	t      *testing.T
	system system
	path   string
	info   unix.GPIOV2LineInfo
	fail   error // the error of every call

	requested unix.GPIOV2LineRequest
	line      int // the write end of the line's pipe
	bits      uint64
	hold      chan struct{} // if set, Get waits until it is closed
}

func newIoctlChip(t *testing.T) *ioctlChip {
	dir := t.TempDir()
	c := &ioctlChip{t: t, path: filepath.Join(dir, "gpiochip3"), line: -1}
	require.NoError(t, os.WriteFile(c.path, nil, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "ttyS0"), nil, 0o600))
	c.system = system{dir, c.ioctl}
	t.Cleanup(func() { unix.Close(c.line) })
	return c
}

func (c *ioctlChip) ioctl(fd int, request uintptr, p unsafe.Pointer) error {
	if c.fail != nil {
		return c.fail
	}
	switch request {
	case unix.GPIO_GET_CHIPINFO_IOCTL:
		c.checkDevice(fd)
		i := (*unix.GPIOChipInfo)(p)
		copy(i.Name[:], "gpiochip3")
		copy(i.Label[:], "cabinet")
		i.Lines = 54
	case unix.GPIO_V2_GET_LINEINFO_IOCTL:
		c.checkDevice(fd)
		i := (*unix.GPIOV2LineInfo)(p)
		require.EqualValues(c.t, 7, i.Offset)
		*i = c.info
	case unix.GPIO_V2_GET_LINE_IOCTL:
		c.checkDevice(fd)
		r := (*unix.GPIOV2LineRequest)(p)
		c.requested = *r
		var ends [2]int
		require.NoError(c.t, unix.Pipe(ends[:]))
		r.Fd, c.line = int32(ends[0]), ends[1]
	case unix.GPIO_V2_LINE_SET_VALUES_IOCTL:
		v := (*unix.GPIOV2LineValues)(p)
		c.bits = c.bits&^v.Mask | v.Bits&v.Mask
	case unix.GPIO_V2_LINE_GET_VALUES_IOCTL:
		if c.hold != nil {
			<-c.hold
		}
		v := (*unix.GPIOV2LineValues)(p)
		v.Bits = c.bits & v.Mask
	default:
		return unix.ENOTTY
	}
	return nil
}

// checkDevice checks how the chip's device was opened: for reading and writing, and closed on exec.
func (c *ioctlChip) checkDevice(fd int) {
	name, err := os.Readlink(fmt.Sprintf("/proc/self/fd/%d", fd))
	require.NoError(c.t, err)
	require.Equal(c.t, c.path, name)
	mode, err := unix.FcntlInt(uintptr(fd), unix.F_GETFL, 0)
	require.NoError(c.t, err)
	require.Equal(c.t, unix.O_RDWR, mode&unix.O_ACCMODE)
	require.True(c.t, closedOnExec(c.t, fd))
}

func closedOnExec(t *testing.T, fd int) bool {
	flags, err := unix.FcntlInt(uintptr(fd), unix.F_GETFD, 0)
	require.NoError(t, err)
	return flags&unix.FD_CLOEXEC != 0
}

// given reports whether the line was released, so that its pipe has no reader.
func (c *ioctlChip) given() bool {
	_, err := unix.Write(c.line, []byte{0})
	return err == unix.EPIPE
}

func (c *ioctlChip) request(o LineOptions) *fdLine {
	l, err := c.system.request(c.path, 7, o)
	require.NoError(c.t, err)
	return l.(*fdLine)
}

// openFiles returns the number of this process's open files with the given name.
func openFiles(t *testing.T, name string) int {
	all, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	found := 0
	for _, f := range all {
		if to, err := os.Readlink("/proc/self/fd/" + f.Name()); err == nil && to == name {
			found++
		}
	}
	return found
}

func TestIoctlChip(t *testing.T) {
	c := newIoctlChip(t)
	paths, err := c.system.chips()
	require.NoError(t, err)
	require.Equal(t, []string{c.path}, paths)
	i, err := c.system.chipInfo(c.path)
	require.NoError(t, err)
	require.Equal(t, ChipInfo{Name: "gpiochip3", Label: "cabinet", Lines: 54}, i)
	require.Zero(t, openFiles(t, c.path))
	require.Equal(t, "/dev", newSystem().(system).dev)

	c.fail = unix.EIO
	_, err = c.system.chipInfo(c.path)
	require.ErrorIs(t, err, unix.EIO)
	_, err = c.system.lineInfo(c.path, 7)
	require.ErrorIs(t, err, unix.EIO)
	_, err = c.system.request(c.path, 7, LineOptions{})
	require.ErrorIs(t, err, unix.EIO)
	_, err = c.system.chipInfo(c.path + "0")
	require.ErrorIs(t, err, unix.ENOENT)
	require.ErrorContains(t, err, "gpio: opening "+c.path+"0: ")
	require.Equal(t, "", hint(err))
	require.Contains(t, hint(unix.EACCES), "add the user to the device's group")
}

// TestIoctlLineInfo checks how the kernel's names of a line and of its holder are read.
func TestIoctlLineInfo(t *testing.T) {
	chip := newIoctlChip(t)
	copy(chip.info.Name[:], "RELAY1")
	copy(chip.info.Consumer[:], "door opener")
	i, err := chip.system.lineInfo(chip.path, 7)
	require.NoError(t, err)
	require.Equal(t, LineInfo{Name: "RELAY1", Consumer: "door opener"}, i)
}

// TestIoctlRequest checks that an output is requested inactive, and that each option sets its own bit.
func TestIoctlRequest(t *testing.T) {
	for _, c := range []struct {
		o     LineOptions
		flags uint64
	}{
		{LineOptions{Output: true}, bitOutput},
		{LineOptions{Output: true, ActiveLow: true, Drive: OpenDrain, Bias: PullUp},
			bitOutput | bitActiveLow | bitOpenDrain | bitPullUp},
		{LineOptions{Output: true, Drive: OpenSource, Bias: PullDown}, bitOutput | bitOpenSource | bitPullDown},
		{LineOptions{Edges: true, Bias: NoBias}, bitInput | bitRising | bitFalling | bitNoBias},
		{LineOptions{Debounce: 7 * time.Millisecond}, bitInput},
	} {
		chip := newIoctlChip(t)
		c.o.Consumer = "clearback a line whose name is far too long for it"
		l := chip.request(c.o)
		defer l.Close()
		r := chip.requested
		require.Equal(t, c.flags, r.Config.Flags)
		require.EqualValues(t, 1, r.Num_lines)
		require.EqualValues(t, 7, r.Offsets[0])
		require.Equal(t, c.o.Consumer[:31], text(r.Consumer[:]), "the last byte of 32 ends the name")
		a := r.Config.Attrs[0]
		switch {
		case c.o.Output:
			require.EqualValues(t, 1, r.Config.Num_attrs)
			require.Equal(t, unix.GPIOV2LineConfigAttribute{Mask: 1,
				Attr: unix.GPIOV2LineAttribute{Id: unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES}}, a)
		case c.o.Debounce > 0:
			require.EqualValues(t, 1, r.Config.Num_attrs)
			require.EqualValues(t, unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, a.Attr.Id)
			require.EqualValues(t, 1, a.Mask)
			require.EqualValues(t, 7000, *(*uint32)(unsafe.Pointer(&a.Attr.Flags)), "microseconds")
		default:
			require.Zero(t, r.Config.Num_attrs)
		}
		require.True(t, closedOnExec(t, l.fd))
		if c.o.Edges {
			require.True(t, closedOnExec(t, l.wake))
		} else {
			_, err := l.Edge()
			require.ErrorContains(t, err, "without edges")
		}
	}
}

// TestIoctlLevels checks that a line is set and read, and that it is released when the last call on it returns.
func TestIoctlLevels(t *testing.T) {
	c := newIoctlChip(t)
	c.bits = 6 // bits of other lines
	l := c.request(LineOptions{Output: true})
	for _, active := range []bool{true, false, true} {
		require.NoError(t, l.Set(active))
		got, err := l.Get()
		require.NoError(t, err)
		require.Equal(t, active, got)
		require.EqualValues(t, 6, c.bits&^1)
	}
	c.hold = make(chan struct{})
	read := make(chan error, 1) // one result
	go func() {
		_, err := l.Get()
		read <- err
	}()
	awaitUser(l)
	require.NoError(t, l.Close())
	require.NoError(t, l.Close(), "a second close does nothing")
	require.ErrorIs(t, l.Set(false), ErrClosed)
	_, err := l.Get()
	require.ErrorIs(t, err, ErrClosed)
	_, err = l.Edge()
	require.ErrorIs(t, err, ErrClosed)
	require.False(t, c.given(), "a call is under way")
	close(c.hold)
	require.NoError(t, <-read)
	require.True(t, c.given())

	c = newIoctlChip(t)
	l = c.request(LineOptions{})
	require.NoError(t, l.Close())
	require.True(t, c.given(), "no call is using it")
}

// awaitUser waits until a call on the line has begun.
func awaitUser(l *fdLine) {
	for begun := false; !begun; runtime.Gosched() {
		l.mu.Lock()
		begun = l.users > 0
		l.mu.Unlock()
	}
}

// TestIoctlEdges checks that edges have the kernel's time stamp, and that Close and the end of the chip each end the
// wait for an edge.
func TestIoctlEdges(t *testing.T) {
	const eventfds = "anon_inode:[eventfd]"
	before := openFiles(t, eventfds)
	c := newIoctlChip(t)
	l := c.request(LineOptions{Edges: true})
	require.Equal(t, before+1, openFiles(t, eventfds))
	for _, active := range []bool{true, false} {
		var now unix.Timespec
		from := time.Now()
		require.NoError(t, unix.ClockGettime(unix.CLOCK_MONOTONIC, &now))
		to := time.Now()
		e := unix.GPIOV2LineEvent{Timestamp_ns: uint64(now.Nano() - int64(time.Minute)),
			Id: unix.GPIO_V2_LINE_EVENT_FALLING_EDGE}
		if active {
			e.Id = unix.GPIO_V2_LINE_EVENT_RISING_EDGE
		}
		_, err := unix.Write(c.line, unsafe.Slice((*byte)(unsafe.Pointer(&e)), unsafe.Sizeof(e)))
		require.NoError(t, err)
		got, err := l.Edge()
		require.NoError(t, err)
		require.Equal(t, active, got.Active)
		// The driver also reads its two clocks one after the other, so the bounds allow for a machine that stands still
		// in between.
		require.WithinRange(t, got.At, from.Add(-time.Minute), to.Add(-time.Minute/2))
	}
	_, err := unix.Write(c.line, make([]byte, 5))
	require.NoError(t, err)
	_, err = l.Edge()
	require.ErrorContains(t, err, "gpio: reading an edge: 5 bytes of an event")

	ended := make(chan error, 1) // one result
	go func() {
		_, err := l.Edge()
		ended <- err
	}()
	awaitUser(l)
	require.NoError(t, l.Close())
	require.ErrorIs(t, <-ended, ErrClosed)
	require.True(t, c.given())
	require.Equal(t, before, openFiles(t, eventfds))

	c = newIoctlChip(t)
	l = c.request(LineOptions{Edges: true})
	defer l.Close()
	unix.Close(c.line)
	c.line = -1
	_, err = l.Edge()
	require.ErrorIs(t, err, unix.ENODEV)
}

// TestIoctlCall makes the real call, which the other tests replace.
func TestIoctlCall(t *testing.T) {
	var ends [2]int
	require.NoError(t, unix.Pipe(ends[:]))
	defer unix.Close(ends[0])
	defer unix.Close(ends[1])
	_, err := unix.Write(ends[1], []byte("abc"))
	require.NoError(t, err)
	var waiting int32
	require.NoError(t, ioctl(ends[0], unix.TIOCINQ, unsafe.Pointer(&waiting)))
	require.EqualValues(t, 3, waiting)
	require.ErrorIs(t, ioctl(ends[0], unix.GPIO_GET_CHIPINFO_IOCTL, nil), syscall.ENOTTY)
	_, err = findChip(newSystem(), "/dev/null")
	require.ErrorIs(t, err, ErrNotFound)
	require.ErrorContains(t, err, "/dev/null is not a GPIO chip")
}

// TestInterruptedCalls: a call that a signal ended is made again, and no other.
func TestInterruptedCalls(t *testing.T) {
	for _, want := range []error{nil, unix.ENODEV} {
		answers := []error{unix.EINTR, unix.EINTR, want, unix.EBUSY}
		require.Equal(t, want, uninterrupted(func() error {
			err := answers[0]
			answers = answers[1:]
			return err
		}))
		require.Len(t, answers, 1)
	}
}
