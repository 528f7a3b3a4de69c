package gpio

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Bits of a line's flags in version 2 of the kernel's interface, from linux/gpio.h. Package unix has the rest of the
// interface.
const (
	flagActiveLow uint64 = 2 << iota
	flagInput
	flagOutput
	flagEdgeRising
	flagEdgeFalling
	flagOpenDrain
	flagOpenSource
	flagPullUp
	flagPullDown
	flagBiasDisabled
)

// consumerSize is the longest consumer name, without the terminating zero byte.
const consumerSize = 31

// system is the kernel of this machine.
type system struct {
	dev   string // directory of the devices
	ioctl control
}

// control is a call of ioctl(2) on an open file.
type control func(fd int, request uintptr, p unsafe.Pointer) error

func newSystem() kernel { return system{"/dev", ioctl} }

func (s system) chips() ([]string, error) {
	return filepath.Glob(filepath.Join(s.dev, "gpiochip*"))
}

// withChip calls f with an open chip.
func withChip(path string, f func(fd int) error) error {
	var fd int
	err := uninterrupted(func() (err error) {
		fd, err = unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
		return err
	})
	if err != nil {
		return fmt.Errorf("gpio: opening %s: %w%s", path, err, hint(err))
	}
	defer unix.Close(fd)
	return f(fd)
}

// uninterrupted makes a call, again if a signal ended it.
func uninterrupted(call func() error) error {
	for {
		if err := call(); !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

func hint(err error) string {
	if errors.Is(err, os.ErrPermission) {
		return "; this user may not open it: add the user to the device's group, on many systems gpio"
	}
	return ""
}

func (s system) chipInfo(path string) (ChipInfo, error) {
	var i unix.GPIOChipInfo
	err := withChip(path, func(fd int) error { return s.ioctl(fd, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&i)) })
	return ChipInfo{Name: text(i.Name[:]), Label: text(i.Label[:]), Lines: int(i.Lines)}, err
}

func (s system) lineInfo(path string, offset int) (LineInfo, error) {
	i := unix.GPIOV2LineInfo{Offset: uint32(offset)}
	err := withChip(path, func(fd int) error {
		return s.ioctl(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL,
			unsafe.Pointer(&i))
	})
	return LineInfo{Name: text(i.Name[:]), Consumer: text(i.Consumer[:])}, err
}

func (s system) request(path string, offset int, o LineOptions) (line, error) {
	r := unix.GPIOV2LineRequest{Num_lines: 1}
	r.Offsets[0] = uint32(offset)
	copy(r.Consumer[:consumerSize], o.Consumer)
	r.Config.Flags = o.flags()
	attribute := func(id uint32) *uint64 {
		a := &r.Config.Attrs[r.Config.Num_attrs]
		r.Config.Num_attrs++
		a.Attr.Id, a.Mask = id, 1
		return &a.Attr.Flags // the widest member of the union
	}
	if o.Output {
		// The output is inactive whatever the polarity, since the kernel's values are logical.
		*attribute(unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES) = 0
	} else if o.Debounce > 0 {
		debounce := (*uint32)(unsafe.Pointer(attribute(unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE)))
		*debounce = uint32(o.Debounce / time.Microsecond)
	}
	err := withChip(path, func(fd int) error { return s.ioctl(fd, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(&r)) })
	if err != nil {
		return nil, err
	}
	unix.CloseOnExec(int(r.Fd)) // the kernel sets it as well, from memory
	l := &fdLine{fd: int(r.Fd), edges: o.Edges, ioctl: s.ioctl}
	if l.edges {
		if l.wake, err = unix.Eventfd(0, unix.EFD_CLOEXEC); err != nil {
			unix.Close(l.fd)
			return nil, fmt.Errorf("gpio: making an eventfd: %w", err)
		}
	}
	return l, nil
}

func (o LineOptions) flags() uint64 {
	f := flagInput
	if o.Output {
		f = flagOutput
	}
	if o.ActiveLow {
		f |= flagActiveLow
	}
	if o.Edges {
		f |= flagEdgeRising | flagEdgeFalling
	}
	switch o.Drive {
	case OpenDrain:
		f |= flagOpenDrain
	case OpenSource:
		f |= flagOpenSource
	}
	switch o.Bias {
	case PullUp:
		f |= flagPullUp
	case PullDown:
		f |= flagPullDown
	case NoBias:
		f |= flagBiasDisabled
	}
	return f
}

// fdLine is a requested line. Its descriptor is closed only when the last call on it has returned, so that the number
// cannot be reused during a call.
type fdLine struct {
	fd    int
	edges bool
	wake  int // an eventfd that ends Edge; only with edges
	ioctl control

	mu     sync.Mutex
	users  int
	closed bool
}

func (l *fdLine) use() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return ErrClosed
	}
	l.users++
	return nil
}

func (l *fdLine) done() {
	l.mu.Lock()
	l.users--
	last := l.closed && l.users == 0
	l.mu.Unlock()
	if last {
		l.release()
	}
}

func (l *fdLine) release() {
	unix.Close(l.fd)
	if l.edges {
		unix.Close(l.wake)
	}
}

// Set makes the line active or inactive.
func (l *fdLine) Set(active bool) error {
	if err := l.use(); err != nil {
		return err
	}
	defer l.done()
	v := unix.GPIOV2LineValues{Mask: 1}
	if active {
		v.Bits = 1
	}
	return l.ioctl(l.fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v))
}

// Get reads the line, even if it is an output.
func (l *fdLine) Get() (bool, error) {
	if err := l.use(); err != nil {
		return false, err
	}
	defer l.done()
	v := unix.GPIOV2LineValues{Mask: 1}
	err := l.ioctl(l.fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v))
	return v.Bits&1 != 0, err
}

// Edge waits for the next edge or for Close. If the chip goes away, Edge may wait for ever (it does with kernel 6.1),
// and only Get returns an error.
func (l *fdLine) Edge() (Edge, error) {
	if err := l.use(); err != nil {
		return Edge{}, err
	}
	defer l.done()
	if !l.edges {
		return Edge{}, errors.New("gpio: the line was requested without edges")
	}
	fds := []unix.PollFd{{Fd: int32(l.fd), Events: unix.POLLIN}, {Fd: int32(l.wake), Events: unix.POLLIN}}
	err := uninterrupted(func() error {
		_, err := unix.Poll(fds, -1)
		return err
	})
	switch {
	case err != nil:
		return Edge{}, fmt.Errorf("gpio: waiting for an edge: %w", err)
	case fds[1].Revents != 0:
		return Edge{}, ErrClosed
	case fds[0].Revents&unix.POLLIN == 0:
		return Edge{}, fmt.Errorf("gpio: waiting for an edge: %w", unix.ENODEV)
	}
	return l.read()
}

func (l *fdLine) read() (Edge, error) {
	var e unix.GPIOV2LineEvent
	n, err := unix.Read(l.fd, unsafe.Slice((*byte)(unsafe.Pointer(&e)), unsafe.Sizeof(e)))
	if err == nil && n != int(unsafe.Sizeof(e)) {
		err = fmt.Errorf("%d bytes of an event", n)
	}
	if err != nil {
		return Edge{}, fmt.Errorf("gpio: reading an edge: %w", err)
	}
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return Edge{}, fmt.Errorf("gpio: reading the clock: %w", err)
	}
	ago := time.Duration(now.Nano() - int64(e.Timestamp_ns))
	return Edge{Active: e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE, At: time.Now().Add(-ago)}, nil
}

// Close releases the line once the last call on it has returned. The chip's driver decides what the pin does then.
func (l *fdLine) Close() error {
	l.mu.Lock()
	if l.closed {
		l.mu.Unlock()
		return nil
	}
	l.closed = true
	last := l.users == 0
	if !last && l.edges {
		// any number but 0; the counter cannot be full
		_, _ = unix.Write(l.wake, binary.NativeEndian.AppendUint64(nil, 1))
	}
	l.mu.Unlock()
	if last {
		l.release()
	}
	return nil
}

func ioctl(fd int, request uintptr, p unsafe.Pointer) error {
	return uninterrupted(func() error {
		if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(p)); e != 0 {
			return e
		}
		return nil
	})
}

func text(b []byte) string {
	s, _, _ := strings.Cut(string(b), "\x00")
	return s
}
