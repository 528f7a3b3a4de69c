package loopbacktest

import (
	"os"
	"os/exec"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

const namespaceVariable = "CLEARBACK_TEST_NETNS"

// InNamespace runs the test again, in a process that has a network namespace of its own, and reports whether this is
// that process. Its loopback interface is up. The test has to return if it is not. may is the value of the flag
// -namespace, without which the test is skipped. args are further arguments of the process. It fails the test unless
// the same test passes there.
func InNamespace(t *testing.T, may bool, args ...string) bool {
	t.Helper()
	if os.Getenv(namespaceVariable) != "" {
		SetInterface(t, "lo", true)
		return true
	}
	if !may {
		t.Skip("makes a network namespace; -namespace runs it")
	}
	t.Parallel()
	child := exec.Command(os.Args[0], append([]string{"-test.run=^" + t.Name() + "$", "-test.v"}, args...)...)
	child.Env = append(os.Environ(), namespaceVariable+"=1")
	child.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET | syscall.CLONE_NEWUSER,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}}
	out, err := child.CombinedOutput()
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
	return false
}

// SetInterface sets an interface of the namespace up or down.
func SetInterface(t testing.TB, name string, up bool) {
	t.Helper()
	ioctl(t, unix.SIOCSIFFLAGS, name, func(r *unix.Ifreq) error {
		if up {
			r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
		}
		return nil
	})
}

// SetAddress gives an interface of the namespace, such as lo:1, an IPv4 address. Setting the interface down takes it
// away.
func SetAddress(t testing.TB, name string, ip [4]byte) {
	t.Helper()
	ioctl(t, unix.SIOCSIFADDR, name, func(r *unix.Ifreq) error { return r.SetInet4Addr(ip[:]) })
}

// ioctl carries out a request of netdevice(7).
func ioctl(t testing.TB, request uint, name string, set func(*unix.Ifreq) error) {
	t.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	r, err := unix.NewIfreq(name)
	if err == nil {
		err = set(r)
	}
	if err == nil {
		err = unix.IoctlIfreq(fd, request, r)
	}
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}
