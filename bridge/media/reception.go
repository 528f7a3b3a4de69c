package media

import "time"

// Jumps of the sequence number that still belong to the same run (RFC 3550 appendix A.1, from memory), in packets.
const (
	maxDropout  = 3000
	maxMisorder = 100
)

// reception holds the receiver's statistics of one side's RTP (RFC 3550 appendices A.1, A.3 and A.8). There is no
// probation: the relay passes the first packet, so it counts it. The zero value has received nothing. Not safe for
// concurrent use.
type reception struct {
	running bool
	ssrc    uint32

	base, max uint16
	cycles    uint32 // wraps of the sequence number, in steps of 65536
	received  int64
	next      uint32 // the sequence number that would confirm a jump; noJump if no jump is suspected
	earlier   int64  // packets lost in earlier runs
	late      uint64 // received out of order or twice
	changes   uint64 // of the SSRC

	timed   bool
	clock   uint32 // of the last packet, in Hz
	transit uint32
	jitter  uint32 // 16 times the estimate, in timestamp units (RFC 3550 appendix A.8)
}

// noJump is a value outside the range of sequence numbers.
const noJump = 1 << 16

// take counts a packet.
func (r *reception) take(ssrc uint32, seq uint16) {
	if !r.running || ssrc != r.ssrc {
		if r.running {
			r.changes++
		}
		r.restart(seq)
		r.running, r.ssrc, r.timed, r.jitter = true, ssrc, false, 0
	} else {
		r.order(seq)
	}
}

// restart begins a new run of sequence numbers. The losses of the old run stay counted.
func (r *reception) restart(seq uint16) {
	r.earlier = r.lost()
	r.base, r.max, r.cycles, r.received, r.next = seq, seq, 0, 1, noJump
}

// order is update_seq of RFC 3550 appendix A.1.
func (r *reception) order(seq uint16) {
	switch ahead := seq - r.max; {
	case ahead == 0:
		r.late++
	case ahead < maxDropout:
		if seq < r.max {
			r.cycles += 1 << 16
		}
		r.max = seq
	case ahead <= 1<<16-maxMisorder:
		// The first packet of a jump is not counted. A second one in order means that the sender has restarted.
		if uint32(seq) != r.next {
			r.next = uint32(seq + 1)
			return
		}
		r.restart(seq)
		return
	default:
		r.late++
	}
	r.received++ // in order, late or duplicated
}

// time computes the jitter of appendix A.8 in its integer form. timestamp is that of the packet last taken. arrival is
// its arrival time in the same units, from any epoch. Both count at the clock rate, in Hz.
func (r *reception) time(timestamp, arrival, clock uint32) {
	if clock != r.clock {
		if r.clock != 0 {
			r.jitter = uint32(uint64(r.jitter) * uint64(clock) / uint64(r.clock))
		}
		r.clock, r.timed = clock, false
	}
	transit := arrival - timestamp
	if r.timed {
		d := int32(transit - r.transit)
		d = max(d, -d)
		r.jitter += uint32(d) - (r.jitter+8)>>4
	}
	r.timed, r.transit = true, transit
}

// lost returns the packets expected minus those received (appendix A.3), over all runs. It is negative if packets were
// duplicated.
func (r *reception) lost() int64 {
	if !r.running {
		return 0
	}
	expected := int64(r.cycles) + int64(r.max) - int64(r.base) + 1
	return r.earlier + expected - r.received
}

// jitterTime returns the jitter as a duration.
func (r *reception) jitterTime() time.Duration {
	if r.clock == 0 {
		return 0
	}
	return time.Duration(r.jitter) * time.Second / (16 * time.Duration(r.clock))
}

// units converts a time since the epoch to timestamp units. It wraps as timestamps do.
func units(d time.Duration, clock uint32) uint32 {
	return uint32(int64(d/time.Second)*int64(clock) + int64(d%time.Second)*int64(clock)/int64(time.Second))
}
