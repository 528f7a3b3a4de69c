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
	conn *net.UDPConn
	addr netip.AddrPort
	read sync.WaitGroup
	// lose, if not nil, tells which messages get lost on their way out. Owned by the inbox.
	lose func(m *message) bool
}

func openSocket(take func(m *message, from netip.AddrPort)) (*socket, error) {
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return nil, fmt.Errorf("open a UDP socket on loopback: %w", err)
	}
	s := &socket{inbox: newInbox(), conn: conn, addr: unmap(conn.LocalAddr().(*net.UDPAddr).AddrPort())}
	s.read.Go(func() { s.receive(take) })
	return s, nil
}

func unmap(a netip.AddrPort) netip.AddrPort { return netip.AddrPortFrom(a.Addr().Unmap(), a.Port()) }

func (s *socket) receive(take func(m *message, from netip.AddrPort)) {
	buf := make([]byte, 65535)
	for {
		n, from, err := s.conn.ReadFromUDPAddrPort(buf)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue // an ICMP error about an earlier datagram
		}
		if m, err := parse(append([]byte(nil), buf[:n]...)); err == nil {
			s.post(func() { take(m, unmap(from)) })
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
