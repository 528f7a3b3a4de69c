package endpoint

import (
	"net"
	"net/netip"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/endpoint/endpointtest"
)

// A virtual test runs in a bubble of testing/synctest, its endpoints and wires on a network in memory. Nothing is repeated there because the
// machine is slow, and silence is exact.
type virtual struct {
	testing.TB
	network endpointtest.Network
	port    uint16 // the last one that was given out
}

func virtually(t *testing.T, f func(t *virtual)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { f(&virtual{TB: t, port: 5060}) })
}

func (v *virtual) listen() *endpointtest.Socket {
	v.port++
	return v.network.Listen(netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), v.port))
}

// dial is a wire to an endpoint.
func (v *virtual) dial(e *Endpoint) *wire {
	m := &memory{Socket: v.listen(), to: e.Addr(), in: make(chan []byte, 1000)} // more than any test sends
	done := make(chan struct{})                                                 // closed when the reader has ended
	go func() {
		defer close(done)
		for {
			p, ok := m.Read()
			if !ok {
				return
			}
			m.in <- p.Data
		}
	}()
	v.Cleanup(func() { _ = m.Close(); <-done })
	return wired(v, conned{m})
}

// memory is a socket in memory with its one peer.
type memory struct {
	*endpointtest.Socket
	to    netip.AddrPort
	in    chan []byte
	until time.Time
}

// conned makes a net.Conn of it.
type conned struct{ *memory }

var _ net.Conn = conned{}

func (c conned) Read(b []byte) (int, error) {
	limit := time.NewTimer(time.Until(c.until))
	defer limit.Stop()
	select {
	case p := <-c.in:
		return copy(b, p), nil
	case <-limit.C:
		return 0, os.ErrDeadlineExceeded
	}
}

func (c conned) Write(b []byte) (int, error)        { return c.WriteToUDPAddrPort(b, c.to) }
func (c conned) RemoteAddr() net.Addr               { return net.UDPAddrFromAddrPort(c.to) }
func (c conned) SetDeadline(t time.Time) error      { return c.SetReadDeadline(t) }
func (c conned) SetReadDeadline(t time.Time) error  { c.memory.until = t; return nil }
func (c conned) SetWriteDeadline(t time.Time) error { return nil }
