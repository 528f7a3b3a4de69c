package serial

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"clearback/bridge/programtest"
	"clearback/bridge/relay"
	"clearback/bridge/relay/relaytest"
	"clearback/bridge/relay/relaytest/vm"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

var inVM = flag.Bool("vm", false, "run the tests that need the virtual machine in one")

// TestVM runs the tests below on the 16550s of a virtual machine. The state of a line is read from the port's modem
// control register, past the kernel's driver through /dev/port, and once from outside the machine.
func TestVM(t *testing.T) {
	if vm.Inside() || !*inVM {
		t.Skip("in the virtual machine only by -vm")
	}
	vm.Tests(t, vm.Options{Timeout: 5 * time.Minute}, "^TestKernel")
	m := vm.Start(t, vm.Options{}, vm.Build(t, "test", "-c", "."), "-test.run", "^TestRegistersFromOutside$")
	rts := func() bool {
		answer, err := m.Monitor("i /b 0x2fc")
		require.NoError(t, err)
		_, hex, _ := strings.Cut(answer, "= 0x")
		v, err := strconv.ParseUint(strings.TrimSpace(hex), 16, 8)
		require.NoError(t, err, answer)
		return v&mcrRTS != 0
	}
	for _, on := range []bool{true, false} {
		m.Await(t, fmt.Sprintf("RTS is %v", on), time.Minute)
		require.Equal(t, on, rts())
	}
	m.CutPower()
}

// The 16550's modem control register and its bits (data sheet of the PC16550D, from memory). The ports have the PC's
// standard addresses.
const (
	mcrDTR = 1
	mcrRTS = 2
)

var (
	ttys = [2]string{"/dev/ttyS1", "/dev/ttyS2"}
	mcrs = [2]int64{0x2fc, 0x3ec}
)

func needsMachine(t *testing.T) {
	if !vm.Inside() {
		t.Skip("runs in the virtual machine")
	}
}

// ioPorts opens /dev/port.
func ioPorts(t *testing.T) *os.File {
	t.Helper()
	needsMachine(t)
	f, err := os.Open("/dev/port")
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	return f
}

// register reads the outputs of a port from its hardware.
func register(f *os.File, i int) [2]bool {
	var b [1]byte
	if _, err := unix.Pread(int(f.Fd()), b[:], mcrs[i]); err != nil {
		panic(err) // in a callback, which has no test that it could fail
	}
	return [2]bool{RTS: b[0]&mcrRTS != 0, DTR: b[0]&mcrDTR != 0}
}

// byHand makes a call on a port beside the driver. The port's speed is 0, so that opening it moves nothing.
func byHand(device string, f func(fd int) error) {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err == nil {
		err = f(fd)
		unix.Close(fd)
	}
	if err != nil {
		panic(err)
	}
}

// atRest leaves a port closed, at speed 0, with the given lines and without HUPCL.
func atRest(t *testing.T, i int, out [2]bool) {
	t.Helper()
	p, _, err := openPort(ttys[i], false)
	require.NoError(t, err)
	require.NoError(t, p.Both(out))
	p.Close()
}

// TestKernelSuite runs the whole conformance suite on two real ports. There are only two, so the cases take turns.
func TestKernelSuite(t *testing.T) {
	io := ioPorts(t)
	for name, o := range map[string]ContactOptions{"rts": {OpenOn: true}, "dtr": {Line: DTR, OpenOn: true}} {
		t.Run(name, func(t *testing.T) {
			free := make(chan struct{}, 1) // whoever holds the token has the ports
			free <- struct{}{}
			relaytest.Run(t, func(t *testing.T, s relaytest.Setup) *relaytest.Subject {
				<-free
				t.Cleanup(func() { free <- struct{}{} })
				b := newFaultyPorts()
				for i := range b.ports {
					atRest(t, i, [2]bool{})
					p := &b.ports[i]
					p.opt, p.open = o, openPort
					p.outputs = func() [2]bool { return register(io, i) }
					p.byHand = func(l Line, on bool) {
						request := uint(unix.TIOCMBIC)
						if on {
							request = unix.TIOCMBIS
						}
						byHand(ttys[i], func(fd int) error {
							return unix.IoctlSetPointerInt(fd, request,
								outputBits[l])
						})
					}
				}
				var watching sync.WaitGroup
				t.Cleanup(watching.Wait) // runs after the subject's own cleanup, which ends the faulty ports
				sub := b.subject(t, s, 500*time.Millisecond, ttys)
				watching.Go(func() { // records movements that no call causes
					tick := time.NewTicker(5 * time.Millisecond)
					defer tick.Stop()
					for {
						select {
						case <-b.over:
							return
						case <-tick.C:
							b.look(0)
							b.look(1)
						}
					}
				})
				return sub
			})
		})
	}
}

// A port at another speed turns both lines on when it is opened. A port that this driver has had open does not.
func TestKernelOpening(t *testing.T) {
	io := ioPorts(t)
	byHand(ttys[0], func(fd int) error { // as after a start of the machine
		tio, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
		if err != nil {
			return err
		}
		tio.Cflag = unix.CS8 | unix.CLOCAL | unix.HUPCL | unix.B9600
		return unix.IoctlSetTermios(fd, unix.TCSETS2, tio)
	})
	require.Equal(t, [2]bool{}, register(io, 0), "hung up")
	for i, raised := range []bool{true, false, false} {
		p, found, err := openPort(ttys[0], true)
		require.NoError(t, err)
		require.Equal(t, [2]bool{raised, raised}, found.out, "opening %d", i)
		require.Equal(t, [2]bool{}, register(io, 0))
		require.NoError(t, p.Both([2]bool{false, true}))
		require.Equal(t, [2]bool{false, true}, register(io, 0))
		require.NoError(t, p.Set(RTS, true))
		require.Equal(t, [2]bool{true, true}, register(io, 0))
		p.Close()
		require.Equal(t, [2]bool{}, register(io, 0), "hung up")
	}
}

// The kernel turns a killed daemon's lines off, if HUPCL is set.
func TestKernelKilled(t *testing.T) {
	io := ioPorts(t)
	for _, hangUp := range []bool{true, false} {
		atRest(t, 0, [2]bool{})
		cmd := exec.Command(os.Args[0], "-test.run", "^TestHolder$")
		cmd.Env = append(os.Environ(), fmt.Sprintf("HOLD=%v", hangUp))
		p := programtest.Start(t, cmd)
		p.Await(t, "holding", time.Minute)
		require.Equal(t, [2]bool{RTS: true}, register(io, 0))
		p.Kill()
		require.Equal(t, [2]bool{RTS: !hangUp}, register(io, 0))
	}
	atRest(t, 0, [2]bool{})
}

// TestHolder is the process that TestKernelKilled kills.
func TestHolder(t *testing.T) {
	hangUp := os.Getenv("HOLD")
	if !vm.Inside() || hangUp == "" {
		t.Skip("runs in the virtual machine, for TestKernelKilled")
	}
	p, _, err := openPort(ttys[0], hangUp == "true")
	require.NoError(t, err)
	require.NoError(t, p.Set(RTS, true))
	fmt.Println("holding")
	select {}
}

// The UART's own loop-back feeds RTS to CTS and DTR to DSR, without the kernel and this package.
func TestKernelSense(t *testing.T) {
	needsMachine(t)
	for _, c := range []struct {
		line  Line
		input Input
	}{{RTS, CTS}, {DTR, DSR}} {
		atRest(t, 0, [2]bool{})
		b, err := NewBoard(Options{Name: "port", Device: ttys[0], Timeout: 2 * time.Second})
		require.NoError(t, err)
		contact, err := b.Contact(ContactOptions{Name: "box-office", Line: c.line, OpenOn: true,
			Sense: &Sense{Input: c.input}})
		require.NoError(t, err)
		b.Start()
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		require.NoError(t, b.Ready(ctx))
		const loop = 0x8000 // TIOCM_LOOP of asm-generic/termios.h
		byHand(ttys[0], func(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCMBIS, loop) })
		sense := func() relay.Level {
			l, err := contact.Sense(ctx)
			require.NoError(t, err)
			return l
		}
		require.Equal(t, relay.LevelClosed, sense())
		levels := make(chan relay.Level, 1)
		r := contact.Interrupt(ctx, relay.Interruption{Seq: 1, Duration: 300 * time.Millisecond,
			NotAfter: time.Now().Add(time.Minute),
			Opened:   func(time.Time) { go func() { levels <- sense() }() }})
		require.NoError(t, r.Err)
		require.Equal(t, relay.LevelOpen, <-levels)
		require.Equal(t, relay.LevelClosed, sense())
		byHand(ttys[0], func(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCMBIC, loop) })
		require.Empty(t, b.Shutdown(ctx))
		cancel()
	}
}

// TestRegistersFromOutside runs in the machine while TestVM reads its registers from outside.
func TestRegistersFromOutside(t *testing.T) {
	needsMachine(t)
	b, err := NewBoard(Options{Name: "port", Device: ttys[0], Timeout: 2 * time.Second})
	require.NoError(t, err)
	contact, err := b.Contact(ContactOptions{Name: "box-office", OpenOn: true})
	require.NoError(t, err)
	b.Start()
	require.NoError(t, b.Ready(context.Background()))
	r := contact.Interrupt(context.Background(), relay.Interruption{Seq: 1, Duration: 3 * time.Second,
		NotAfter: time.Now().Add(time.Minute),
		Opened:   func(time.Time) { fmt.Println("RTS is true") }})
	require.NoError(t, r.Err)
	fmt.Println("RTS is false")
	select {} // until the power is cut
}

// pseudoTerminal returns the controlling side of a pseudo terminal, and the path of the other side.
func pseudoTerminal(t *testing.T) (int, string) {
	t.Helper()
	m, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skipf("no pseudo terminals here: %v", err)
	}
	t.Cleanup(func() { m.Close() })
	n, err := unix.IoctlGetInt(int(m.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	require.NoError(t, unix.IoctlSetPointerInt(int(m.Fd()), unix.TIOCSPTLCK, 0))
	return int(m.Fd()), fmt.Sprintf("/dev/pts/%d", n)
}

// A pseudo terminal has no control lines, which is an error at the connection.
func TestPseudoTerminal(t *testing.T) {
	_, path := pseudoTerminal(t)
	_, _, err := openPort(path, true)
	require.ErrorIs(t, err, errNoLines)
	require.ErrorIs(t, err, unix.ENOTTY)
	require.Zero(t, openFiles(t, path))
	_, _, err = openPort("/dev/null", true)
	require.ErrorIs(t, err, errNoLines)
	_, _, err = openPort("/dev/there-is-none", true)
	require.ErrorIs(t, err, os.ErrNotExist)
}
