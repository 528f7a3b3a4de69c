package serial

import (
	"errors"
	"fmt"
	"sync"

	"golang.org/x/sys/unix"
)

var (
	outputBits = [2]int{RTS: unix.TIOCM_RTS, DTR: unix.TIOCM_DTR}
	inputBits  = [4]int{CTS: unix.TIOCM_CTS, DSR: unix.TIOCM_DSR, DCD: unix.TIOCM_CD, RI: unix.TIOCM_RI}
)

// modem holds the ioctl(2) calls that read and set a port's lines, and the one that sets its terminal settings; see
// tty_ioctl(4).
type modem struct {
	get       func(fd int, request uint) (bits int, err error)
	set       func(fd int, request uint, bits int) error
	configure func(fd int, request uint, t *unix.Termios) error
}

// kernelPort is a port that uses the kernel's terminal calls.
type kernelPort struct {
	fd    int
	modem modem

	mu sync.Mutex
	// number of calls under way; while there are any, the descriptor must not be closed, so that its number is not
	// reused
	users   int
	closing bool
	closed  bool
}

// openPort opens a port for exclusive use, at speed 0.
func openPort(device string, hangUp bool) (port, lines, error) {
	return modem{unix.IoctlGetInt, unix.IoctlSetPointerInt, unix.IoctlSetTermios}.openPort(device, hangUp)
}

func (m modem) openPort(device string, hangUp bool) (port, lines, error) {
	// Without O_NONBLOCK, open might wait for a carrier for ever (termios(3), CLOCAL).
	fd, err := unix.Open(realPath(device), unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	switch {
	case errors.Is(err, unix.EBUSY):
		return nil, lines{}, fmt.Errorf("%w: another process uses it exclusively", err)
	case err != nil:
		return nil, lines{}, err
	}
	found, err := m.setUp(fd, hangUp)
	if err != nil {
		closePort(fd)
		return nil, lines{}, err
	}
	return &kernelPort{fd: fd, modem: m}, found, nil
}

// setUp configures the port so that it only drives lines. It returns the states of the lines before that.
func (m modem) setUp(fd int, hangUp bool) (lines, error) {
	bits, err := m.get(fd, unix.TIOCMGET)
	if err != nil {
		return lines{}, fmt.Errorf("%w (%w)", errNoLines, err)
	}
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return lines{}, fmt.Errorf("%w (%w)", errNoLines, err)
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return lines{}, fmt.Errorf("claiming the port for this process: %w", err)
	}
	// No flow control, which would move RTS. No receiver. Speed B0, so that the next open does not turn the lines on.
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = unix.CS8 | unix.CLOCAL | unix.B0
	if hangUp {
		t.Cflag |= unix.HUPCL
	}
	if err := m.configure(fd, unix.TCSETS2, t); err != nil {
		return lines{}, fmt.Errorf("setting up the port: %w", err)
	}
	return linesOf(bits), nil
}

// do makes a call, unless the port is being closed.
func (p *kernelPort) do(f func(fd int) error) error {
	p.mu.Lock()
	if p.closing {
		p.mu.Unlock()
		return unix.EBADF
	}
	p.users++
	p.mu.Unlock()
	err := f(p.fd)
	p.mu.Lock()
	p.users--
	p.mu.Unlock()
	p.closeIfIdle()
	return err
}

func (p *kernelPort) Close() {
	p.mu.Lock()
	p.closing = true
	p.mu.Unlock()
	p.closeIfIdle()
}

func (p *kernelPort) closeIfIdle() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closing && !p.closed && p.users == 0 {
		p.closed = true
		closePort(p.fd)
	}
}

// closePort closes a port. Without TIOCNXCL it would stay exclusive while another process has it open.
func closePort(fd int) {
	_ = unix.IoctlSetInt(fd, unix.TIOCNXCL, 0)
	unix.Close(fd) // nothing was written, so close does not wait
}

func (p *kernelPort) Get() (lines, error) {
	var bits int
	err := p.do(func(fd int) (err error) {
		bits, err = p.modem.get(fd, unix.TIOCMGET)
		return err
	})
	return linesOf(bits), sure(err)
}

func linesOf(bits int) lines {
	var l lines
	for i, b := range outputBits {
		l.out[i] = bits&b != 0
	}
	for i, b := range inputBits {
		l.in[i] = bits&b != 0
	}
	return l
}

func (p *kernelPort) Both(out [2]bool) error {
	return sure(p.do(func(fd int) error {
		bits, err := p.modem.get(fd, unix.TIOCMGET)
		if err != nil {
			return err
		}
		for i, b := range outputBits {
			if bits &^= b; out[i] {
				bits |= b
			}
		}
		return p.modem.set(fd, unix.TIOCMSET, bits)
	}))
}

func (p *kernelPort) Set(l Line, on bool) error {
	request := uint(unix.TIOCMBIC)
	if on {
		request = unix.TIOCMBIS
	}
	return sure(p.do(func(fd int) error { return p.modem.set(fd, request, outputBits[l]) }))
}

// sure marks the errors that the kernel returns before it does anything.
func sure(err error) error {
	switch {
	case errors.Is(err, unix.ENOTTY), errors.Is(err, unix.EINVAL), errors.Is(err, unix.EPERM):
		return refusal{err}
	default:
		return err
	}
}
