package media_test

import (
	"net/netip"
	"testing"
	"time"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
)

// A hook flash of a watched type is reported once, also if its packets cannot be relayed. LastSound counts what arrives
// at the RTP port.
func TestFlash(t *testing.T) {
	s := newSession(t)
	a := newMediaSocket(t, "127.0.0.1")
	s.Expect(media.AdapterSide, a.addr(), netip.AddrPort{})
	var types media.PayloadTypes
	types.Add(101)
	flashes := make(chan string, 9) // more than are sent
	s.Describe(media.AdapterSide, media.Payload{Events: types, Flash: func() { flashes <- "flash" }})
	event := func(pt uint8, seq uint16, timestamp uint32) []byte {
		b, err := (&rtp.Packet{Header: rtp.Header{Version: 2, PayloadType: pt, SequenceNumber: seq,
			Timestamp: timestamp, SSRC: 5}, Payload: []byte{16, 10, 0, 160}}).Marshal()
		require.NoError(t, err)
		return b
	}
	require.Zero(t, s.LastSound(media.AdapterSide))
	for seq := range uint16(3) {
		a.send(s.Local(media.AdapterSide), event(101, seq, 800))
	}
	a.send(s.Local(media.AdapterSide), event(96, 4, 8000))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 4 })
	require.Len(t, flashes, 1)
	require.WithinDuration(t, time.Now(), s.LastSound(media.AdapterSide), 10*time.Second)
	require.Zero(t, s.LastSound(media.ServiceSide))
	require.EqualValues(t, 4, s.Stats(media.AdapterSide).Unsent)
	s.Describe(media.AdapterSide, media.Payload{})
	a.send(s.Local(media.AdapterSide), event(101, 5, 16000))
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == 5 })
	require.Len(t, flashes, 1)
}

// Admitted datagrams pass and are counted as such. Others do not.
func TestAdmittedDatagrams(t *testing.T) {
	s := newSession(t)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.AdapterSide, a.addr(), netip.AddrPort{})
	s.Expect(media.ServiceSide, f.addr(), netip.AddrPort{})
	hello := []byte{22, 254, 253, 0, 0, 0, 0, 0, 0, 0, 5, 0, 3, 1, 0, 0}
	a.send(s.Local(media.AdapterSide), hello)
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Invalid == 1 })
	s.Admit(media.Admission{DTLS: true})
	a.send(s.Local(media.AdapterSide), hello)
	got, from := f.receive()
	require.Equal(t, hello, got)
	require.Equal(t, s.Local(media.ServiceSide), from)
	st := s.Stats(media.AdapterSide)
	require.Equal(t, media.Stats{Datagrams: 1, Invalid: 1}, st, "DTLS is no media")

	s.Admit(media.Admission{Datagrams: true})
	fax := []byte{0, 1, 3, 0xc0, 1, 0x80, 0, 0}
	a.send(s.Local(media.AdapterSide), fax)
	got, _ = f.receive()
	require.Equal(t, fax, got)
	st = s.Stats(media.AdapterSide)
	require.WithinDuration(t, time.Now(), st.LastMedia, 10*time.Second)
	require.Equal(t, media.Stats{Datagrams: 2, Fax: 1, Invalid: 1, LastMedia: st.LastMedia}, st)
}
