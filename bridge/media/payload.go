package media

import "github.com/pion/rtp"

// Payload says what the RTP packets from a side contain.
type Payload struct {
	// Clear: the payload is not encrypted, so its level, its keys and all its RTCP can be read.
	Clear bool
	// Clocks are the clock rates of the payload types. They must not change any more.
	Clocks ClockRates
	// Events are the payload types of telephone events (RFC 4733). Leave it empty if the payload is encrypted. Without
	// Clear, only flashes are looked for.
	Events PayloadTypes
	// Flash, if not nil, is called once for each hook flash: a telephone event 16. It is called between two packets and
	// must not block.
	Flash func()
}

// Describe sets what the packets from a side contain. Until then, jitter is computed with the clock rates of RFC 3551,
// and no payload is read.
func (s *Session) Describe(from Side, p Payload) {
	e := &s.ends[from]
	e.mu.Lock()
	defer e.mu.Unlock()
	e.payload = p
}

// ClockRates are RTP clock rates by payload type, in Hz. Payload types that it lacks have the rate of RFC 3551.
type ClockRates map[uint8]uint32

// comfortNoise is the payload type of comfort noise at 8000 Hz (RFC 3389 section 4; RFC 3551 table 4).
const comfortNoise = 13

// of returns the clock rate of a payload type (RFC 3551 section 6, tables 4 and 5, from memory): 8000 Hz for speech,
// also for G.722, and for all other types without a rate of their own: the daemon's calls are speech.
func (c ClockRates) of(pt uint8) uint32 {
	if rate := c[pt]; rate != 0 {
		return rate
	}
	switch pt {
	case 6: // DVI4
		return 16000
	case 10, 11: // L16
		return 44100
	case 16: // DVI4
		return 11025
	case 17: // DVI4
		return 22050
	}
	return 8000
}

// sound returns the payload without padding (RFC 3550 section 5.1).
func (p *packet) sound(b []byte) []byte {
	end := len(b)
	if p.header.Padding {
		end = max(p.at, end-int(b[end-1]))
	}
	return b[p.at:end]
}

// Telephone events: the length of the shortest payload in bytes (RFC 4733 section 2.3), the code of the last key, D
// (section 3.2), and that of a hook flash (RFC 2833 section 3.10; RFC 4733 reserves it).
const (
	eventLen   = 4
	eventD     = 15
	eventFlash = 16
)

// eventWatch finds new telephone events. Guarded by the lock of its end.
type eventWatch struct{ digits, flashes eventMark }

// eventMark is the last event of a kind. All packets of an event have the same SSRC and timestamp (RFC 4733 section
// 2.5.1).
type eventMark struct {
	seen            bool
	ssrc, timestamp uint32
}

// take reports whether a packet with a telephone event is the first one of a key, or of a hook flash.
func (w *eventWatch) take(p *packet, b []byte) (digit, flash bool) {
	if len(b)-p.at < eventLen {
		return false, false
	}
	switch code := b[p.at]; {
	case code <= eventD:
		return w.digits.advance(&p.header), false
	case code == eventFlash:
		return false, w.flashes.advance(&p.header)
	}
	return false, false
}

// advance reports whether a packet belongs to a later event than the last one.
func (m *eventMark) advance(h *rtp.Header) bool {
	if m.seen && m.ssrc == h.SSRC && int32(h.Timestamp-m.timestamp) <= 0 {
		return false
	}
	*m = eventMark{true, h.SSRC, h.Timestamp}
	return true
}
