package rehearsal

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
)

// socket is a UDP socket on loopback whose datagrams are handed to an inbox in the order in which they came.
type socket struct {
	*inbox
	read sync.WaitGroup
	take func(m *message, from netip.AddrPort) // set once
	// conn and addr change in move only, and are owned by the inbox if that is used
	conn *net.UDPConn
	addr netip.AddrPort
	// lose, if not nil, tells which messages get lost on their way out. Owned by the inbox.
	lose func(m *message) bool
}

func openSocket(take func(m *message, from netip.AddrPort)) (*socket, error) {
	s := &socket{inbox: newInbox(), take: take}
	if err := s.listen(); err != nil {
		s.inbox.close()
		return nil, err
	}
	return s, nil
}

func (s *socket) listen() error {
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return fmt.Errorf("open a UDP socket on loopback: %w", err)
	}
	s.conn, s.addr = conn, unmap(conn.LocalAddr().(*net.UDPAddr).AddrPort())
	s.read.Go(func() { s.receive(conn) })
	return nil
}

// move goes on from another port; what still comes to the old one is lost. It may be called by the inbox only.
func (s *socket) move() error {
	old := s.conn
	if err := s.listen(); err != nil {
		return err
	}
	_ = old.Close() // a UDP socket has nothing to lose
	return nil
}

func unmap(a netip.AddrPort) netip.AddrPort { return netip.AddrPortFrom(a.Addr().Unmap(), a.Port()) }

func (s *socket) receive(conn *net.UDPConn) {
	buf := make([]byte, 65535)
	for {
		n, from, err := conn.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue // an ICMP error about an earlier datagram
		}
		if m, err := parse(append([]byte(nil), buf[:n]...)); err == nil {
			s.post(func() { s.take(m, unmap(from)) })
		}
	}
}

// send may be called by the inbox only. A datagram that cannot be sent is as good as lost: SIP repeats it.
func (s *socket) send(m *message, to netip.AddrPort) {
	if s.lose != nil && s.lose(m) {
		return
	}
	_, _ = s.conn.WriteToUDPAddrPort(m.bytes(), to)
}

func (s *socket) close() {
	s.inbox.close()
	_ = s.conn.Close() // a UDP socket has nothing to lose
	s.read.Wait()
}
