package relaytest

import (
	"fmt"
	"os"
	"syscall"
	"testing"
)

// Address returns an address of this machine, host:port, that nobody else is given until the test ends, however often a
// listener on it is closed and made anew: a socket that is bound to it, and never listens, keeps it. A listener needs
// SO_REUSEADDR, which Go's and most others' have.
func Address(t testing.TB) string {
	t.Helper()
	fd, err := syscall.Socket(syscall.AF_INET, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		t.Fatal(os.NewSyscallError("socket", err))
	}
	t.Cleanup(func() { syscall.Close(fd) })
	if err := syscall.SetsockoptInt(fd, syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1); err != nil {
		t.Fatal(os.NewSyscallError("setsockopt", err))
	}
	if err := syscall.Bind(fd, &syscall.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
		t.Fatal(os.NewSyscallError("bind", err))
	}
	at, err := syscall.Getsockname(fd)
	if err != nil {
		t.Fatal(os.NewSyscallError("getsockname", err))
	}
	return fmt.Sprintf("127.0.0.1:%d", at.(*syscall.SockaddrInet4).Port)
}

// ProcessName returns the name with the number of this process: a contact of that name is claimed by no other process,
// not even by one that runs the same test at the same time (see [relay.Lock]).
func ProcessName(name string) string { return fmt.Sprintf("%s-%d", name, os.Getpid()) }
