package modbus

import (
	"flag"
	"os"
	"os/exec"
	"syscall"
	"testing"

	"clearback/bridge/relay/modbus/modbustest"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

const netnsVariable = "CLEARBACK_TEST_NETNS"

var namespaces = flag.Bool("namespace", false, "make a network namespace and block the network in it")

// TestBlockedNetwork is TestBlockedLink with the kernel's network as the link. In a network namespace of its own the
// loopback interface goes down during an unanswered opening, so that not even the reset reaches the board.
func TestBlockedNetwork(t *testing.T) {
	if os.Getenv(netnsVariable) == "" {
		if !*namespaces {
			t.Skip("makes a network namespace; -namespace runs it")
		}
		t.Parallel()
		child := exec.Command(os.Args[0], "-test.run=^TestBlockedNetwork$", "-test.v")
		if *long {
			child.Args = append(child.Args, "-long")
		}
		child.Env = append(os.Environ(), netnsVariable+"=1")
		child.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET | syscall.CLONE_NEWUSER,
			UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}}
		out, err := child.CombinedOutput()
		t.Logf("%s", out)
		require.NoError(t, err)
		return
	}
	loopback(t, true)
	board := modbustest.NewBoard(t, modbustest.BoardOptions{OpenOn: true})
	blockedLink(t, board, board.Address(), func() { loopback(t, false) }, func() { loopback(t, true) })
}

// loopback sets the interface up or down.
func loopback(t *testing.T, up bool) {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	require.NoError(t, err)
	defer unix.Close(fd)
	r, err := unix.NewIfreq("lo")
	require.NoError(t, err)
	if up {
		r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	}
	require.NoError(t, unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r))
}
