package media

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestContinuesStreamBounds: a stream continues at another address from the next sequence number on, within RFC 3550's
// MAX_DROPOUT. Its timestamp is between 8000 Hz, a second late, and 90 kHz, a second early (our own numbers). Both may
// wrap.
func TestContinuesStreamBounds(t *testing.T) {
	const seq, timestamp = 65535, 1<<32 - 1
	heard := time.Unix(1000, 0)
	last := packetRun{is: true, rtp: true, source: 7, seq: seq, time: timestamp}
	continues := func(last packetRun, source uint32, ahead, units int, elapsed time.Duration) bool {
		p := peer{learnt: named, lastPacket: heard, last: last}
		r := packetRun{is: true, rtp: true, source: source, seq: uint16(seq + ahead), time: uint32(timestamp + units)}
		return p.continuesStream(r, heard.Add(elapsed))
	}
	for _, c := range []struct {
		elapsed     time.Duration
		least, most int // in timestamp units
	}{
		{0, -8000, 90_000}, {500 * time.Millisecond, -4000, 135_000}, {time.Second, 0, 180_000},
		{1500 * time.Millisecond, 4000, 225_000}, {3 * time.Second, 16_000, 360_000},
		{time.Hour, 3599 * 8000, 3601 * 90_000},
	} {
		for units, want := range map[int]bool{c.least - 1: false, c.least: true, c.most: true, c.most + 1: false} {
			require.Equal(t, want, continues(last, 7, 1, units, c.elapsed), "%d units after %v", units, c.elapsed)
		}
	}
	for ahead, want := range map[int]bool{-1: false, 0: false, 1: true, maxDropout - 1: true, maxDropout: false} {
		require.Equal(t, want, continues(last, 7, ahead, 160, ms20), "%d ahead", ahead)
	}
	require.False(t, continues(last, 8, 1, 160, ms20), "another source")
	last.rtp = false
	require.False(t, continues(last, 7, 1, 160, ms20), "no RTP has arrived before")
}

// TestLongestIdleCandidateMakesRoom checks that a new source gets the entry of the candidate that has made no progress
// for the longest time.
func TestLongestIdleCandidateMakesRoom(t *testing.T) {
	const oldest = 2
	for host, want := range map[int]int{0: 1, 1: 1, oldest: 0, 3: 1} {
		l := newLatchingTest(private, sources(true))
		at := func(i int) netip.AddrPort {
			return netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 18, 0, byte(i)}), 4000)
		}
		for i := range maxCandidates {
			require.Zero(t, l.send(at(i), uint32(i), 1, 1, 0))
		}
		for _, i := range []int{oldest, 3, 0, 1} {
			require.Zero(t, l.send(at(i), uint32(i), 2, 8, ms20))
		}
		require.Zero(t, l.send(another, 9, 1, 1, candidateIdle))
		require.Equal(t, want, l.send(at(host), uint32(host), 10, 1, 0), "host %d", host)
	}
}

// TestRestartDiscardsCandidates checks that a new address in SDP, or an answer, discards everything counted before it.
func TestRestartDiscardsCandidates(t *testing.T) {
	for name, begin := range map[string]func(l *latchingTest, to netip.AddrPort){
		"SDP":    func(l *latchingTest, to netip.AddrPort) { l.expect(to, l.now) },
		"answer": func(l *latchingTest, to netip.AddrPort) { l.answer() },
	} {
		elsewhere := netip.AddrPortFrom(private.Addr(), 9)
		l := newLatchingTest(private, sources(true)) // during the probation
		require.Zero(t, l.send(another, 1, 1, 9, 0), name)
		begin(l, elsewhere)
		require.Zero(t, l.send(another, 1, 10, 9, ms20), name)
		require.Equal(t, 1, l.send(another, 1, 19, 1, ms20), name)

		l = newLatchingTest(private, sources(true)) // during a contest
		l.send(another, 1, 1, 10, 0)
		require.Zero(t, l.send(third, 2, 1, 10, ms20), name)
		require.True(t, l.contested, name)
		begin(l, elsewhere)
		require.Equal(t, 1, l.send(third, 2, 11, 10, ms20), name)
		require.Equal(t, third, l.target(), name)

		l = newLatchingTest(named, sources(true)) // after the notice
		for range 2 {
			require.Zero(t, l.send(another, 1, 1, 9, silentFor), name)
			require.Equal(t, ignored, l.receive(another, 1, 10, negotiated), name)
			require.Zero(t, l.send(another, 1, 11, 20, ms20), name)
			begin(l, moved)
		}
	}

	// The source that the SDP now names had replaced another one, whose late packets no longer pass.
	l := newLatchingTest(private, sources(true))
	l.send(another, 7, 1, 10, 0)
	require.Equal(t, 1, l.send(third, 7, 11, 3, ms20))
	require.Equal(t, passes, l.receive(another, 7, 10, negotiated), "late")
	l.expect(third, l.now)
	require.Equal(t, unknownSource, l.receive(another, 7, 10, negotiated))

	for late, want := range map[time.Duration]decision{relearnAfter - 1: passes, relearnAfter: unknownSource} {
		l = newLatchingTest(private, sources(true))
		l.send(another, 1, 1, 10, 0)
		l.expect(named, l.now)
		require.Equal(t, want, l.later(late).receive(another, 1, 11, negotiated), late)
	}

	l = newLatchingTest(named, sources(false)) // nothing was sent to the previous source
	l.send(another, 1, 1, 10, 0)
	require.Equal(t, named, l.target())
	require.Equal(t, 1, l.send(moved, 2, 1, 1, ms20))
	require.Equal(t, moved, l.target())

	l = newLatchingTest(private, sources(true)) // after an answer, its first packet makes it new again
	l.send(another, 1, 1, 10, 0)
	l.later(time.Minute).answer()
	require.Equal(t, 1, l.send(another, 1, 11, 1, 0))
	require.Zero(t, l.send(third, 2, 1, 10, ms20))
	require.Equal(t, private, l.target(), "they compete")

	// The stream continues from its last RTP packet, not from an RTCP packet after it.
	l = newLatchingTest(named, sources(true))
	l.send(named, 7, 1, 10, 0)
	require.Equal(t, passes, l.accept(named, packetRun{}, l.now, l.sideTrust))
	require.Equal(t, 1, l.send(another, 7, 11, 3, ms20))
}

// TestLoyalSourceIsForgotten: the earlier source of an emergency call still receives the media while packets of another
// source pass. That ends when SDP names another address, or when its own stream continues at another address.
func TestLoyalSourceIsForgotten(t *testing.T) {
	from := func(loyal netip.AddrPort) *latchingTest {
		l := newLatchingTest(named, sources(true))
		l.emergencySince, l.silenceLimit = l.now, silentFor
		require.Equal(t, 1, l.send(loyal, 7, 1, 1, 0))
		l.send(another, 2, 1, 3, silentFor)
		require.Equal(t, passes, l.receive(another, 2, 4, negotiated))
		require.Equal(t, loyal, l.target())
		return l
	}
	from(otherPort)
	begin := func() *latchingTest { return from(named) }
	l := begin()
	l.expect(moved, l.now)
	require.Equal(t, moved, l.target())

	l = begin()
	require.Equal(t, 1, l.send(named, 7, 110, 1, ms20))
	require.Equal(t, 1, l.send(third, 7, 111, 3, ms20))
	require.Equal(t, third, l.target())
	require.Zero(t, l.send(another, 2, 200, 3, silentFor))
	require.Equal(t, another, l.target(), "no other listener is known")
}

// TestUnconfirmedSourceIsReplacedAtOnce: an answer restarts latching. Until the learnt source sends again, another one
// at an unknown host may replace it, however recently it sent before the answer. After that the two compete; in an
// emergency call the learnt one stays.
func TestUnconfirmedSourceIsReplacedAtOnce(t *testing.T) {
	for _, c := range []struct {
		emergency bool
		again     int // packets of the learnt source after the answer
		want      netip.AddrPort
	}{{false, 0, third}, {true, 0, third}, {false, 1, private}, {true, 1, another}} {
		l := newLatchingTest(private, sources(true))
		if c.emergency {
			l.emergencySince, l.silenceLimit = l.now, time.Hour
		}
		l.send(another, 1, 1, 200, 0) // 4 s
		l.answer()
		l.send(another, 1, 201, c.again, ms20)
		l.send(third, 2, 1, unknownPackets, ms20)
		require.Equal(t, c.want, l.target(), "%+v", c)
	}
}
