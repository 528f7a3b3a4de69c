package relaytest

import (
	"fmt"
	"os"
	"syscall"
	"testing"
)

// Address returns a loopback address, host:port, that is given to no other process until the test ends. A listener on
// it may be closed and remade any number of times: a bound socket that never listens keeps the port reserved. The
// listener needs SO_REUSEADDR, which Go and most other programs set.
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

// ProcessName returns the name with this process's ID appended. No other process claims a contact of that name, not
// even one that runs the same test at the same time (see [relay.Lock]).
func ProcessName(name string) string { return fmt.Sprintf("%s-%d", name, os.Getpid()) }
