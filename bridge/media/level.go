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

// law is one of the two laws of G.711. Read-only.
type law struct {
	power [256]uint32 // of each code: its square
	zero  float64     // the power of the digital milliwatt
}

var (
	muLaw = newLaw(decodeMu, milliwattMu)
	aLaw  = newLaw(decodeA, milliwattA)
)

func newLaw(decode func(byte) uint32, milliwatt [8]byte) *law {
	l := &law{}
	for code := range l.power {
		v := decode(byte(code))
		l.power[code] = v * v
	}
	l.zero = float64(l.sum(milliwatt[:])) / float64(len(milliwatt))
	return l
}

// sum returns the power of all codes together.
func (l *law) sum(codes []byte) (sum uint64) {
	for _, code := range codes {
		sum += uint64(l.power[code])
	}
	return sum
}

// decodeMu returns the magnitude of a mu-law code, at most 8031 (ITU-T G.711 table 2b). All its bits are inverted.
func decodeMu(code byte) uint32 {
	code = ^code
	return (uint32(code&15)*2+33)<<(code>>4&7) - 33
}

// decodeA returns the magnitude of an A-law code, at most 4032 (ITU-T G.711 table 1b). Its even bits are inverted.
func decodeA(code byte) uint32 {
	code ^= 0x55
	v, segment := uint32(code&15)*2+1, code>>4&7
	if segment == 0 {
		return v
	}
	return (v + 32) << (segment - 1)
}

// silence is the level of digital silence, and the lowest level, in dBm0. The least sound of G.711 is about -66 dBm0.
const silence = -90

// Level is the level of G.711 sound. A sine at the level of the digital milliwatt has 0 dBm0; the loudest sine has 3.17
// (mu-law) or 3.14 (A-law). Other codecs are not measured. The zero value has heard nothing.
type Level struct {
	samples uint64
	sum     float64 // of the samples' power, relative to 0 dBm0
}

// take adds the payload of an RTP packet. Its cost grows with the samples, at most as many as fit into a packet.
func (l *Level) take(pt uint8, payload []byte) {
	coding := muLaw
	switch {
	case len(payload) == 0 || pt != pcmu && pt != pcma:
		return
	case pt == pcma:
		coding = aLaw
	}
	l.samples += uint64(len(payload))
	l.sum += float64(coding.sum(payload)) / coding.zero
}

func (l Level) plus(o Level) Level {
	return Level{samples: l.samples + o.samples, sum: l.sum + o.sum}
}

// Mean returns the level of all sound so far, in dBm0 and at least -90. It returns false if there was none.
func (l Level) Mean() (float64, bool) {
	if l.samples == 0 {
		return 0, false
	}
	return max(10*math.Log10(l.sum/float64(l.samples)), silence), true
}
