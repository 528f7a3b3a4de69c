package modbus

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
	"unsafe"

	"clearback/bridge/relay"

	"golang.org/x/sys/unix"
)

// port is an open serial port. Only one goroutine may call Read and Write. Any goroutine may call abort.
type port struct {
	*os.File
	claim io.Closer // nil if not claimed
}

// openPort opens a serial port for raw bytes and exclusive use.
func openPort(o *BusOptions) (*port, error) {
	path := realPath(o.Device)
	p := &port{}
	if !o.NoLock {
		var err error
		if p.claim, err = relay.Lock("serial " + path); err != nil {
			return nil, err
		}
	}
	// Without O_NONBLOCK, open might wait for a carrier for ever (termios(3), CLOCAL).
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		p.unclaim()
		if err == unix.EBUSY {
			return nil, fmt.Errorf("opening %s: %w: another process uses it exclusively", o.Device, err)
		}
		return nil, fmt.Errorf("opening %s: %w", o.Device, err)
	}
	if err := setUp(fd, o); err != nil {
		_ = unix.IoctlSetInt(fd, unix.TIOCNXCL, 0) // see Close
		unix.Close(fd)
		p.unclaim()
		return nil, fmt.Errorf("%s: %w", o.Device, err)
	}
	p.File = os.NewFile(uintptr(fd), path)
	return p, nil
}

// realPath resolves links, since a port can have several names. If the port does not exist, realPath returns the name
// as given.
func realPath(device string) string {
	if p, err := filepath.EvalSymlinks(device); err == nil {
		return p
	}
	return device
}

func setUp(fd int, o *BusOptions) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
	if err != nil {
		return fmt.Errorf("this is not a serial port: %w", err)
	}
	if err := unix.IoctlSetInt(fd, unix.TIOCEXCL, 0); err != nil {
		return fmt.Errorf("claiming the port for this process: %w", err)
	}
	if o.RS485 != nil {
		if err := o.RS485.set(fd, ioctlRS485); err != nil {
			return err
		}
	}
	// Raw bytes, receiver on, no modem lines, no flow control. A byte with wrong parity reads as 0, and the checksum
	// then fails.
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	// BOTHER<<16 is the same speed for input.
	t.Cflag = unix.CS8 | unix.CREAD | unix.CLOCAL | unix.BOTHER | unix.BOTHER<<16
	t.Ispeed, t.Ospeed = uint32(o.Baud), uint32(o.Baud)
	if o.Parity != ParityNone {
		t.Cflag |= unix.PARENB
		t.Iflag |= unix.INPCK
	}
	if o.Parity == ParityOdd {
		t.Cflag |= unix.PARODD
	}
	if o.StopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS2, t); err != nil {
		return fmt.Errorf("setting %d bit/s: %w", o.Baud, err)
	}
	// A driver uses the nearest speed that its hardware supports. With an error above 2 % the last bits of a character
	// are misread. The 2 % are our own number: half a bit in eleven is 4.5 %, shared by both ends.
	if t, err = unix.IoctlGetTermios(fd, unix.TCGETS2); err == nil && t.Ospeed != 0 &&
		max(o.Baud-int(t.Ospeed), int(t.Ospeed)-o.Baud)*50 > o.Baud {
		return fmt.Errorf("the port does not support %d bit/s; its nearest speed is %d", o.Baud, t.Ospeed)
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

// serialRS485 is the kernel's struct serial_rs485 (include/uapi/linux/serial.h), from memory.
type serialRS485 struct {
	flags, delayBefore, delayAfter uint32
	_                              [5]uint32
}

const (
	rs485Enabled   = 1 << 0
	rs485OnSend    = 1 << 1
	rs485AfterSend = 1 << 2
)

// set configures the direction switch and reads it back, since a driver that does not support it may change the
// settings silently.
func (o *RS485) set(fd int, ioctl func(fd int, request uintptr, s *serialRS485) error) error {
	want := serialRS485{flags: rs485Enabled | rs485OnSend, delayBefore: uint32(o.DelayBefore.Milliseconds()),
		delayAfter: uint32(o.DelayAfter.Milliseconds())}
	if o.SendLow {
		want.flags = rs485Enabled | rs485AfterSend
	}
	set, got := want, serialRS485{}
	const levels = rs485Enabled | rs485OnSend | rs485AfterSend
	err := ioctl(fd, unix.TIOCSRS485, &set)
	if err == nil {
		err = ioctl(fd, unix.TIOCGRS485, &got)
	}
	switch {
	case err != nil:
		return fmt.Errorf("the driver of this port cannot switch an RS-485 direction by RTS (%w); "+
			"leave rs485 out, and use an adapter that switches the direction itself", err)
	case got.flags&levels != want.flags&levels || got.delayBefore != want.delayBefore ||
		got.delayAfter != want.delayAfter:
		return fmt.Errorf("the driver of this port cannot switch an RS-485 direction as configured: "+
			"flags %#x and delays %d and %d ms were set, but it has %#x, %d and %d",
			want.flags, want.delayBefore, want.delayAfter, got.flags, got.delayBefore, got.delayAfter)
	}
	return nil
}

func ioctlRS485(fd int, request uintptr, s *serialRS485) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(unsafe.Pointer(s))); errno != 0 {
		return errno
	}
	return nil
}

// flushInput discards the bytes received so far.
func (p *port) flushInput() error { return p.control(unix.TCFLSH, unix.TCIFLUSH) }

func (p *port) control(request uint, arg int) error {
	raw, err := p.SyscallConn()
	if err != nil {
		return err
	}
	var set error
	if err := raw.Control(func(fd uintptr) { set = unix.IoctlSetInt(int(fd), request, arg) }); err != nil {
		return err
	}
	return set
}

// abort ends a Read under way.
func (p *port) abort() { _ = p.SetReadDeadline(time.Now()) } // fails only on a closed port

// Close releases the port. It flushes first, since the kernel may otherwise wait up to 30 s for the output to drain
// (closing_wait).
func (p *port) Close() error {
	_ = p.control(unix.TCFLSH, unix.TCIOFLUSH) // a port that has failed has nothing to send
	_ = p.control(unix.TIOCNXCL, 0)            // otherwise the port stays exclusive while another process has it open
	err := p.File.Close()
	p.unclaim()
	return err
}

func (p *port) unclaim() {
	if p.claim != nil {
		_ = p.claim.Close() // an error has no remedy, and the kernel releases the claim with the process
	}
}
