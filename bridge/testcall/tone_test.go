package testcall

import (
	"math"
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"
)

// The decoder outputs of ITU-T G.711, tables 2a (mu-law) and 1a (A-law): for each segment, the first value and the
// step. Each segment has 16 values.
var (
	muLawOutputs = [8][2]int{{0, 2}, {33, 4}, {99, 8}, {231, 16}, {495, 32}, {1023, 64}, {2079, 128}, {4191, 256}}
	aLawOutputs  = [8][2]int{{1, 2}, {33, 2}, {66, 4}, {132, 8}, {264, 16}, {528, 32}, {1056, 64}, {2112, 128}}
)

// decode converts a character signal to the decoder output of the standard.
func decode(kind uint8, code byte) int {
	outputs := muLawOutputs
	if kind == pcma {
		outputs, code = aLawOutputs, code^0x55
	} else {
		code = ^code ^ 0x80 // the sign bit is 1 for positive values in both laws
	}
	v := outputs[code>>4&7][0] + int(code&15)*outputs[code>>4&7][1]
	if code&0x80 == 0 {
		return -v
	}
	return v
}

// ITU-T G.711, tables 5 and 6: the periodic sequence of character signals of a 1 kHz sine at 0 dBm0.
func TestReferenceSequences(t *testing.T) {
	for _, c := range []struct {
		name       string
		full, peak float64
		encode     func(int) byte
		want       [8]byte
	}{
		{"mu-law", muLawFull, muLawPeak, muLaw, [8]byte{0x1E, 0x0B, 0x0B, 0x1E, 0x9E, 0x8B, 0x8B, 0x9E}},
		{"A-law", aLawFull, aLawPeak, aLaw, [8]byte{0x34, 0x21, 0x21, 0x34, 0xB4, 0xA1, 0xA1, 0xB4}},
	} {
		var got [8]byte
		for i := range got {
			got[i] = c.encode(int(math.Round(-amplitude(0, c.full, c.peak) * math.Sin(math.Pi*(float64(i)/4+1./8)))))
		}
		require.Equal(t, c.want, got, c.name)
	}
}

// Every sample is encoded as the nearest value in the standard's table.
func TestEncoders(t *testing.T) {
	for _, c := range []struct {
		kind    uint8
		encode  func(int) byte
		outputs [8][2]int
		largest int
	}{{pcmu, muLaw, muLawOutputs, 8031 + 128}, {pcma, aLaw, aLawOutputs, 4032 + 64}} {
		for x := -c.largest + 1; x < c.largest; x++ {
			code := c.encode(x)
			y := decode(c.kind, code)
			raw := code ^ 0x55
			if c.kind == pcmu {
				raw = ^code
			}
			if step := c.outputs[raw>>4&7][1]; 2*abs(x-y) > step {
				t.Fatalf("kind %d: %d became %d, off by more than half of the step %d", c.kind, x, y, step)
			}
		}
		require.Equal(t, decode(c.kind, c.encode(c.largest-1)), decode(c.kind, c.encode(1<<20)), "it limits")
		require.Equal(t, decode(c.kind, c.encode(-c.largest+1)), decode(c.kind, c.encode(-1<<20)), "it limits")
	}
}

func abs(x int) int { return max(x, -x) }

// sink is a socket that receives a tone.
type sink struct{ *net.UDPConn }

func newSink(t *testing.T) sink {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return sink{conn}
}

// packets reads n packets.
func (s sink) packets(t *testing.T, n int) (all []rtp.Packet, took time.Duration) {
	t.Helper()
	require.NoError(t, s.SetReadDeadline(time.Now().Add(testTimeout)))
	buf := make([]byte, 2000)
	var first time.Time
	for range n {
		size, err := s.Read(buf)
		require.NoError(t, err)
		if first.IsZero() {
			first = time.Now()
		}
		var p rtp.Packet
		require.NoError(t, p.Unmarshal(append([]byte(nil), buf[:size]...)))
		all = append(all, p)
	}
	return all, time.Since(first)
}

// goertzel returns the power of one frequency in samples by the Goertzel algorithm. The unit is the power of a sine of
// amplitude 1.
func goertzel(samples []float64, hz float64) float64 {
	k := 2 * math.Cos(2*math.Pi*hz/8000)
	var s1, s2 float64
	for _, x := range samples {
		s1, s2 = x+k*s1-s2, s1
	}
	n := float64(len(samples))
	return (s1*s1 + s2*s2 - k*s1*s2) * 4 / (n * n)
}

// isTone checks that the packets are one stream of packets of 20 ms (RFC 3551 section 4.2) with 1,020 Hz at -20 dBm0
// and almost nothing else. 25 packets are half a second, so that every frequency in question is a multiple of 2 Hz.
func isTone(t *testing.T, all []rtp.Packet, kind uint8) {
	t.Helper()
	full, peak := muLawFull, float64(muLawPeak)
	if kind == pcma {
		full, peak = aLawFull, aLawPeak
	}
	var samples []float64
	for i, p := range all {
		require.EqualValues(t, 2, p.Version)
		require.Equal(t, kind, p.PayloadType)
		require.Len(t, p.Payload, 160)
		require.Equal(t, all[0].SSRC, p.SSRC)
		require.Equal(t, all[0].SequenceNumber+uint16(i), p.SequenceNumber)
		require.Equal(t, all[0].Timestamp+uint32(160*i), p.Timestamp)
		require.False(t, i > 0 && p.Marker)
		for _, code := range p.Payload {
			samples = append(samples, float64(decode(kind, code)))
		}
	}
	total := 0.
	for _, x := range samples {
		total += 2 * x * x / float64(len(samples)) // for a sine this is its amplitude squared
	}
	dBm0 := func(power float64) float64 { return full + 10*math.Log10(power/(peak*peak)) }
	tone := goertzel(samples, toneHz)
	require.InDelta(t, -20, dBm0(tone), 0.1, "level")
	require.Less(t, 10*math.Log10((total-tone)/tone), -33.,
		"distortion: G.711's own at that level (ITU-T G.712 asks for 33 dB)")
	// call progress tones, fax calling and answering tones
	for _, hz := range []float64{350, 400, 420, 426, 440, 450, 480, 620, 1100, 2100} {
		require.Less(t, dBm0(goertzel(samples, hz)), -60., "%v Hz", hz)
	}
}

// The tone as it is sent.
func TestTone(t *testing.T) {
	for name, kind := range map[string]uint8{"PCMU": pcmu, "PCMA": pcma} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tone, err := openTone(loopback)
			require.NoError(t, err)
			t.Cleanup(tone.close)
			s := newSink(t)
			at := s.LocalAddr().(*net.UDPAddr).Port
			kinds := map[uint8]string{pcmu: "0", pcma: "8"}[kind]
			late := lateness(t)
			require.NoError(t, tone.playTo([]byte("v=0\r\nc=IN IP4 127.0.0.1\r\nm=audio "+num(at)+" RTP/AVP "+kinds+"\r\n")))
			all, took := s.packets(t, 25)
			require.True(t, all[0].Marker)
			isTone(t, all, kind)
			require.InDelta(t, 0.48, took.Seconds(), 0.1+2*late().Seconds(), "24 packets of 20 ms after the first")
		})
	}
}

func TestDescriptions(t *testing.T) {
	const head = "v=0\no=- 1 1 IN IP4 192.0.2.1\ns=-\n"
	at := func(s string) netip.AddrPort { return netip.MustParseAddrPort(s) }
	for name, c := range map[string]struct {
		sdp   string
		want  description
		hears bool
		fails bool
	}{
		"plain": {sdp: "c=IN IP4 192.0.2.1\nm=audio 4000 RTP/AVP 0\n",
			want: description{at("192.0.2.1:4000"), pcmu, "sendrecv"}, hears: true},
		"second codec": {sdp: "c=IN IP4 192.0.2.1\nm=audio 4000 RTP/AVP 18 8 0\n",
			want: description{at("192.0.2.1:4000"), pcma, "sendrecv"}, hears: true},
		"of the stream": {sdp: "c=IN IP4 192.0.2.1\nm=audio 4000 RTP/AVP 0\nc=IN IP4 192.0.2.7\n",
			want: description{at("192.0.2.7:4000"), pcmu, "sendrecv"}, hears: true},
		"IPv6": {sdp: "c=IN IP6 2001:db8::1\nm=audio 4000 RTP/AVP 0\n",
			want: description{at("[2001:db8::1]:4000"), pcmu, "sendrecv"}, hears: true},
		"held": {sdp: "c=IN IP4 192.0.2.1\nm=audio 4000 RTP/AVP 0\na=sendonly\n",
			want: description{at("192.0.2.1:4000"), pcmu, "sendonly"}},
		"held for all": {sdp: "c=IN IP4 192.0.2.1\na=inactive\nm=audio 4000 RTP/AVP 0\n",
			want: description{at("192.0.2.1:4000"), pcmu, "inactive"}},
		"held as of old": {sdp: "c=IN IP4 0.0.0.0\nm=audio 4000 RTP/AVP 0\n",
			want: description{at("0.0.0.0:4000"), pcmu, "sendrecv"}},
		"a video as well": {sdp: "c=IN IP4 192.0.2.1\nm=video 5000 RTP/AVP 31\nc=IN IP4 192.0.2.9\nm=audio 4000 RTP/AVP 0\nm=audio 6000 RTP/AVP 8\na=inactive\n",
			want: description{at("192.0.2.1:4000"), pcmu, "sendrecv"}, hears: true},
		"no G.711":       {sdp: "c=IN IP4 192.0.2.1\nm=audio 4000 RTP/AVP 18\n", fails: true},
		"refused stream": {sdp: "c=IN IP4 192.0.2.1\nm=audio 0 RTP/AVP 0\n", fails: true},
		"no stream":      {sdp: "c=IN IP4 192.0.2.1\n", fails: true},
		"no address":     {sdp: "m=audio 4000 RTP/AVP 0\n", fails: true},
		"a name":         {sdp: "c=IN IP4 box.example\nm=audio 4000 RTP/AVP 0\n", fails: true},
	} {
		d, err := describe([]byte(head + c.sdp))
		if c.fails {
			require.Error(t, err, name)
			continue
		}
		require.NoError(t, err, name)
		require.Equal(t, c.want, d, name)
		require.Equal(t, c.hears, d.receives(), name)
	}
}
