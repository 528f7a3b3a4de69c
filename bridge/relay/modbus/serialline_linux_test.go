package modbus

import (
	"cmp"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/modbus/modbustest"
	"clearback/bridge/relay/relaytest"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// terminal is a pseudo terminal pair. The kernel passes bytes on at once, whatever the speed.
type terminal struct {
	// The slave is held open, so that the master can be read while no other process has it open.
	master, slave *os.File
	path          string
}

func newTerminal() (*terminal, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	m := os.NewFile(uintptr(fd), "/dev/ptmx")
	if err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err == nil {
		var n int
		if n, err = unix.IoctlGetInt(fd, unix.TIOCGPTN); err == nil {
			path := "/dev/pts/" + strconv.Itoa(n)
			var s *os.File
			if s, err = os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0); err == nil {
				t, _ := unix.IoctlGetTermios(int(s.Fd()), unix.TCGETS)
				t.Iflag, t.Oflag, t.Lflag = 0, 0, 0 // no echo before the port is set up
				err = unix.IoctlSetTermios(int(s.Fd()), unix.TCSETS, t)
				return &terminal{m, s, path}, err
			}
		}
	}
	m.Close()
	return nil, err
}

func (t *terminal) Close() {
	t.master.Close()
	t.slave.Close()
}

// serialLine is the pair of wires between the driver's port and the boards. It passes each request only to the
// addressed board, since libmodbus would take the next request for a missing answer of another board.
type serialLine struct {
	t    *testing.T
	path string // a link, like those that udev makes

	carrying sync.WaitGroup

	mu       sync.Mutex
	port     *terminal // nil while unplugged
	boards   map[byte]*terminal
	requests [][]byte // the driver's requests
}

func newSerialLine(t *testing.T) *serialLine {
	h := &serialLine{t: t, path: filepath.Join(t.TempDir(), "usb-adapter"), boards: map[byte]*terminal{}}
	h.plug()
	t.Cleanup(func() {
		h.unplug()
		for _, b := range h.boards {
			b.Close()
		}
		h.carrying.Wait()
	})
	return h
}

// plug makes the driver's port.
func (h *serialLine) plug() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.port != nil {
		return
	}
	p, err := newTerminal()
	if err == nil {
		err = os.Symlink(p.path, h.path)
	}
	if err != nil {
		panic(err) // the methods of a Controller have no test that they could fail
	}
	h.port = p
	h.carrying.Go(func() {
		for b := make([]byte, 1024); ; {
			n, err := p.master.Read(b)
			if err != nil {
				return
			}
			h.mu.Lock()
			h.requests = append(h.requests, slices.Clone(b[:n]))
			board := h.boards[b[0]]
			h.mu.Unlock()
			if board != nil {
				board.master.Write(b[:n])
			}
		}
	})
}

// unplug removes the port, like an adapter that is pulled out.
func (h *serialLine) unplug() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.port != nil {
		os.Remove(h.path)
		h.port.Close()
		h.port = nil
	}
}

// send puts bytes on the line, as if a board had sent them.
func (h *serialLine) send(b []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.port != nil {
		h.port.master.Write(b)
	}
}

// attach puts a board on the line.
func (h *serialLine) attach(unit byte) *terminal {
	b, err := newTerminal()
	require.NoError(h.t, err)
	h.mu.Lock()
	h.boards[unit] = b
	h.mu.Unlock()
	h.carrying.Go(func() {
		for p := make([]byte, 1024); ; {
			n, err := b.master.Read(p)
			if err != nil {
				return
			}
			h.send(p[:n])
		}
	})
	return b
}

// newSerialBoard returns a libmodbus board on the serial line.
func newSerialBoard(t *testing.T, h *serialLine, unit byte, args ...string) *modbustest.LibmodbusBoard {
	t.Helper()
	return newLibmodbusBoard(t, slices.Concat(args, []string{"--unit", strconv.Itoa(int(unit)), "--rtu",
		h.attach(unit).path, "115200"})...)
}

// busSubject is subject for a bus.
func busSubject(t *testing.T, ctl relaytest.Controller, device string, s relaytest.Setup,
	change func(*ContactOptions)) *relaytest.Subject {
	t.Helper()
	limit := relaytest.Timeout(testTimeout)
	b, err := NewBus(BusOptions{Name: "bus", Device: device, Baud: 115_200, Timeout: cmp.Or(s.Timeout, limit),
		Poll: 50 * time.Millisecond, Notify: s.Notify})
	require.NoError(t, err)
	sub := &relaytest.Subject{Controller: ctl, Start: b.Start, Ready: b.Ready, Timeout: limit}
	if c, ok := ctl.(*modbustest.LibmodbusBoard); ok {
		sub.Peer = c.Peer
	}
	for i, name := range []string{relaytest.LineA, relaytest.LineB} {
		o := ContactOptions{Name: name, Unit: 1, Coil: uint16(i), OpenOn: true}
		if change != nil {
			change(&o)
		}
		c, err := b.Contact(o)
		require.NoError(t, err)
		sub.Contacts[i] = c
		if o.Timed != nil {
			sub.Quantum = o.Timed.Unit
		}
	}
	relaytest.SetShutdown(t, sub, limit, b.Shutdown, func(n controller.NotClosed) string { return n.Contact })
	return sub
}

func TestSuiteSerialBoard(t *testing.T) {
	t.Parallel()
	run := func(name string, change func(*ContactOptions), args ...string) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			defer suiteTurn()()
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				own := slices.Clone(args)
				if s.Open {
					own = append(own, "--power-on")
				}
				adapter := filepath.Join(t.TempDir(), "adapter") // a link, like those that udev makes
				return busSubject(t, newLibmodbusBoard(t, append(own, "--pty", adapter, "115200")...), adapter, s,
					change)
			})
		})
	}
	run("coil", nil)
	run("pulse", pulsed, "--pulse", "10,0,20,150", "--pulse", "12,1,20,150")
}
