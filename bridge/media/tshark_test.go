package media

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/pion/rtp"
	"github.com/stretchr/testify/require"

	"clearback/bridge/programtest"
)

// capture is a file of UDP packets in the format of libpcap (draft-ietf-opsawg-pcap, from memory): Ethernet, IPv4.
type capture struct{ bytes.Buffer }

func newCapture() *capture {
	c := &capture{}
	for _, v := range []any{uint32(0xa1b2c3d4), uint16(2), uint16(4), uint32(0), uint32(0), uint32(65535), uint32(1)} {
		_ = binary.Write(c, binary.LittleEndian, v) // a Buffer accepts every write
	}
	return c
}

func (c *capture) add(at time.Duration, port uint16, payload []byte) {
	udp := binary.BigEndian.AppendUint16(nil, port)
	udp = binary.BigEndian.AppendUint16(udp, port)
	udp = binary.BigEndian.AppendUint16(udp, uint16(8+len(payload)))
	udp = append(append(udp, 0, 0), payload...)
	ip := append([]byte{0x45, 0}, binary.BigEndian.AppendUint16(nil, uint16(20+len(udp)))...)
	ip = append(ip, 0, 0, 0, 0, 64, 17, 0, 0, 192, 0, 2, 1, 192, 0, 2, 2)
	frame := append(append(make([]byte, 12), 8, 0), append(ip, udp...)...)
	n := uint32(len(frame))
	for _, v := range []uint32{uint32(at / time.Second), uint32(at % time.Second / time.Microsecond), n, n} {
		_ = binary.Write(c, binary.LittleEndian, v)
	}
	c.Write(frame)
}

// The judgement of a stream.
type streamFigures struct {
	packets, lost int
	mean, most    float64 // jitter in ms
}

// TestAgainstTshark has tshark judge the same packets, some of them lost, late or doubled: packets, lost, and the mean
// and the largest jitter. tshark computes jitter in floating point; ours rounds each arrival and each step to timestamp
// units (0.125 ms for G.711). So the tolerance is half a unit for the mean, and two units for the largest.
func TestAgainstTshark(t *testing.T) {
	tshark := programtest.Need(t, "tshark", "tshark")
	c, ours, unit := newCapture(), map[string]streamFigures{}, map[string]float64{}
	args := []string{"-q", "-z", "rtp,streams"}
	for i, pt := range []uint8{pcmu, pcma, 9, 10, 6} { // G.711, G.722, 44100 and 16000 Hz
		port := uint16(4000 + 2*i)
		name := fmt.Sprintf("0x%08X", port)
		clock := ClockRates{}.of(pt)
		ours[name], unit[name] = c.stream(t, port, pt, clock), 1000/float64(clock)
		args = append(args, "-d", fmt.Sprintf("udp.port==%d,rtp", port))
	}
	path := filepath.Join(t.TempDir(), "rtp.pcap")
	require.NoError(t, os.WriteFile(path, c.Bytes(), 0o600))
	out, err := exec.Command(tshark, append(args, "-r", path)...).Output()
	require.NoError(t, err)
	theirs := streamsOf(t, string(out))
	require.Len(t, theirs, len(ours), "%s", out)
	for name, want := range theirs {
		is := ours[name]
		t.Logf("%s: %d packets, %d lost, jitter mean %.3f ms and most %.3f ms; tshark: %.3f and %.3f ms", name,
			is.packets, is.lost, is.mean, is.most, want.mean, want.most)
		require.Equal(t, want.packets, is.packets, name)
		require.Equal(t, want.lost, is.lost, name)
		require.InDelta(t, want.mean, is.mean, unit[name]/2, name)
		require.InDelta(t, want.most, is.most, 2*unit[name], name)
	}
}

// stream adds ten seconds of a stream to the capture. It returns what we count.
func (c *capture) stream(t *testing.T, port uint16, pt uint8, clock uint32) (f streamFigures) {
	type arrival struct {
		at time.Duration
		n  int
	}
	rnd := rand.New(rand.NewPCG(7, uint64(port)))
	var all []arrival
	for n := range 500 {
		at := time.Duration(n)*20*time.Millisecond + time.Duration(rnd.IntN(15_000))*time.Microsecond
		switch p := rnd.IntN(50); {
		case n == 0 || p > 3:
		case p < 2:
			continue // lost
		case p == 2:
			at += 40 * time.Millisecond // overtaken by the next packets
		default:
			all = append(all, arrival{at + 3*time.Millisecond, n})
		}
		all = append(all, arrival{at, n})
	}
	slices.SortFunc(all, func(a, b arrival) int { return cmp.Compare(a.at, b.at) })
	a, sum := newArrivals(t, Payload{}), 0.0
	for _, p := range all {
		h := rtp.Header{Version: 2, PayloadType: pt, SequenceNumber: uint16(65400 + p.n),
			Timestamp: uint32(p.n) * (clock / 50), SSRC: uint32(port)}
		b, err := (&rtp.Packet{Header: h, Payload: make([]byte, 160)}).Marshal()
		require.NoError(t, err)
		c.add(p.at, port, b)
		a.rtp(h, make([]byte, 160), p.at)
		jitter := a.s.Stats(AdapterSide).Jitter.Seconds() * 1000
		sum, f.most = sum+jitter, max(f.most, jitter)
	}
	st := a.s.Stats(AdapterSide)
	require.NotZero(t, st.Late)
	return streamFigures{int(st.Packets), int(st.Lost), sum / float64(len(all)-1), f.most} // the first has none
}

// streamsOf reads the table of tshark -z rtp,streams, by SSRC.
func streamsOf(t *testing.T, table string) map[string]streamFigures {
	row := regexp.MustCompile(`(0x[0-9A-F]{8}) .* (\d+) +(-?\d+) \(.*%\)(?: +\S+){3} +\S+ +(\S+) +(\S+)`)
	all := map[string]streamFigures{}
	for _, m := range row.FindAllStringSubmatch(table, -1) {
		number := func(s string) float64 {
			v, err := strconv.ParseFloat(s, 64)
			require.NoError(t, err)
			return v
		}
		all[m[1]] = streamFigures{int(number(m[2])), int(number(m[3])), number(m[4]), number(m[5])}
	}
	return all
}
