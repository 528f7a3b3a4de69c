// Package socketstore keeps sockets open over a planned restart. A process that leaves gives the service manager a copy
// of each (its file descriptor store), which the next process gets. What arrives in between waits in the socket.
// Without a service manager the package opens ordinary sockets.
package socketstore

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"time"

	"clearback/bridge/localaddr"
)

// Store hands out sockets. Those of an earlier process come first. A nil Store only opens new ones. Safe for concurrent
// use.
type Store struct {
	manager string // path of the service manager's socket; "": there is none
	dropErr error  // why the service manager could not be told to drop its copies

	mu   sync.Mutex
	hung bool                 // the service manager did not accept a message in time, so it gets no more sockets
	left map[string]io.Closer // sockets of an earlier process that nobody has asked for, by name
}

// fdName is the service manager's name for our sockets (FDNAME in sd_notify(3)). They share one, because the next
// process finds a socket by its own address.
const fdName = "clearback"

// dropCopies has the service manager drop its copies.
const dropCopies = "FDSTOREREMOVE=1\nFDNAME=" + fdName

// maxPassed is how many sockets the service manager may pass (FileDescriptorStoreMax in deploy/clearback.service).
const maxPassed = 4096

// name is the key of a socket in Store.left. Package net makes the same socket for 0.0.0.0 and for ::.
func name(network string, at netip.AddrPort) string {
	if at.Addr().IsUnspecified() {
		return fmt.Sprintf("%s any:%d", network, at.Port())
	}
	return network + " " + netip.AddrPortFrom(at.Addr().Unmap(), at.Port()).String()
}

// FromEnvironment returns the store of this process. NOTIFY_SOCKET names the service manager's socket (sd_notify(3)).
// LISTEN_PID and LISTEN_FDS say what the service manager passed (sd_listen_fds(3)). Call it once.
//
// It has the service manager drop its copies at once. So if this process dies, its sockets close: peers are refused and
// try their next server instead of waiting.
func FromEnvironment() *Store {
	n, _ := strconv.Atoi(os.Getenv("LISTEN_FDS"))
	if os.Getenv("LISTEN_PID") != strconv.Itoa(os.Getpid()) {
		n = 0
	}
	const first = 3 // SD_LISTEN_FDS_START
	n = min(n, maxPassed)
	var passed []*os.File
	for fd := first; fd < first+n; fd++ {
		passed = append(passed, os.NewFile(uintptr(fd), ""))
	}
	return New(os.Getenv("NOTIFY_SOCKET"), passed)
}

// New returns a store with copies of the sockets that the service manager passed, and closes passed. manager is the
// path of the service manager's socket; "" means that there is none.
func New(manager string, passed []*os.File) *Store {
	s := &Store{manager: manager, left: map[string]io.Closer{}}
	for _, f := range passed {
		s.add(f)
	}
	if len(passed) > 0 && manager != "" {
		s.dropErr = s.tell(dropCopies, nil)
	}
	return s
}

// forget tells the service manager once more to drop its copies, if that failed.
func (s *Store) forget() error {
	if s.dropErr != nil {
		s.dropErr = s.tell(dropCopies, nil)
	}
	return s.dropErr
}

// add files a UDP socket without a peer or a listening TCP socket by its address, and closes anything else.
func (s *Store) add(f *os.File) {
	defer f.Close() // package net makes a copy
	if c, err := net.FilePacketConn(f); err == nil {
		if udp, ok := c.(*net.UDPConn); ok && udp.RemoteAddr() == nil {
			s.file("udp", udp.LocalAddr().(*net.UDPAddr).AddrPort(), c)
			return
		}
		c.Close()
	} else if l, err := net.FileListener(f); err == nil {
		if tcp, ok := l.(*net.TCPListener); ok {
			s.file("tcp", tcp.Addr().(*net.TCPAddr).AddrPort(), l)
			return
		}
		l.Close()
	}
}

func (s *Store) file(network string, at netip.AddrPort, c io.Closer) {
	k := name(network, at)
	if s.left[k] != nil {
		c.Close() // the same socket, stored twice
		return
	}
	s.left[k] = c
}

// take returns the socket that an earlier process left, or nil.
func (s *Store) take(network string, at netip.AddrPort) io.Closer {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	k := name(network, at)
	c := s.left[k]
	delete(s.left, k)
	return c
}

// TakeUDP returns the UDP socket that an earlier process kept for an address, or nil.
func (s *Store) TakeUDP(at netip.AddrPort) *net.UDPConn {
	c, _ := s.take("udp", at).(*net.UDPConn)
	return c
}

// ListenUDP returns the UDP socket of an address.
func (s *Store) ListenUDP(at netip.AddrPort) (*net.UDPConn, error) {
	if c := s.TakeUDP(at); c != nil {
		return c, nil
	}
	c, err := localaddr.ListenConfig(at.Addr()).ListenPacket(context.Background(), "udp", at.String())
	if err != nil {
		return nil, err
	}
	return c.(*net.UDPConn), nil
}

// ListenTCP returns the listening TCP socket of an address.
func (s *Store) ListenTCP(at netip.AddrPort) (*net.TCPListener, error) {
	if l, ok := s.take("tcp", at).(*net.TCPListener); ok {
		return l, nil
	}
	l, err := localaddr.ListenConfig(at.Addr()).Listen(context.Background(), "tcp", at.String())
	if err != nil {
		return nil, err
	}
	return l.(*net.TCPListener), nil
}

// Keep gives the service manager a copy of a UDP socket or a listening TCP socket for the next process. Without a
// service manager it does nothing.
func (s *Store) Keep(c syscall.Conn) error {
	if s == nil || s.manager == "" {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.hung {
		return errHung
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var told error
	err = raw.Control(func(fd uintptr) {
		// FDPOLL=0: without it the service manager drops a socket that has an error, as UDP sockets have after an ICMP
		// message.
		told = s.tell("FDSTORE=1\nFDPOLL=0\nFDNAME="+fdName, syscall.UnixRights(int(fd)))
	})
	s.hung = errors.Is(told, os.ErrDeadlineExceeded)
	return errors.Join(err, told)
}

// errHung is why a socket is not kept. The lines wait while sockets are kept, so one time-out is enough.
var errHung = errors.New("the service manager does not respond")

// DropLeft closes the sockets of an earlier process that nobody has asked for, and returns their names.
func (s *Store) DropLeft() (names []string, err error) {
	if s == nil {
		return nil, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	errs := []error{s.forget()}
	for k, c := range s.left {
		names = append(names, k)
		errs = append(errs, c.Close())
	}
	clear(s.left)
	slices.Sort(names)
	return names, errors.Join(errs...)
}

// tellTimeout is how long a service manager may take to accept a message. Our own number: it reads at once unless it
// hangs, and the lines must not wait for it.
const tellTimeout = 100 * time.Millisecond

// tell sends a state and perhaps a file descriptor to the service manager.
func (s *Store) tell(state string, rights []byte) error {
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Net: "unixgram"}) // unconnected, as WriteMsgUnix needs it
	if err != nil {
		return fmt.Errorf("tell the service manager: %w", err)
	}
	defer c.Close()
	if err := c.SetWriteDeadline(time.Now().Add(tellTimeout)); err != nil {
		return fmt.Errorf("tell the service manager: %w", err)
	}
	// A leading @ means an abstract socket, both in NOTIFY_SOCKET and in package net.
	_, _, err = c.WriteMsgUnix([]byte(state), rights, &net.UnixAddr{Name: s.manager, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell the service manager: %w", err)
	}
	return nil
}
