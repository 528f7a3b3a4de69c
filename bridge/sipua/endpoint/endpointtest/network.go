// Package endpointtest is a packet network in memory. An endpoint can run on it in a bubble of testing/synctest, where
// time is virtual: half a minute of retransmissions passes at once.
package endpointtest

import (
	"net"
	"net/netip"
	"os"
	"sync"
	"time"
)

// Packet is one datagram on its way.
type Packet struct {
	// At is when the packet was sent.
	At       time.Time
	From, To netip.AddrPort
	Data     []byte
}

// Network carries datagrams between the sockets that listen on it, in order and without delay. It loses only what Lose
// says. The zero value is ready. Safe for concurrent use.
type Network struct {
	// Lose, if not nil, reports whether a packet is lost. It is called from the senders' goroutines. Set it before the
	// first socket listens.
	Lose func(Packet) bool

	mu      sync.Mutex
	sockets map[netip.AddrPort]*Socket
}

// Listen opens a socket on the network. It takes over an address that is in use.
func (n *Network) Listen(at netip.AddrPort) *Socket {
	s := &Socket{network: n, at: at}
	s.arrived.L = &s.mu
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.sockets == nil {
		n.sockets = map[netip.AddrPort]*Socket{}
	}
	n.sockets[at] = s
	return s
}

// Send puts a packet on the network. The address from is not checked.
func (n *Network) Send(from, to netip.AddrPort, data []byte) {
	p := Packet{At: time.Now(), From: from, To: to, Data: append([]byte{}, data...)}
	if n.Lose != nil && n.Lose(p) {
		return
	}
	n.mu.Lock()
	s := n.sockets[to]
	n.mu.Unlock()
	if s != nil {
		s.put(p)
	}
}

// Socket is a datagram socket on a [Network], for use as endpoint.Options.Packets. Safe for concurrent use.
type Socket struct {
	// set once
	network *Network
	at      netip.AddrPort

	arrived sync.Cond
	mu      sync.Mutex
	waiting []Packet
	expired bool // the read deadline has passed
	closed  bool
}

func (s *Socket) put(p Packet) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.closed {
		s.waiting = append(s.waiting, p)
		s.arrived.Signal()
	}
}

// Read waits for the next packet. It returns false once the socket is closed.
func (s *Socket) Read() (p Packet, ok bool) {
	p, err := s.read()
	return p, err == nil
}

func (s *Socket) read() (p Packet, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.waiting) == 0 && !s.closed && !s.expired {
		s.arrived.Wait()
	}
	switch {
	case s.closed:
		return p, net.ErrClosed
	case s.expired:
		return p, os.ErrDeadlineExceeded
	}
	return s.takeLocked(), nil
}

// SetReadDeadline implements endpoint.Packets. Its time must be the zero time, which means never, or lie in the past.
func (s *Socket) SetReadDeadline(at time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.expired = !at.IsZero()
	s.arrived.Broadcast()
	return nil
}

func (s *Socket) takeLocked() Packet {
	p := s.waiting[0]
	s.waiting = s.waiting[1:]
	return p
}

// Waiting returns all packets that have arrived and not been read. It does not wait.
func (s *Socket) Waiting() []Packet {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := s.waiting
	s.waiting = nil
	return all
}

// ReadFromUDPAddrPort implements endpoint.Packets.
func (s *Socket) ReadFromUDPAddrPort(b []byte) (int, netip.AddrPort, error) {
	p, err := s.read()
	if err != nil {
		return 0, netip.AddrPort{}, err
	}
	return copy(b, p.Data), p.From, nil
}

// WriteToUDPAddrPort implements endpoint.Packets.
func (s *Socket) WriteToUDPAddrPort(b []byte, to netip.AddrPort) (int, error) {
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return 0, net.ErrClosed
	}
	s.network.Send(s.at, to, b)
	return len(b), nil
}

// Addr is the socket's address.
func (s *Socket) Addr() netip.AddrPort { return s.at }

// LocalAddr implements endpoint.Packets.
func (s *Socket) LocalAddr() net.Addr { return net.UDPAddrFromAddrPort(s.at) }

// Close implements endpoint.Packets. A pending Read returns.
func (s *Socket) Close() error {
	s.mu.Lock()
	s.closed = true
	s.waiting = nil
	s.arrived.Broadcast()
	s.mu.Unlock()
	s.network.mu.Lock()
	defer s.network.mu.Unlock()
	if s.network.sockets[s.at] == s {
		delete(s.network.sockets, s.at)
	}
	return nil
}
