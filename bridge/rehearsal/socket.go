package rehearsal

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
)

// socket is a UDP socket on loopback. Its datagrams go to an inbox in the order in which they arrive.
type socket struct {
	*inbox
	read sync.WaitGroup
	take func(m *message, from netip.AddrPort) // set once
	// conn and addr change only in move. If move is used, the goroutine of the inbox owns them.
	conn *net.UDPConn
	addr netip.AddrPort
	// drop, if not nil, reports whether an outgoing message is to be lost. Owned by the goroutine of the inbox.
	drop func(m *message) bool
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

// move continues on another port. What still arrives at the old port is lost. Only functions in the inbox may call it.
func (s *socket) move() error {
	old := s.conn
	if err := s.listen(); err != nil {
		return err
	}
	_ = old.Close() // a UDP socket has no unwritten data to lose
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

// send may be called only by functions in the inbox. A datagram that cannot be sent counts as lost, and SIP retransmits
// it.
func (s *socket) send(m *message, to netip.AddrPort) {
	if s.drop != nil && s.drop(m) {
		return
	}
	_, _ = s.conn.WriteToUDPAddrPort(m.bytes(), to)
}

func (s *socket) close() {
	s.inbox.close()
	_ = s.conn.Close() // a UDP socket has no unwritten data to lose
	s.read.Wait()
}
