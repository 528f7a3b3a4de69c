package media

import (
	"encoding/binary"
	"time"
)

// Stats counts what arrived from one side and passed, unless a field says otherwise.
type Stats struct {
	// Packets and Bytes count RTP, headers included. RTCPPackets counts RTCP datagrams. Datagrams counts DTLS and
	// UDPTL, and Fax the UDPTL of them, with or without DTLS.
	Packets, Bytes, RTCPPackets, Datagrams, Fax uint64
	// UnknownSource counts packets that were dropped because they came from another address than the learnt one.
	// Probation counts dropped packets of a source that may become the learnt one. Invalid counts packets that are
	// neither RTP nor RTCP nor otherwise admitted.
	UnknownSource, Probation, Invalid uint64
	// Contests counts how often two sources at unknown hosts claimed the stream.
	Contests uint64
	// Unsent counts valid packets that were not sent, because the other side's address is not known or the system
	// refused to send them.
	Unsent uint64
	// Lost counts lost RTP packets by sequence number (RFC 3550 appendix A.3), over all sources of the side. It is
	// negative if packets were duplicated. Late counts packets out of order or received twice; A.3 counts them as
	// received.
	Lost int64
	Late uint64
	// Jitter is that of the current source by appendix A.8, without telephone events.
	Jitter time.Duration
	// SSRCChanges counts how often an RTP packet had another SSRC than the one before.
	SSRCChanges uint64
	// ComfortNoise counts packets of payload type 13 (RFC 3389), which are in Packets too.
	ComfortNoise uint64
	// Digits counts telephone events 0 to 15, the keys of a telephone (RFC 4733 section 3.2), once for each timestamp.
	// An event that its sender splits because it is long counts once for each part. Encrypted ones are not counted.
	Digits uint64
	// SenderReports, ReceiverReports and Goodbyes count RTCP packets SR, RR and BYE. Of encrypted RTCP only the first
	// packet of each datagram is seen.
	SenderReports, ReceiverReports, Goodbyes uint64
	// LastMedia is when the last packet of RTP or UDPTL arrived; zero: none has. It has a monotonic reading.
	LastMedia time.Time
	// Level is the level of G.711 sound.
	Level Level
}

// Plus returns the counts of two streams, one after the other or beside each other.
func (s Stats) Plus(o Stats) Stats {
	s.Packets, s.Bytes, s.RTCPPackets = s.Packets+o.Packets, s.Bytes+o.Bytes, s.RTCPPackets+o.RTCPPackets
	s.Datagrams, s.Fax = s.Datagrams+o.Datagrams, s.Fax+o.Fax
	s.UnknownSource, s.Probation, s.Invalid, s.Unsent = s.UnknownSource+o.UnknownSource, s.Probation+o.Probation,
		s.Invalid+o.Invalid, s.Unsent+o.Unsent
	s.Contests += o.Contests
	s.Lost, s.Late, s.SSRCChanges = s.Lost+o.Lost, s.Late+o.Late, s.SSRCChanges+o.SSRCChanges
	s.ComfortNoise, s.Digits = s.ComfortNoise+o.ComfortNoise, s.Digits+o.Digits
	s.SenderReports, s.ReceiverReports, s.Goodbyes = s.SenderReports+o.SenderReports,
		s.ReceiverReports+o.ReceiverReports, s.Goodbyes+o.Goodbyes
	s.Jitter = max(s.Jitter, o.Jitter)
	if o.LastMedia.After(s.LastMedia) {
		s.LastMedia = o.LastMedia
	}
	s.Level = s.Level.plus(o.Level)
	return s
}

// Stats returns the counts of what arrived from that side. A closed session keeps them.
func (s *Session) Stats(side Side) Stats {
	e := &s.ends[side]
	e.mu.Lock()
	defer e.mu.Unlock()
	st := e.stats
	st.Lost, st.Late, st.SSRCChanges, st.Jitter = e.rtp.lost(), e.rtp.late, e.rtp.changes, e.rtp.jitterTime()
	return st
}

// measure counts an RTP packet. elapsed is its time since the session began. It reports whether the packet is the first
// one of a hook flash.
func (e *end) measure(p *packet, b []byte, now time.Time, elapsed time.Duration) (flash bool) {
	e.stats.Packets++
	e.stats.Bytes += uint64(len(b))
	e.stats.LastMedia = now
	pt := p.header.PayloadType
	e.rtp.take(p.header.SSRC, p.header.SequenceNumber)
	if e.payload.Events.Has(pt) {
		var digit bool
		if digit, flash = e.events.take(p, b); digit && e.payload.Clear {
			e.stats.Digits++
		}
		// All packets of an event have the timestamp of its beginning. Appendix A.8 would take its length for jitter.
		return flash
	}
	clock := e.payload.Clocks.of(pt)
	e.rtp.time(p.header.Timestamp, units(elapsed, clock), clock)
	if pt == comfortNoise {
		e.stats.ComfortNoise++
	}
	if e.payload.Clear {
		e.stats.Level.take(pt, p.sound(b))
	}
	return false
}

// Packet types of RTCP (RFC 3550 section 12.1).
const (
	rtcpSR  = 200
	rtcpRR  = 201
	rtcpBYE = 203
)

// countReports counts the packets of an RTCP datagram (RFC 3550 section 6.1). Without clear it counts only the first:
// SRTCP encrypts all but the first eight bytes (RFC 3711 section 3.4).
func (s *Stats) countReports(b []byte, clear bool) {
	for len(b) >= 4 && b[0]>>6 == 2 {
		switch b[1] {
		case rtcpSR:
			s.SenderReports++
		case rtcpRR:
			s.ReceiverReports++
		case rtcpBYE:
			s.Goodbyes++
		}
		n := 4 * (1 + int(binary.BigEndian.Uint16(b[2:])))
		if !clear || n > len(b) {
			return
		}
		b = b[n:]
	}
}
