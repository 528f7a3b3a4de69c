package endpoint

import (
	"net"
	"net/netip"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"clearback/bridge/sipua/endpoint/endpointtest"
	"clearback/bridge/sipua/rawtest"
)

// virtualTest is a test in a bubble of testing/synctest, with its endpoints and peers on a network in memory. A slow
// machine causes no retransmission there, and silence is exact.
type virtualTest struct {
	testing.TB
	network endpointtest.Network
	port    uint16 // the last port that was assigned
}

func runVirtual(t *testing.T, f func(t *virtualTest)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) { f(&virtualTest{TB: t, port: 5060}) })
}

func (v *virtualTest) listen() *endpointtest.Socket {
	v.port++
	return v.network.Listen(netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), v.port))
}

// dial returns a peer of an endpoint.
func (v *virtualTest) dial(e *Endpoint) *rawtest.Peer {
	m := &memoryPeer{Socket: v.listen(), to: e.Addr(), in: make(chan []byte, 1000)} // more than any test sends
	done := make(chan struct{})                                                     // closed when the reader has ended
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
	return rawtest.New(v, memoryConn{m})
}

// memoryPeer is a socket in memory that sends to one peer.
type memoryPeer struct {
	*endpointtest.Socket
	to    netip.AddrPort
	in    chan []byte
	until time.Time
}

// memoryConn is a memoryPeer as a net.Conn.
type memoryConn struct{ *memoryPeer }

var _ net.Conn = memoryConn{}

func (c memoryConn) Read(b []byte) (int, error) {
	limit := time.NewTimer(time.Until(c.until))
	defer limit.Stop()
	select {
	case p := <-c.in:
		return copy(b, p), nil
	case <-limit.C:
		return 0, os.ErrDeadlineExceeded
	}
}

func (c memoryConn) Write(b []byte) (int, error)        { return c.WriteToUDPAddrPort(b, c.to) }
func (c memoryConn) RemoteAddr() net.Addr               { return net.UDPAddrFromAddrPort(c.to) }
func (c memoryConn) SetDeadline(t time.Time) error      { return c.SetReadDeadline(t) }
func (c memoryConn) SetReadDeadline(t time.Time) error  { c.memoryPeer.until = t; return nil }
func (c memoryConn) SetWriteDeadline(t time.Time) error { return nil }
