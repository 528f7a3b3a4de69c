// Package socketstore keeps sockets open over a restart. The service manager holds a copy of each (its file descriptor
// store) and passes the copies to the next process. What arrives in between waits in the socket. Without a service
// manager the package opens ordinary sockets.
package socketstore

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"clearback/bridge/localaddr"
)

// Store hands out sockets. Those of an earlier process come first. A nil Store only opens new ones. Safe for concurrent
// use.
type Store struct {
	manager string // path of the service manager's socket; "": there is none

	mu   sync.Mutex
	left map[string]io.Closer // sockets of an earlier process that nobody has asked for, by name
}

// name is what a socket is found by. The service manager allows no colon (FDNAME in sd_notify(3)). Package net makes
// the same socket for 0.0.0.0 and for ::.
func name(network string, at netip.AddrPort) string {
	host := at.Addr().Unmap().String()
	if at.Addr().IsUnspecified() {
		host = "any"
	}
	return fmt.Sprintf("%s_%s_%d", network, strings.ReplaceAll(host, ":", "_"), at.Port())
}

// FromEnvironment returns the store of this process. NOTIFY_SOCKET names the service manager's socket (sd_notify(3)).
// LISTEN_PID and LISTEN_FDS say what the service manager passed (sd_listen_fds(3)). Call it once.
func FromEnvironment() *Store {
	s := &Store{manager: os.Getenv("NOTIFY_SOCKET"), left: map[string]io.Closer{}}
	n, _ := strconv.Atoi(os.Getenv("LISTEN_FDS"))
	if os.Getenv("LISTEN_PID") != strconv.Itoa(os.Getpid()) {
		n = 0
	}
	const first = 3 // SD_LISTEN_FDS_START
	for fd := first; fd < first+n; fd++ {
		syscall.CloseOnExec(fd) // programs that this process starts do not get it
		s.add(os.NewFile(uintptr(fd), ""))
	}
	return s
}

// add files a UDP or TCP socket by its address, and closes anything else.
func (s *Store) add(f *os.File) {
	defer f.Close() // package net makes a copy
	if c, err := net.FilePacketConn(f); err == nil {
		if udp, ok := c.(*net.UDPConn); ok {
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

// ListenUDP returns the UDP socket of an address.
func (s *Store) ListenUDP(at netip.AddrPort) (*net.UDPConn, error) {
	if c, ok := s.take("udp", at).(*net.UDPConn); ok {
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

// KeepUDP gives the service manager a copy of a socket. Without a service manager it does nothing. The service manager
// keeps no socket twice.
func (s *Store) KeepUDP(c *net.UDPConn) error {
	return s.keep(c, "udp", c.LocalAddr().(*net.UDPAddr).AddrPort())
}

// KeepTCP is KeepUDP for a listening TCP socket.
func (s *Store) KeepTCP(l *net.TCPListener) error {
	return s.keep(l, "tcp", l.Addr().(*net.TCPAddr).AddrPort())
}

func (s *Store) keep(c syscall.Conn, network string, at netip.AddrPort) error {
	if s == nil || s.manager == "" {
		return nil
	}
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	var told error
	err = raw.Control(func(fd uintptr) {
		// FDPOLL=0: without it the service manager drops a socket that has an error, as UDP sockets have after an ICMP
		// message.
		told = s.tell("FDSTORE=1\nFDPOLL=0\nFDNAME="+name(network, at), syscall.UnixRights(int(fd)))
	})
	return errors.Join(err, told)
}

// DropLeft closes the sockets of an earlier process that nobody has asked for, here and at the service manager.
func (s *Store) DropLeft() error {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var errs []error
	for k, c := range s.left {
		errs = append(errs, c.Close())
		if s.manager != "" {
			errs = append(errs, s.tell("FDSTOREREMOVE=1\nFDNAME="+k, nil))
		}
	}
	clear(s.left)
	return errors.Join(errs...)
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
