package media

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// packet counts a packet of a clock rate of 8000 Hz.
func (r *reception) packet(ssrc uint32, seq uint16, timestamp, arrival uint32) {
	r.take(ssrc, seq)
	r.time(timestamp, arrival, 8000)
}

// TestJitterExample is RFC 3550 appendix A.8, worked by hand for 160-unit packets. Transit times are 0, 16, 16, 0, so D
// = 16, 0, 16. In integer form, with J kept 16 times: 16-0=16; 16+0-((16+8)>>4)=15; 15+16-((15+8)>>4)=30; reported
// 30>>4 = 1.
func TestJitterExample(t *testing.T) {
	var r reception
	for i, arrival := range []uint32{0, 176, 336, 480} {
		r.packet(1, uint16(i), uint32(160*i), arrival)
		require.Equal(t, []uint32{0, 16, 15, 30}[i], r.jitter, "after packet %d", i)
	}
}

// TestJitterRounds: half of a sixteenth is rounded up, and less is rounded down: 8-((8+8)>>4)=7, 7-((7+8)>>4)=7.
func TestJitterRounds(t *testing.T) {
	var r reception
	for i, arrival := range []uint32{0, 168, 328, 488} {
		r.packet(1, uint16(i), uint32(160*i), arrival)
		require.Equal(t, []uint32{0, 8, 7, 7}[i], r.jitter, "after packet %d", i)
	}
}

// TestJitterAgainstFloat compares with the formula of RFC 3550 section 6.4.1 in floating point, J += (|D|-J)/16.
func TestJitterAgainstFloat(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 5))
	var r reception
	want, before := 0.0, int64(0)
	for i := range 2000 {
		late := int64(rnd.IntN(400))
		timestamp := uint32(math.MaxUint32 - 80000 + 160*i) // wraps on the way
		r.packet(7, uint16(i), timestamp, timestamp+uint32(late))
		if i > 0 {
			want += (math.Abs(float64(late-before)) - want) / 16
		}
		before = late
		require.InDelta(t, want, float64(r.jitter)/16, 1, "after packet %d", i)
	}
	require.Greater(t, want, 50.0, "the sequence caused no jitter")
}

// TestLostAgainstCount loses, swaps and duplicates packets over several wraps, and compares with counts that do not
// wrap.
func TestLostAgainstCount(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	var r reception
	const first, n = 65000, 200_000
	received, highest := int64(0), int64(first)
	for i := int64(first); i < first+n; i++ {
		send := []int64{i}
		switch p := rnd.IntN(100); {
		case i == first:
		case p < 5:
			send = nil
		case p < 7:
			send = []int64{i, i}
		case p < 9:
			send = []int64{i + 1, i}
			i++
		}
		for _, seq := range send {
			r.take(9, uint16(seq))
			received++
			highest = max(highest, seq)
		}
		require.Equal(t, highest-first+1-received, r.lost(), "at %d", i)
	}
	require.Greater(t, r.lost(), int64(1000))
}

// TestJumps: appendix A.1 from memory. If fewer than 3000 packets are skipped, they are lost. A larger jump counts from
// its second packet in order. A packet fewer than 100 back is late.
func TestJumps(t *testing.T) {
	for _, c := range []struct {
		name string
		seqs []uint16
		lost int64
	}{
		{"one missing", []uint16{10, 12}, 1},
		{"late", []uint16{10, 12, 11}, 0},
		{"doubled", []uint16{10, 11, 11}, -1},
		{"wrap", []uint16{65534, 65535, 0, 2}, 1},
		{"largest dropout", []uint16{10, 10 + 2999}, 2998},
		{"jump, not confirmed", []uint16{10, 10 + 3000, 11}, 0},
		{"jump, confirmed", []uint16{10, 12, 40000, 40001, 40003}, 2},
		{"oldest late one", []uint16{500, 600, 501}, 98},
		{"too old", []uint16{500, 600, 500}, 99},
	} {
		t.Run(c.name, func(t *testing.T) {
			var r reception
			for _, s := range c.seqs {
				r.take(1, s)
			}
			require.Equal(t, c.lost, r.lost())
		})
	}
}

// TestNewSource checks that another SSRC starts its own sequence and jitter, and that the losses of the first stay
// counted.
func TestNewSource(t *testing.T) {
	var r reception
	r.packet(1, 10, 0, 0)
	r.packet(1, 13, 480, 900)
	require.Equal(t, int64(2), r.lost())
	require.NotZero(t, r.jitter)
	r.packet(2, 50000, 123456, 910)
	require.Equal(t, int64(2), r.lost())
	require.Zero(t, r.jitter)
	r.packet(2, 50002, 123456+320, 910+320)
	require.Equal(t, int64(3), r.lost())
	require.Zero(t, r.jitter)
}

func TestUnits(t *testing.T) {
	require.Equal(t, uint32(160), units(20*time.Millisecond, 8000))
	require.Equal(t, uint32(0), units(24*time.Hour*0, 8000))
	month := 30 * 24 * time.Hour
	require.Equal(t, uint32(month.Milliseconds()*8), units(month, 8000))
	century := 876000 * time.Hour
	require.Equal(t, uint32(int64(century/time.Second)*48000%(1<<32)), units(century, 48000))
}
