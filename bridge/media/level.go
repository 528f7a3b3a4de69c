package media

import "math"

// Payload types of G.711 (RFC 3551 table 4).
const (
	pcmu = 0
	pcma = 8
)

// Digital milliwatt: one period of a sine of 1 kHz at 0 dBm0, sampled at 8 kHz (ITU-T G.711 tables 5 and 6, from
// memory).
var (
	milliwattMu = [8]byte{0x1e, 0x0b, 0x0b, 0x1e, 0x9e, 0x8b, 0x8b, 0x9e}
	milliwattA  = [8]byte{0x34, 0x21, 0x21, 0x34, 0xb4, 0xa1, 0xa1, 0xb4}
)

// The power of each code of G.711, relative to that of the digital milliwatt. They are read-only.
var (
	powerMu = powers(decodeMu, milliwattMu)
	powerA  = powers(decodeA, milliwattA)
)

// powers returns the power of each code relative to that of a reference.
func powers(decode func(byte) int, reference [8]byte) (table [256]float64) {
	zero := 0.0
	for _, code := range reference {
		v := float64(decode(code))
		zero += v * v / float64(len(reference))
	}
	for code := range table {
		v := float64(decode(byte(code)))
		table[code] = v * v / zero
	}
	return table
}

// decodeMu returns the magnitude of a mu-law code, at most 8031 (ITU-T G.711 table 2b). All its bits are inverted.
func decodeMu(code byte) int {
	code = ^code
	return (int(code&15)*2+33)<<(code>>4&7) - 33
}

// decodeA returns the magnitude of an A-law code, at most 4032 (ITU-T G.711 table 1b). Its even bits are inverted.
func decodeA(code byte) int {
	code ^= 0x55
	v, segment := int(code&15)*2+1, code>>4&7
	if segment == 0 {
		return v
	}
	return (v + 32) << (segment - 1)
}

// recentSamples is the length of the sliding mean: a second of G.711.
const recentSamples = 8000

// silence is the level of digital silence, and the lowest level, in dBm0. The least sound of G.711 is about -66 dBm0.
const silence = -90

// Level is the level of G.711 sound. A sine at the level of the digital milliwatt has 0 dBm0; the loudest sine has 3.17
// (mu-law) or 3.14 (A-law). Other codecs are not measured. The zero value has heard nothing.
type Level struct {
	samples uint64
	sum     float64 // of the samples' power, relative to 0 dBm0
	recent  float64 // sliding mean of the power
}

// take adds the payload of an RTP packet. Its cost grows with the samples, at most as many as fit into a packet.
func (l *Level) take(pt uint8, payload []byte) {
	table := &powerMu
	switch {
	case len(payload) == 0 || pt != pcmu && pt != pcma:
		return
	case pt == pcma:
		table = &powerA
	}
	sum := 0.0
	for _, code := range payload {
		sum += table[code]
	}
	n := float64(len(payload))
	if l.samples == 0 {
		l.recent = sum / n
	} else {
		l.recent += (sum/n - l.recent) * min(n/recentSamples, 1)
	}
	l.samples, l.sum = l.samples+uint64(len(payload)), l.sum+sum
}

func (l Level) plus(o Level) Level {
	return Level{samples: l.samples + o.samples, sum: l.sum + o.sum, recent: max(l.recent, o.recent)}
}

// Mean returns the level of all sound so far, in dBm0 and at least -90. It returns false if there was none.
func (l Level) Mean() (float64, bool) {
	if l.samples == 0 {
		return 0, false
	}
	return decibels(l.sum / float64(l.samples)), true
}

// Recent is Mean for about the last second of sound.
func (l Level) Recent() (float64, bool) { return decibels(l.recent), l.samples > 0 }

func decibels(power float64) float64 { return max(10*math.Log10(power), silence) }
