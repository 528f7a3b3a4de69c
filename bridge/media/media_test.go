package media_test

import (
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"os"
	"testing"
	"time"

	"github.com/pion/rtcp"
	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"clearback/bridge/media"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var (
	local = netip.MustParseAddr("127.0.0.1")
	zero  netip.AddrPort
)

func newRelay(t *testing.T, low, high uint16) *media.Relay { return newRelayAt(t, local, low, high) }

func newRelayAt(t *testing.T, at netip.Addr, low, high uint16) *media.Relay {
	t.Helper()
	r, err := media.New(media.Options{AdapterAddr: at, ServiceAddr: at, PortLow: low, PortHigh: high})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, r.Close()) })
	return r
}

// newSession returns the session of a call whose signalling comes from 127.0.0.1 on both sides.
func newSession(t *testing.T) *media.Session {
	t.Helper()
	s, err := newRelay(t, 20000, 29999).NewSession()
	require.NoError(t, err)
	s.Trust(media.AdapterSide, local)
	s.Trust(media.ServiceSide, local)
	return s
}

// mediaSocket is a socket of one end.
type mediaSocket struct {
	t testing.TB
	*net.UDPConn
}

func newMediaSocket(t testing.TB, host string) mediaSocket {
	t.Helper()
	c, err := net.ListenUDP("udp4", net.UDPAddrFromAddrPort(netip.AddrPortFrom(netip.MustParseAddr(host), 0)))
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return mediaSocket{t, c}
}

func (k mediaSocket) addr() netip.AddrPort { return k.LocalAddr().(*net.UDPAddr).AddrPort() }

func (k mediaSocket) send(to netip.AddrPort, p []byte) {
	k.t.Helper()
	_, err := k.WriteToUDPAddrPort(p, to)
	require.NoError(k.t, err)
}

// receive returns the next packet and its source.
func (k mediaSocket) receive() ([]byte, netip.AddrPort) {
	k.t.Helper()
	require.NoError(k.t, k.SetReadDeadline(time.Now().Add(3*time.Second)))
	b := make([]byte, 4096)
	n, from, err := k.ReadFromUDPAddrPort(b)
	require.NoError(k.t, err)
	return b[:n], from
}

// nothing asserts that no packet waits. Call it once the relay's counters show that it has processed what was sent.
func (k mediaSocket) nothing() {
	k.t.Helper()
	require.NoError(k.t, k.SetReadDeadline(time.Now().Add(20*time.Millisecond)))
	_, _, err := k.ReadFromUDPAddrPort(make([]byte, 4096))
	require.True(k.t, errors.Is(err, os.ErrDeadlineExceeded), "%v", err)
}

func next(a netip.AddrPort) netip.AddrPort { return netip.AddrPortFrom(a.Addr(), a.Port()+1) }

func speech(t testing.TB, seq uint16) []byte {
	t.Helper()
	b, err := (&rtp.Packet{
		Header:  rtp.Header{Version: 2, SequenceNumber: seq, Timestamp: 160 * uint32(seq), SSRC: 0x4d696c6c},
		Payload: make([]byte, 160),
	}).Marshal()
	require.NoError(t, err)
	return b
}

func report(t testing.TB) []byte {
	t.Helper()
	b, err := rtcp.Marshal([]rtcp.Packet{&rtcp.ReceiverReport{SSRC: 1}, &rtcp.SourceDescription{}})
	require.NoError(t, err)
	return b
}

// until waits until done is true of the side's counters.
func until(t *testing.T, s *media.Session, side media.Side, done func(media.Stats) bool) {
	t.Helper()
	require.Eventually(t, func() bool { return done(s.Stats(side)) }, 3*time.Second, time.Millisecond, "%+v",
		s.Stats(side))
}

func TestPassesBothWays(t *testing.T) {
	s := newSession(t)
	require.Zero(t, s.Local(media.AdapterSide).Port()%2)
	require.True(t, s.LastHeard(media.AdapterSide).IsZero())
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.ServiceSide, f.addr(), zero)
	before := time.Now()
	rich := &rtp.Packet{Header: rtp.Header{Version: 2, Marker: true, PayloadType: 101, SequenceNumber: 7,
		CSRC: []uint32{1, 2}}, Payload: []byte{1, 10, 0, 160}}
	require.NoError(t, rich.SetExtension(1, []byte("x")))
	for _, p := range [][]byte{speech(t, 1), must(rich.Marshal())(t)} {
		a.send(s.Local(media.AdapterSide), p)
		got, from := f.receive()
		require.Equal(t, p, got, "changed on the way")
		require.Equal(t, s.Local(media.ServiceSide), from, "symmetric RTP (RFC 4961)")
	}
	require.WithinRange(t, s.LastHeard(media.AdapterSide), before, time.Now())
	require.True(t, s.LastHeard(media.ServiceSide).IsZero())
	f.send(s.Local(media.ServiceSide), speech(t, 1))
	_, from := a.receive() // learnt, not from SDP
	require.Equal(t, s.Local(media.AdapterSide), from)
	st := s.Stats(media.AdapterSide)
	require.Equal(t, uint64(2), st.Packets)
	require.Equal(t, uint64(172+len(must(rich.Marshal())(t))), st.Bytes)
}

func must(b []byte, err error) func(*testing.T) []byte {
	return func(t *testing.T) []byte { require.NoError(t, err); return b }
}

func TestRTCPPassesBothWays(t *testing.T) {
	s := newSession(t)
	a, f, fr := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	service := s.Local(media.AdapterSide)
	// the address is in the SDP (RFC 3605)
	s.Expect(media.ServiceSide, f.addr(), fr.addr())
	a.send(next(service), report(t))
	got, from := fr.receive()
	require.Equal(t, report(t), got)
	require.Equal(t, next(s.Local(media.ServiceSide)), from)
	require.False(t, s.LastHeard(media.AdapterSide).IsZero(), "RTCP is a sign of life")
	// a report to the RTP port (RFC 5761) leaves from the RTP port
	a.send(service, report(t))
	got, _ = f.receive()
	require.Equal(t, report(t), got)
	// RTP is not valid on the RTCP port
	a.send(next(service), speech(t, 1))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.RTCPPackets == 2 && st.Invalid == 1 })
}

func TestRTCPGoesToTheNextPort(t *testing.T) {
	s := newSession(t)
	a := newMediaSocket(t, "127.0.0.1")
	var f, fr *net.UDPConn
	require.Eventually(t, func() (ok bool) { // two free neighbouring ports
		f = newMediaSocket(t, "127.0.0.1").UDPConn
		to := next(f.LocalAddr().(*net.UDPAddr).AddrPort())
		var err error
		fr, err = net.ListenUDP("udp4", net.UDPAddrFromAddrPort(to))
		return err == nil
	}, 3*time.Second, time.Millisecond)
	defer func() { _ = fr.Close() }()
	s.Expect(media.ServiceSide, mediaSocket{t, f}.addr(), zero)
	a.send(next(s.Local(media.AdapterSide)), report(t))
	got, _ := mediaSocket{t, fr}.receive()
	require.Equal(t, report(t), got)
}

func TestNoDestination(t *testing.T) {
	s := newSession(t)
	a := newMediaSocket(t, "127.0.0.1")
	// no address, the hold address and our own address are no destinations
	for i, to := range []netip.AddrPort{zero, netip.MustParseAddrPort("0.0.0.0:4000"), s.Local(media.ServiceSide),
		s.Local(media.AdapterSide)} {
		s.Expect(media.ServiceSide, to, to)
		a.send(s.Local(media.AdapterSide), speech(t, uint16(i)))
		until(t, s, media.AdapterSide, func(st media.Stats) bool {
			return st.Packets == uint64(i+1) &&
				st.Unsent == uint64(i+1)
		})
	}
	require.Zero(t, s.Stats(media.ServiceSide))
}

func TestThirdAddressIsIgnored(t *testing.T) {
	s := newSession(t)
	a, f, thief := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.9")
	to := s.Local(media.AdapterSide)
	s.Expect(media.ServiceSide, f.addr(), zero)
	a.send(to, speech(t, 1))
	f.receive()
	heard := s.LastHeard(media.AdapterSide)
	thief.send(to, speech(t, 2))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.UnknownSource == 1 })
	f.nothing()
	require.Equal(t, heard, s.LastHeard(media.AdapterSide), "a packet from an unknown host is no sign of life")
	f.send(s.Local(media.ServiceSide), speech(t, 1))
	a.receive()
	thief.nothing()
	require.Equal(t, uint64(1), s.Stats(media.AdapterSide).Packets)
}

// TestSDPHostTakesOver checks that the host in the SDP takes over from the host of the signalling, once and not back.
func TestSDPHostTakesOver(t *testing.T) {
	s := newSession(t)
	a, f, early := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.9")
	to := s.Local(media.AdapterSide)
	s.Trust(media.AdapterSide, early.addr().Addr())
	s.Expect(media.AdapterSide, a.addr(), zero)
	s.Expect(media.ServiceSide, f.addr(), zero)
	early.send(to, speech(t, 1))
	f.receive()
	f.send(s.Local(media.ServiceSide), speech(t, 1))
	early.receive()
	a.send(to, speech(t, 2))
	f.receive()
	early.send(to, speech(t, 2))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.UnknownSource == 1 })
	f.send(s.Local(media.ServiceSide), speech(t, 2))
	a.receive()
	early.nothing()
}

// TestNewOffer checks that a changed address restarts latching. Late packets of the old source pass and are not learnt.
// The same address again changes nothing.
func TestNewOffer(t *testing.T) {
	s := newSession(t)
	a, f, moved, sdp := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.2"),
		newMediaSocket(t, "127.0.0.3")
	to := s.Local(media.AdapterSide)
	s.Expect(media.AdapterSide, a.addr(), zero)
	s.Expect(media.ServiceSide, f.addr(), zero)
	a.send(to, speech(t, 1))
	f.receive()
	s.Expect(media.AdapterSide, a.addr(), zero)
	moved.send(to, speech(t, 2))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.UnknownSource == 1 })

	s.Expect(media.AdapterSide, sdp.addr(), zero)
	a.send(to, speech(t, 2))
	f.receive()
	f.send(s.Local(media.ServiceSide), speech(t, 1))
	sdp.receive() // not a, whose packets were only late
	for seq := range uint16(20) {
		moved.send(to, speech(t, 1000+seq))
	}
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.UnknownSource+st.Probation == 21 })
	sdp.send(to, speech(t, 3))
	f.receive()
	f.send(s.Local(media.ServiceSide), speech(t, 2))
	sdp.receive()
	moved.nothing()
}

func TestInvalid(t *testing.T) {
	s := newSession(t)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.ServiceSide, f.addr(), zero)
	old := speech(t, 1)
	old[0] = 0 // version 0, which pion/rtp accepts
	short := speech(t, 1)[:11]
	cut := report(t)
	binary.BigEndian.PutUint16(cut[2:], 500)
	csrc := speech(t, 1)[:12]
	csrc[0] |= 15
	stun := make([]byte, 20) // binding request (RFC 8489)
	stun[1] = 1
	long := append(speech(t, 1), make([]byte, 3000)...)
	all := [][]byte{{}, {0x80}, old, short, cut, csrc, stun, long}
	for _, p := range all {
		a.send(s.Local(media.AdapterSide), p)
	}
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Invalid == uint64(len(all)) })
	require.True(t, s.LastHeard(media.AdapterSide).IsZero())
	a.send(s.Local(media.AdapterSide), speech(t, 2))
	f.receive()
	a.send(s.Local(media.AdapterSide), long) // after a valid one
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Invalid == uint64(len(all))+1 })
	f.nothing()
}

// TestFarEndPortClosed: the other end's port is closed, which the network may report. Then its address is one that the
// system cannot send to (IPv6 from an IPv4 socket). The session continues.
func TestFarEndPortClosed(t *testing.T) {
	s := newSession(t)
	a, gone, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.ServiceSide, gone.addr(), zero)
	require.NoError(t, gone.Close())
	for i := range 20 {
		a.send(s.Local(media.AdapterSide), speech(t, uint16(i)))
	}
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 20 })
	s.Expect(media.ServiceSide, netip.MustParseAddrPort("[2001:db8::1]:4000"), zero)
	a.send(s.Local(media.AdapterSide), speech(t, 20))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 21 && st.Unsent == 1 })
	s.Expect(media.ServiceSide, f.addr(), zero)
	a.send(s.Local(media.AdapterSide), speech(t, 21))
	f.receive()
	f.send(s.Local(media.ServiceSide), speech(t, 1))
	a.receive()
}

func TestCountsLoss(t *testing.T) {
	s := newSession(t)
	a := newMediaSocket(t, "127.0.0.1")
	for _, seq := range []uint16{65534, 65535, 1, 2, 5} {
		a.send(s.Local(media.AdapterSide), speech(t, seq))
	}
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 5 && st.Lost == 3 })
}
