package agent

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/relay/modbus/modbustest"
)

// from connects from the loopback address 127.0.0.last.
func (s *testServer) from(t *testing.T, last byte) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, last)}}
	c, err := d.Dial("tcp", s.at)
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	require.NoError(t, c.SetDeadline(time.Now().Add(5*time.Second)))
	return c
}

// room makes room for one more connection from an address, and reports whether that was possible.
func (s *testServer) room(from string) bool {
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	return s.server.makeRoom(netip.MustParseAddr(from))
}

// ask sends a request and waits for its answer.
func ask(c net.Conn, pdu ...byte) error {
	if _, err := c.Write(request(1, pdu...)); err != nil {
		return err
	}
	_, err := modbustest.ReadTCP(c)
	return err
}

func read(c net.Conn) error { return ask(c, fnReadCoils, 0, 0, 0, 2) }

// An address that uses all connections cannot keep other addresses out. It loses the connections that were silent
// longest first, and the one with an opening in progress last.
func TestConnectionsPerAddress(t *testing.T) {
	s := serve(t, ServerOptions{MaxConnections: 4})
	var one [4]net.Conn
	for i := range one {
		one[i] = s.from(t, 1)
		require.NoError(t, read(one[i]))
	}
	require.NoError(t, ask(one[0], fnWriteRegister, 0, 1, 7, 0xD0)) // 2 s
	for _, c := range one[1:] {
		require.NoError(t, read(c))
	}
	two := s.from(t, 2)
	require.NoError(t, read(two))
	ended(t, one[1])
	third := s.from(t, 3)
	require.NoError(t, read(third))
	ended(t, one[2])
	require.False(t, s.room("127.0.0.2"), "it would have as many as 127.0.0.1, which uses both")
	fourth := s.from(t, 4)
	require.NoError(t, read(fourth))
	ended(t, one[3])
	for _, c := range []net.Conn{one[0], two, third, fourth} {
		require.NoError(t, read(c))
	}
	require.True(t, s.out[0].isOpen(), "the opening continues")
	require.NoError(t, ask(two, fnWriteCoil, 0, 0, 0, 0))
}

// If the addresses have as many connections as the new one would have, only a connection that was silent for the
// watchdog time is ended.
func TestSilentConnectionGivesWay(t *testing.T) {
	s := serve(t, ServerOptions{MaxConnections: 2})
	one, two := s.from(t, 1), s.from(t, 2)
	require.NoError(t, read(one))
	require.NoError(t, read(two))
	require.False(t, s.room("127.0.0.3"))
	s.server.mu.Lock()
	for p := range s.server.peers {
		if p.from == netip.MustParseAddr("127.0.0.2") {
			p.master.base = p.master.base.Add(-s.Watchdog())
		}
	}
	s.server.mu.Unlock()
	require.False(t, s.room("127.0.0.1"), "one of its own would be ended first, but that is in use")
	require.True(t, s.room("127.0.0.3"))
	ended(t, two)
	require.NoError(t, read(one))
}

// A passing connection closes the contact, as clearback close does beside a running daemon. The daemon's connection may
// not open the contact after that, so it is ended, and the daemon reconnects before it needs to open. A connection
// stays if it drives other contacts, only reads, or has an opening in progress.
func TestAPassingCloseRenewsOlderConnections(t *testing.T) {
	s := serve(t, ServerOptions{})
	older, other, reader, opening := s.raw(t), s.raw(t), s.raw(t), s.raw(t)
	require.NoError(t, ask(older, fnWriteCoil, 0, 0, 0, 0))
	require.NoError(t, ask(other, fnWriteCoil, 0, 1, 0, 0))
	require.NoError(t, read(reader))
	require.NoError(t, ask(opening, fnWriteCoil, 0, 0, 0, 0))
	require.NoError(t, ask(opening, fnWriteRegister, 0, 3, 7, 0xD0)) // the other contact, for 2 s
	passing := s.raw(t)
	require.NoError(t, ask(passing, fnWriteCoil, 0, 0, 0, 0))
	require.NoError(t, read(older), "the older one is not ended while the younger one exists")
	require.NoError(t, passing.Close())
	ended(t, older)
	for _, c := range []net.Conn{other, reader, opening} {
		require.NoError(t, read(c))
	}
	require.True(t, s.out[1].isOpen())
}
