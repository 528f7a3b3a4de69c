package serial

import (
	"os"
	"runtime"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// memoryModem simulates a port's lines for a pseudo terminal, which has none.
type memoryModem struct {
	bits int
	fail error // the error of every call
	hold chan struct{}
}

func (m *memoryModem) get(_ int, request uint) (int, error) {
	if m.hold != nil {
		<-m.hold
	}
	if request != unix.TIOCMGET {
		return 0, unix.ENOTTY
	}
	return m.bits, m.fail
}

func (m *memoryModem) set(_ int, request uint, bits int) error {
	switch {
	case m.fail != nil:
		return m.fail
	case request == unix.TIOCMSET:
		m.bits = bits
	case request == unix.TIOCMBIS:
		m.bits |= bits
	case request == unix.TIOCMBIC:
		m.bits &^= bits
	default:
		return unix.ENOTTY
	}
	return nil
}

func (m *memoryModem) open(path string, hangUp bool) (*kernelPort, lines, error) {
	p, found, err := modem{m.get, m.set, unix.IoctlSetTermios}.openPort(path, hangUp)
	if err != nil {
		return nil, found, err
	}
	return p.(*kernelPort), found, nil
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

// exclusive reports whether no other process may open a terminal.
func exclusive(t *testing.T, fd int) bool {
	on, err := unix.IoctlGetInt(fd, unix.TIOCGEXCL)
	require.NoError(t, err)
	return on != 0
}

// TestPortSettings checks that opening a port moves no line, that the port is exclusive, and that its exclusive use
// ends at the close.
func TestPortSettings(t *testing.T) {
	for _, hangUp := range []bool{false, true} {
		master, path := pseudoTerminal(t)
		other, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY, 0)
		require.NoError(t, err)
		defer unix.Close(other)
		noise, err := unix.IoctlGetTermios(other, unix.TCGETS2)
		require.NoError(t, err)
		noise.Cflag |= unix.CRTSCTS | unix.HUPCL
		require.NoError(t, unix.IoctlSetTermios(other, unix.TCSETS2, noise))

		p, _, err := (&memoryModem{}).open(path, hangUp)
		require.NoError(t, err)
		flags, err := unix.FcntlInt(uintptr(p.fd), unix.F_GETFD, 0)
		require.NoError(t, err)
		require.NotZero(t, flags&unix.FD_CLOEXEC)
		flags, err = unix.FcntlInt(uintptr(p.fd), unix.F_GETFL, 0)
		require.NoError(t, err)
		require.NotZero(t, flags&unix.O_NONBLOCK)
		require.Equal(t, unix.O_RDWR, flags&unix.O_ACCMODE)
		set, err := unix.IoctlGetTermios(master, unix.TCGETS2)
		require.NoError(t, err)
		require.Zero(t, set.Iflag)
		require.Zero(t, set.Oflag)
		require.Zero(t, set.Lflag)
		want := uint32(unix.CS8 | unix.CLOCAL | unix.CREAD) // a pseudo terminal's driver adds CREAD
		if hangUp {
			want |= unix.HUPCL
		}
		require.Equal(t, want, set.Cflag)
		require.Zero(t, set.Ospeed)
		require.Zero(t, set.Ispeed)
		require.True(t, exclusive(t, other))
		p.Close()
		p.Close()
		require.False(t, exclusive(t, other))
		require.Equal(t, 1, openFiles(t, path), "our own look at it")
	}
}

// TestPortLines checks that each line has its own bit, and that only the requested lines move.
func TestPortLines(t *testing.T) {
	_, path := pseudoTerminal(t)
	const others = 1<<20 | unix.TIOCM_LE // bits that belong to none of our lines
	m := &memoryModem{bits: others | unix.TIOCM_DTR | unix.TIOCM_CTS | unix.TIOCM_RI}
	p, found, err := m.open(path, true)
	require.NoError(t, err)
	want := lines{out: [2]bool{DTR: true}, in: [4]bool{CTS: true, RI: true}}
	require.Equal(t, want, found)
	got, err := p.Get()
	require.NoError(t, err)
	require.Equal(t, want, got)
	for bit, want := range map[int]lines{
		unix.TIOCM_RTS: {out: [2]bool{RTS: true}}, unix.TIOCM_DTR: {out: [2]bool{DTR: true}},
		unix.TIOCM_CTS: {in: [4]bool{CTS: true}},
		unix.TIOCM_DSR: {in: [4]bool{DSR: true}}, unix.TIOCM_CD: {in: [4]bool{DCD: true}},
		unix.TIOCM_RI: {in: [4]bool{RI: true}},
	} {
		require.Equal(t, want, linesOf(bit))
	}
	for _, out := range [][2]bool{{true, false}, {false, true}, {true, true}, {false, false}} {
		require.NoError(t, p.Both(out))
		got, err := p.Get()
		require.NoError(t, err)
		require.Equal(t, lines{out: out, in: want.in}, got)
		require.Equal(t, others, m.bits&others)
	}
	for _, l := range []Line{RTS, DTR} {
		require.NoError(t, p.Set(l, true))
		require.Equal(t, others|outputBits[l]|unix.TIOCM_CTS|unix.TIOCM_RI, m.bits)
		require.NoError(t, p.Set(l, false))
		require.Equal(t, others|unix.TIOCM_CTS|unix.TIOCM_RI, m.bits)
	}
	for err, sure := range map[error]bool{unix.ENOTTY: true, unix.EINVAL: true, unix.EPERM: true, unix.EIO: false} {
		m.fail = err
		_, failed := p.Get()
		for _, failed := range []error{failed, p.Set(RTS, true), p.Both([2]bool{})} {
			require.ErrorIs(t, failed, err)
			require.Equal(t, sure, errorIsRefusal(failed))
		}
	}
	p.Close()
	require.ErrorIs(t, p.Set(RTS, true), unix.EBADF)
	_, _, err = (&memoryModem{fail: syscall.EIO}).open(path, true)
	require.ErrorIs(t, err, errNoLines)
	require.Zero(t, openFiles(t, path))
}

func errorIsRefusal(err error) bool {
	_, is := err.(refusal)
	return is
}

// TestPortClosedDuringACall checks that the descriptor is closed when the last call on it has returned.
func TestPortClosedDuringACall(t *testing.T) {
	_, path := pseudoTerminal(t)
	m := &memoryModem{}
	p, _, err := m.open(path, true)
	require.NoError(t, err)
	m.hold = make(chan struct{})
	read := make(chan error, 1) // one result
	go func() {
		_, err := p.Get()
		read <- err
	}()
	for begun := false; !begun; runtime.Gosched() {
		p.mu.Lock()
		begun = p.users > 0
		p.mu.Unlock()
	}
	p.Close()
	require.Equal(t, 1, openFiles(t, path))
	require.ErrorIs(t, p.Set(RTS, true), unix.EBADF)
	close(m.hold)
	require.NoError(t, <-read)
	require.Zero(t, openFiles(t, path))
}

// TestPortOfAnother checks the error for a port that another process uses exclusively. The kernel lets an administrator
// open such a port, so the test uses a thread without that capability.
func TestPortOfAnother(t *testing.T) {
	_, path := pseudoTerminal(t)
	m := &memoryModem{}
	p, _, err := m.open(path, true)
	require.NoError(t, err)
	defer p.Close()
	tried := make(chan error, 1) // one result
	go func() {
		runtime.LockOSThread() // never unlocked, so that the thread ends with the goroutine
		header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
		var none [2]unix.CapUserData
		if err := unix.Capset(&header, &none[0]); err != nil {
			tried <- err
			return
		}
		_, _, err := m.open(path, true)
		tried <- err
	}()
	err = <-tried
	require.ErrorIs(t, err, unix.EBUSY)
	require.ErrorContains(t, err, "another process uses it exclusively")

	_, _, err = m.open("/dev/null", true)
	require.ErrorIs(t, err, errNoLines, "lines, but no terminal")
}

// A port whose settings cannot be made is left as it was found: no descriptor stays open, and another process may use
// it.
func TestPortThatCannotBeConfigured(t *testing.T) {
	_, path := pseudoTerminal(t)
	other, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	defer unix.Close(other)
	m := &memoryModem{}
	_, _, err = modem{m.get, m.set, func(int, uint, *unix.Termios) error {
		require.True(t, exclusive(t, other))
		return unix.EIO
	}}.openPort(path, true)
	require.ErrorIs(t, err, unix.EIO)
	require.False(t, exclusive(t, other))
	require.Equal(t, 1, openFiles(t, path), "our own look at it")
}
