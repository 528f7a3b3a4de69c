package media

import (
	"math"
	"net/netip"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/pion/rtcp"
	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"
)

// TestLate: RFC 3550 appendix A.3 counts a packet that comes late or twice as received, so it is not lost.
func TestLate(t *testing.T) {
	for _, c := range []struct {
		name string
		seqs []uint16
		late uint64
		lost int64
	}{
		{"in order", []uint16{10, 11, 12}, 0, 0},
		{"lost", []uint16{10, 12}, 0, 1},
		{"late", []uint16{10, 12, 11}, 1, 0},
		{"late across the wrap", []uint16{65534, 0, 65535}, 1, 0},
		{"twice", []uint16{10, 10, 11, 11}, 2, -2},
		{"the oldest late one", []uint16{500, 600, 501}, 1, 98},
		{"too old", []uint16{500, 600, 500}, 0, 99},
		{"a jump", []uint16{10, 40000, 40001}, 0, 0},
	} {
		var r reception
		for _, s := range c.seqs {
			r.take(1, s)
		}
		require.Equal(t, c.late, r.late, c.name)
		require.Equal(t, c.lost, r.lost(), c.name)
		require.Zero(t, r.changes, c.name)
	}
}

func TestSSRCChanges(t *testing.T) {
	var r reception
	for _, ssrc := range []uint32{0, 0, 7, 7, 0} {
		r.take(ssrc, 1)
	}
	require.EqualValues(t, 2, r.changes)
}

// TestJitterClock: the jitter in time stays the same when the clock rate changes, and the change itself is no jitter.
func TestJitterClock(t *testing.T) {
	var r reception
	require.Zero(t, r.jitterTime())
	r.time(0, 0, 8000)
	r.time(160, 320, 8000) // 160 units late
	require.Equal(t, 1250*time.Microsecond, r.jitterTime(), "160/16 units of 125 us")
	r.time(5000, 99000, 48000)
	require.Equal(t, 1250*time.Microsecond, r.jitterTime())
	r.time(5960, 99960, 48000)
	require.InDelta(t, 1250*15/16, r.jitterTime().Microseconds(), 2, "a sixteenth less")
}

// TestClockRates: RFC 3551 tables 4 and 5, from memory.
func TestClockRates(t *testing.T) {
	c := ClockRates{96: 0}
	for pt, want := range map[uint8]uint32{0: 8000, 3: 8000, 4: 8000, 5: 8000, 6: 16000, 8: 8000, 9: 8000, 10: 44100,
		11: 44100, 13: 8000, 16: 11025, 17: 22050, 18: 8000, 101: 8000} {
		require.Equal(t, want, c.of(pt), pt)
	}
	c[101], c[0] = 48000, 16000
	require.EqualValues(t, 48000, c.of(101))
	require.EqualValues(t, 16000, c.of(0))
}

// coded returns a second of a sine at that level in dBm0, as the nearest codes of G.711. full is the amplitude of the
// loudest sine and loudest its level.
func coded(decode func(byte) uint32, sign byte, level, full, loudest float64) []byte {
	out := make([]byte, 8000)
	for i := range out {
		v := full * math.Pow(10, (level-loudest)/20) * math.Sin(2*math.Pi*(1004*float64(i)/8000))
		best, off := byte(0), math.Inf(1)
		for code := range 128 {
			if d := math.Abs(math.Abs(v) - float64(decode(byte(code)))); d < off {
				best, off = byte(code), d
			}
		}
		if v > 0 {
			best |= sign
		}
		out[i] = best
	}
	return out
}

// TestLevel: the digital milliwatt is 0 dBm0 (ITU-T G.711 tables 5 and 6), and the loudest sine is 3.17 dBm0 for
// mu-law and 3.14 dBm0 for A-law (G.711 section 4, from memory). Its amplitude is the last decision value, 8159 and
// 4096. The codes in between were found by search, so the level is that of an ideal encoder.
func TestLevel(t *testing.T) {
	level := func(pt uint8, payload []byte) float64 {
		var l Level
		for i := 0; i < len(payload); i += 160 {
			l.take(pt, payload[i:min(i+160, len(payload))])
		}
		mean, ok := l.Mean()
		require.True(t, ok)
		return mean
	}
	require.InDelta(t, 0, level(pcmu, milliwattMu[:]), 0.001)
	require.InDelta(t, 0, level(pcma, milliwattA[:]), 0.001)
	for _, want := range []float64{3.17, 0, -10, -20, -40} {
		require.InDelta(t, want, level(pcmu, coded(decodeMu, 0x80, want, 8159, 3.17)), 0.15, "mu-law")
	}
	for _, want := range []float64{3.14, 0, -10, -20, -40} {
		require.InDelta(t, want, level(pcma, coded(decodeA, 0x80, want, 4096, 3.14)), 0.15, "A-law")
	}
	require.EqualValues(t, silence, level(pcmu, []byte{0xff, 0x7f, 0xff, 0x7f}), "digital silence")
	require.InDelta(t, -66.1, level(pcma, []byte{0xd5, 0x55}), 0.1, "A-law has no zero: 1 of 4096 both ways")

	var l Level
	l.take(9, milliwattMu[:]) // G.722
	l.take(pcmu, nil)
	_, ok := l.Mean()
	require.False(t, ok)
}

// arrivals feeds packets to one side.
type arrivals struct {
	t *testing.T
	s *Session
	e *end
}

func newArrivals(t *testing.T, p Payload) *arrivals {
	s := &Session{began: time.Now()}
	s.Describe(AdapterSide, p)
	return &arrivals{t, s, &s.ends[AdapterSide]}
}

// rtp feeds a packet at a time since the beginning. It reports whether the packet is the first one of a hook flash.
func (a *arrivals) rtp(h rtp.Header, payload []byte, at time.Duration) bool {
	a.t.Helper()
	h.Version = 2
	b, err := (&rtp.Packet{Header: h, Payload: payload}).Marshal()
	require.NoError(a.t, err)
	var p packet
	p.read(b, rtpFlow, Admission{})
	require.Equal(a.t, kindRTP, p.kind)
	return a.e.measure(&p, b, a.s.began.Add(at), at)
}

// TestComfortNoise: a packet of RFC 3389 is counted. It carries no G.711, so the level does not change.
func TestComfortNoise(t *testing.T) {
	a := newArrivals(t, Payload{Clear: true})
	a.rtp(rtp.Header{PayloadType: 0, SequenceNumber: 1, SSRC: 9}, milliwattMu[:], 0)
	a.rtp(rtp.Header{PayloadType: 13, SequenceNumber: 2, Timestamp: 160, SSRC: 9}, []byte{60}, 20*time.Millisecond)
	a.rtp(rtp.Header{PayloadType: 13, SequenceNumber: 3, Timestamp: 1600, SSRC: 9}, []byte{60, 0x80},
		200*time.Millisecond)
	st := a.s.Stats(AdapterSide)
	require.EqualValues(t, 3, st.Packets)
	require.EqualValues(t, 2, st.ComfortNoise)
	require.Zero(t, st.Jitter)
	require.Equal(t, a.s.began.Add(200*time.Millisecond), st.LastMedia)
	level, ok := st.Level.Mean()
	require.True(t, ok)
	require.InDelta(t, 0, level, 0.001)
}

// TestDigits: the packets of a key (RFC 4733 section 2.5.1: one timestamp, a growing duration, three ends) count once,
// whatever arrives in between, and are no jitter. A flash is none of the keys; other events are not counted.
func TestDigits(t *testing.T) {
	var events PayloadTypes
	events.Add(101)
	a := newArrivals(t, Payload{Clear: true, Events: events, Flash: func() {}})
	seq, at := uint16(0), time.Duration(0)
	send := func(pt, code byte, timestamp uint32, duration byte) bool {
		seq, at = seq+1, at+20*time.Millisecond
		return a.rtp(rtp.Header{PayloadType: pt, SequenceNumber: seq, Timestamp: timestamp, SSRC: 9},
			[]byte{code, 10, duration, 0}, at)
	}
	digits := func() uint64 { return a.s.Stats(AdapterSide).Digits }
	for i := range byte(6) {
		require.False(t, send(101, 5, 800, i))
	}
	require.EqualValues(t, 1, digits())
	send(101, 15, 1600, 1)
	send(101, 5, 800, 6) // the end of the first key, late
	require.EqualValues(t, 2, digits())
	require.True(t, send(101, 16, 2400, 1))
	send(101, 17, 3200, 1)
	send(102, 5, 4000, 1)
	require.EqualValues(t, 2, digits())
	send(101, 15, 4800, 1)
	send(101, 15, 5600, 1)
	require.EqualValues(t, 4, digits(), "the same key again")
	st := a.s.Stats(AdapterSide)
	require.EqualValues(t, seq, st.Packets)
	require.Zero(t, st.Jitter)
	require.Zero(t, st.Lost)
}

// TestPadding: padding (RFC 3550 section 5.1) is no sound. A wrong length of it is not followed.
func TestPadding(t *testing.T) {
	var p packet
	b, err := (&rtp.Packet{Header: rtp.Header{Version: 2, Padding: true}, PaddingSize: 4,
		Payload: []byte{1, 2, 3}}).Marshal()
	require.NoError(t, err)
	p.read(b, rtpFlow, Admission{})
	require.Equal(t, []byte{1, 2, 3}, p.sound(b))
	b[len(b)-1] = 200
	require.Empty(t, p.sound(b))
	b[0] &^= 0x20
	p.read(b, rtpFlow, Admission{})
	require.Len(t, p.sound(b), 7)
}

// TestReports: all packets of a compound datagram are counted (RFC 3550 section 6.1), but of SRTCP only the first (RFC
// 3711 section 3.4). A length beyond the datagram ends the count.
func TestReports(t *testing.T) {
	b, err := rtcp.Marshal([]rtcp.Packet{&rtcp.SenderReport{SSRC: 1}, &rtcp.ReceiverReport{SSRC: 1},
		rtcp.NewCNAMESourceDescription(1, "box-office"), &rtcp.Goodbye{Sources: []uint32{1}}})
	require.NoError(t, err)
	count := func(b []byte, clear bool) [3]uint64 {
		var s Stats
		s.countReports(b, clear)
		return [3]uint64{s.SenderReports, s.ReceiverReports, s.Goodbyes}
	}
	require.Equal(t, [3]uint64{1, 1, 1}, count(b, true))
	require.Equal(t, [3]uint64{1, 0, 0}, count(b, false))
	b[3] = 200
	require.Equal(t, [3]uint64{1, 0, 0}, count(b, true))
	require.Equal(t, [3]uint64{}, count(nil, true))
	require.Equal(t, [3]uint64{}, count([]byte{0, 200, 0, 0}, true), "another version")

	var p packet
	srtcp := append(slices.Clone(aReport), b...) // what follows the first packet is encrypted, whatever it looks like
	p.read(srtcp, rtcpFlow, Admission{})
	for _, clear := range []bool{true, false} {
		s := &Session{relay: &Relay{}, began: time.Now()}
		s.Describe(AdapterSide, Payload{Clear: clear})
		at := netip.MustParseAddrPort("192.0.2.7:4001")
		s.Expect(AdapterSide, netip.MustParseAddrPort("192.0.2.7:4000"), at)
		require.True(t, s.take(&s.ends[AdapterSide], rtcpFlow, at, srtcp, &p))
		st := s.Stats(AdapterSide)
		require.EqualValues(t, 1, st.ReceiverReports)
		require.Equal(t, clear, st.SenderReports == 1)
	}
}

// TestEncryptedPayload: neither the sound nor the keys of SRTP are read. Whether a packet is a flash is still asked: an
// offer of keys may have been declined.
func TestEncryptedPayload(t *testing.T) {
	var events PayloadTypes
	events.Add(101)
	a := newArrivals(t, Payload{Events: events})
	a.rtp(rtp.Header{PayloadType: 0, SSRC: 9}, milliwattMu[:], 0)
	a.rtp(rtp.Header{PayloadType: 101, SSRC: 9, Timestamp: 160}, []byte{5, 10, 0, 160}, 0)
	require.True(t, a.rtp(rtp.Header{PayloadType: 101, SSRC: 9, Timestamp: 320}, []byte{16, 10, 0, 160}, 0))
	st := a.s.Stats(AdapterSide)
	_, ok := st.Level.Mean()
	require.False(t, ok)
	require.Zero(t, st.Digits)
	require.EqualValues(t, 3, st.Packets)
}

// TestPlus: Plus adds every count, including fields that are added later.
func TestPlus(t *testing.T) {
	early, late := time.Unix(1000, 0), time.Unix(2000, 0)
	a := Stats{Jitter: 3, LastMedia: late, Level: Level{1, 2}}
	b := Stats{Jitter: 2, LastMedia: early, Level: Level{10, 20}}
	for i, v := range []reflect.Value{reflect.ValueOf(&a).Elem(), reflect.ValueOf(&b).Elem()} {
		for k := range v.NumField() {
			if f := v.Field(k); f.CanUint() {
				f.SetUint(uint64(1 + 9*i))
			}
		}
	}
	a.Lost, b.Lost = -1, 5
	for _, sum := range []Stats{a.Plus(b), b.Plus(a)} {
		require.EqualValues(t, 4, sum.Lost)
		require.EqualValues(t, 3, sum.Jitter)
		require.Equal(t, late, sum.LastMedia)
		require.Equal(t, Level{11, 22}, sum.Level)
		v := reflect.ValueOf(sum)
		for k := range v.NumField() {
			if f := v.Field(k); f.CanUint() {
				require.EqualValues(t, 11, f.Uint(), v.Type().Field(k).Name)
			}
		}
	}
}
