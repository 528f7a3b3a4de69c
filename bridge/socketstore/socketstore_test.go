package socketstore

import (
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"clearback/bridge/loopbacktest"
)

// manager is a service manager's socket.
type manager struct {
	t    *testing.T
	path string
	*net.UnixConn
}

func newManager(t *testing.T) *manager {
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	return &manager{t, path, c}
}

// received returns the next message and the file that came with it, or nil.
func (m *manager) received() (text string, f *os.File) {
	m.t.Helper()
	m.SetReadDeadline(time.Now().Add(10 * time.Second))
	b, rights := make([]byte, 4096), make([]byte, 256)
	n, length, _, _, err := m.ReadMsgUnix(b, rights)
	require.NoError(m.t, err)
	all, err := syscall.ParseSocketControlMessage(rights[:length])
	require.NoError(m.t, err)
	for i := range all {
		fds, err := syscall.ParseUnixRights(&all[i])
		require.NoError(m.t, err)
		require.Len(m.t, fds, 1)
		f = os.NewFile(uintptr(fds[0]), "kept")
	}
	return string(b[:n]), f
}

// A socket that was kept still holds what arrived while no process read it, and the next process finds it by its
// address. The message is the one that sd_notify(3) and sd_pid_notify_with_fds(3) describe (from memory).
func TestKeptSocketsOutliveTheProcess(t *testing.T) {
	m := newManager(t)
	former := FromEnvironment()
	any := netip.MustParseAddrPort("127.0.0.1:0")
	udp, err := former.ListenUDP(any)
	require.NoError(t, err)
	at := udp.LocalAddr().(*net.UDPAddr).AddrPort()
	require.NoError(t, former.Keep(udp))
	text, udpFile := m.received()
	require.Equal(t, "FDSTORE=1\nFDPOLL=0\nFDNAME=clearback", text)
	tcp, err := former.ListenTCP(any)
	require.NoError(t, err)
	tcpAt := tcp.Addr().(*net.TCPAddr).AddrPort()
	require.NoError(t, former.Keep(tcp))
	text, tcpFile := m.received()
	require.Equal(t, "FDSTORE=1\nFDPOLL=0\nFDNAME=clearback", text)
	udp.Close()
	tcp.Close()

	peer, err := net.Dial("udp", at.String())
	require.NoError(t, err)
	defer peer.Close()
	_, err = peer.Write([]byte("between"))
	require.NoError(t, err)
	caller, err := net.Dial("tcp", tcpAt.String())
	require.NoError(t, err)
	defer caller.Close()

	next := New(m.path, []*os.File{udpFile, tcpFile})
	text, _ = m.received()
	require.Equal(t, "FDSTOREREMOVE=1\nFDNAME=clearback", text, "if this process dies, peers are refused at once")
	udp, err = next.ListenUDP(at)
	require.NoError(t, err)
	defer udp.Close()
	udp.SetReadDeadline(time.Now().Add(10 * time.Second))
	b := make([]byte, 64)
	n, err := udp.Read(b)
	require.NoError(t, err)
	require.Equal(t, "between", string(b[:n]))
	tcp, err = next.ListenTCP(tcpAt)
	require.NoError(t, err)
	defer tcp.Close()
	tcp.SetDeadline(time.Now().Add(10 * time.Second))
	c, err := tcp.Accept()
	require.NoError(t, err)
	c.Close()
	left, err := next.DropLeft()
	require.NoError(t, err)
	require.Empty(t, left)

	_, err = next.ListenUDP(at)
	require.ErrorIs(t, err, syscall.EADDRINUSE, "a socket is handed out once")
}

// Sockets that nobody needs any more are closed. Otherwise their ports would stay in use for ever. What is no socket of
// ours is closed at once: a second copy, a file, a connection, a socket of another kind.
func TestSocketsThatNobodyAsksForAreDropped(t *testing.T) {
	file := func(c interface{ File() (*os.File, error) }, err error) *os.File {
		require.NoError(t, err)
		f, err := c.File()
		require.NoError(t, err)
		return f
	}
	// No other process uses this address, so its ports stay free between two sockets.
	own, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.AddrPortFrom(loopbacktest.Address(t), 0)))
	require.NoError(t, err)
	other, err := os.Open(os.DevNull)
	require.NoError(t, err)
	connected, err := net.DialUDP("udp", nil, own.LocalAddr().(*net.UDPAddr))
	require.NoError(t, err)
	defer connected.Close()
	local, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(t.TempDir(), "socket"), Net: "unix"})
	require.NoError(t, err)
	defer local.Close()
	passed := []*os.File{file(own, nil), file(own, nil), other, file(connected, nil), file(local, nil)}
	at := own.LocalAddr().(*net.UDPAddr).AddrPort()
	own.Close()

	s := New("", passed)
	require.Len(t, s.left, 1)
	for _, f := range passed {
		require.ErrorIs(t, f.Close(), os.ErrClosed)
	}
	l, err := s.ListenTCP(at)
	require.NoError(t, err, "a UDP socket is not used for TCP")
	l.Close()
	left, err := s.DropLeft()
	require.NoError(t, err)
	require.Equal(t, []string{"udp " + at.String()}, left)
	c, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(at))
	require.NoError(t, err, "its address is free")
	c.Close()
}

// Package net makes the same socket for 0.0.0.0 and ::, and reports it as [::].
func TestNames(t *testing.T) {
	for at, want := range map[string]string{
		"192.0.2.7:5060":          "udp 192.0.2.7:5060",
		"[2001:db8::7]:5060":      "udp [2001:db8::7]:5060",
		"[::ffff:192.0.2.7]:5060": "udp 192.0.2.7:5060",
		"0.0.0.0:5060":            "udp any:5060",
		"[::]:5060":               "udp any:5060",
	} {
		require.Equal(t, want, name("udp", netip.MustParseAddrPort(at)), at)
	}
	var none *Store
	c, err := none.ListenUDP(netip.MustParseAddrPort("0.0.0.0:0"))
	require.NoError(t, err)
	defer c.Close()
	require.True(t, strings.HasPrefix(name("udp", c.LocalAddr().(*net.UDPAddr).AddrPort()), "udp any:"))
}

// Without a service manager nothing is kept, and with one that has gone the caller is told.
func TestWithoutServiceManager(t *testing.T) {
	var none *Store
	c, err := none.ListenUDP(netip.MustParseAddrPort("127.0.0.1:0"))
	require.NoError(t, err)
	defer c.Close()
	l, err := none.ListenTCP(netip.MustParseAddrPort("127.0.0.1:0"))
	require.NoError(t, err)
	defer l.Close()
	require.NoError(t, none.Keep(c))
	require.NoError(t, none.Keep(l))
	left, err := none.DropLeft()
	require.NoError(t, err)
	require.Empty(t, left)
	require.NoError(t, New("", nil).Keep(c))
	gone := filepath.Join(t.TempDir(), "gone")
	require.ErrorContains(t, New(gone, nil).Keep(c), "tell the service manager")
	f, err := c.File()
	require.NoError(t, err)
	_, err = New(gone, []*os.File{f}).DropLeft()
	require.ErrorContains(t, err, "tell the service manager")
}

// The service manager's variables count only for the process that they name.
func TestPassedToAnotherProcess(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("LISTEN_PID", strconv.Itoa(os.Getpid()+1))
	t.Setenv("LISTEN_FDS", "1000")
	require.Empty(t, FromEnvironment().left)
}

// The service manager passes sockets from file descriptor 3 on (SD_LISTEN_FDS_START of sd_listen_fds(3), from memory).
func TestPassedByTheServiceManager(t *testing.T) {
	const variable = "CLEARBACK_TEST_SOCKET"
	if at := os.Getenv(variable); at != "" { // the process that the test below starts
		c, err := FromEnvironment().ListenUDP(netip.MustParseAddrPort(at))
		require.NoError(t, err) // a new socket would find the address in use
		flags, err := unix.FcntlInt(3, unix.F_GETFD, 0)
		require.ErrorIs(t, err, syscall.EBADF, "flags %d", flags)
		c.Close()
		return
	}
	c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	defer c.Close()
	f, err := c.File()
	require.NoError(t, err)
	defer f.Close()
	next := exec.Command("/bin/sh", "-c", `LISTEN_PID=$$ LISTEN_FDS=1 exec "$0" -test.run '^TestPassedByTheServiceManager$'`,
		os.Args[0])
	next.Env = append(os.Environ(), variable+"="+c.LocalAddr().String())
	next.ExtraFiles = []*os.File{f}
	out, err := next.CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// atOnce calls f until the socket would have to wait.
func atOnce(t *testing.T, c *net.UnixConn, f func(fd int) error) {
	t.Helper()
	raw, err := c.SyscallConn()
	require.NoError(t, err)
	var end error
	require.NoError(t, raw.Control(func(fd uintptr) {
		for end == nil {
			end = f(int(fd))
		}
	}))
	require.ErrorIs(t, end, unix.EAGAIN)
}

// A service manager that does not read costs one time-out, however many sockets there are. One that could not be told
// to drop its copies is told again.
func TestServiceManagerHangs(t *testing.T) {
	m := newManager(t)
	full, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: m.path, Net: "unixgram"})
	require.NoError(t, err)
	defer full.Close()
	const filler = "WATCHDOG=1"
	// Without a deadline: on a slow machine one may pass before the first attempt, while there is room.
	atOnce(t, full, func(fd int) error { return unix.Send(fd, []byte(filler), unix.MSG_DONTWAIT) })
	c, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	defer c.Close()
	f, err := c.File()
	require.NoError(t, err)
	s := New(m.path, []*os.File{f})
	require.ErrorIs(t, s.Keep(c), os.ErrDeadlineExceeded)
	require.ErrorIs(t, s.Keep(c), errHung)
	atOnce(t, m.UnixConn, func(fd int) error {
		b := make([]byte, 64)
		n, _, err := unix.Recvfrom(fd, b, unix.MSG_DONTWAIT)
		if err == nil {
			require.Equal(t, filler, string(b[:n]))
		}
		return err
	})
	_, err = s.DropLeft()
	require.NoError(t, err)
	text, _ := m.received()
	require.Equal(t, "FDSTOREREMOVE=1\nFDNAME=clearback", text)
}
