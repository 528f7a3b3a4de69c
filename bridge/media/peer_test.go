package media

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	named     = netip.MustParseAddrPort("192.0.2.1:4000") // the address in the SDP
	moved     = netip.MustParseAddrPort("192.0.2.1:4100")
	otherPort = netip.MustParseAddrPort("192.0.2.1:9")
	private   = netip.MustParseAddrPort("192.168.7.20:4000") // in the SDP of a far end behind a NAT
	proxy     = netip.MustParseAddrPort("192.0.2.2:4000")    // at the host of the signalling
	listed    = netip.MustParseAddrPort("192.0.2.70:4000")   // in the user's networks
	another   = netip.MustParseAddrPort("192.0.2.133:4000")
	third     = netip.MustParseAddrPort("192.0.2.134:4000")
)

const (
	ms20                  = 20 * time.Millisecond
	negotiated, unheardOf = 8, 99 // payload types
)

// sources returns a sideTrust for a test.
func sources(answered bool) *sideTrust {
	t := &sideTrust{signalling: proxy.Addr(), networks: []netip.Prefix{netip.MustParsePrefix("192.0.2.64/26")},
		answered: answered}
	t.types.Add(negotiated)
	return t
}

// latchingTest is a peer with a clock.
type latchingTest struct {
	peer
	*sideTrust
	now time.Time
}

func newLatchingTest(expected netip.AddrPort, t *sideTrust) *latchingTest {
	l := &latchingTest{sideTrust: t, now: time.Unix(1000, 0)}
	l.expect(expected, l.now)
	return l
}

// send has a source send n packets of 20 ms after a pause. It returns how many passed.
func (l *latchingTest) send(from netip.AddrPort, ssrc uint32, seq, n int, pause time.Duration) (passed int) {
	l.now = l.now.Add(pause)
	for i := range n {
		if i > 0 {
			l.now = l.now.Add(ms20)
		}
		if l.receive(from, ssrc, seq+i, negotiated) == passes {
			passed++
		}
	}
	return passed
}

func (l *latchingTest) receive(from netip.AddrPort, ssrc uint32, seq int, pt uint8) decision {
	return l.accept(from, packetRun{is: true, rtp: true, pt: pt, source: ssrc, seq: uint16(seq),
		time: uint32(160 * seq)}, l.now, l.sideTrust)
}

// step is a run of packets, and how many of them pass.
type step struct {
	pause  time.Duration // since the previous packet
	from   netip.AddrPort
	ssrc   uint32
	seq, n int
	want   int
	to     netip.AddrPort // destination of packets afterwards
}

// TestLatching checks which sources pass and where packets go in an answered call. The probation is that of RFC 3550
// appendix A.1, from memory. That a sender receives at the address it sends from is RFC 4961. The rest is our own.
func TestLatching(t *testing.T) {
	for _, c := range []struct {
		name     string
		expected netip.AddrPort
		steps    []step
	}{
		{"the host that is named, at any port", named, []step{{0, moved, 1, 1, 1, 1, moved}}},
		{"the address that is named is better", named, []step{{0, moved, 1, 1, 1, 1, moved},
			{ms20, named, 2, 9, 1, 1, named}, {ms20, moved, 1, 2, 20, 0, named}}},
		{"where the signalling comes from", named, []step{{0, proxy, 1, 1, 1, 1, proxy},
			{ms20, named, 2, 9, 1, 1, named}, {ms20, proxy, 1, 2, 20, 0, named}}},
		{"the user's networks", named, []step{{0, listed, 1, 1, 1, 1, listed}}},
		{"sprayed: never sent", named, []step{{0, another, 1, 1, 500, 0, named}, {ms20, named, 2, 1, 1, 1, named}}},
		{"sprayed: silent", named, []step{{0, named, 1, 1, 1, 1, named}, {time.Minute, another, 2, 1, 500, 0, named},
			{ms20, named, 1, 2, 1, 1, named}}},
		{"sprayed: silent, at another port", named, []step{{0, moved, 1, 1, 1, 1, moved},
			{silentFor, another, 2, 1, 500, 0, moved}}},
		{"a translator: ten in a row", private, []step{{0, another, 1, 9, 9, 0, private},
			{ms20, another, 1, 18, 1, 1, another}}},
		{"a translator: late", private, []step{{time.Hour, another, 1, 9, 11, 2, another}}},
		{"a translator: one of them lost", private, []step{{0, another, 1, 1, 5, 0, private},
			{2 * ms20, another, 1, 7, 5, 1, another}}},
		{"a translator: two of them lost are another beginning", private, []step{
			{0, another, 1, 1, 9, 0, private}, {3 * ms20, another, 1, 12, 9, 0, private},
			{ms20, another, 1, 21, 1, 1, another}}},
		{"a translator: over the wrap", private, []step{{0, another, 1, 65530, 10, 1, another}}},
		{"a translator: doubled packets do not count, nor do they harm", private, []step{
			{0, another, 1, 1, 9, 0, private}, {0, another, 1, 9, 1, 0, private}, {0, another, 1, 9, 1, 0, private},
			{ms20, another, 1, 10, 1, 1, another}}},
		{"a translator: another beginning", private, []step{{0, another, 1, 1, 9, 0, private},
			{ms20, another, 1, 500, 9, 0, private}, {ms20, another, 2, 509, 9, 0, private}}},
		{"a translator: the signalling's host at once, and it stays", private,
			[]step{{0, proxy, 1, 1, 1, 1, proxy}, {time.Minute, another, 2, 1, 500, 0, proxy}}},
		{"a translator: who is named is better, and stays", private, []step{
			{0, another, 1, 1, 10, 1, another}, {ms20, private, 2, 1, 1, 1, private},
			{ms20, another, 1, 11, 20, 0, private}, {time.Minute, another, 1, 700, 20, 0, private}}},
		{"a translator: a shorter pause is none", private, []step{
			{0, another, 1, 1, 9, 0, private}, {silentFor - 1, another, 1, 10, 1, 1, another}}},
		{"a translator: a pause of 2 s is another beginning", private, []step{
			{0, another, 1, 1, 9, 0, private}, {silentFor, another, 1, 10, 9, 0, private},
			{ms20, another, 1, 19, 1, 1, another}}},
		{"two compete: none", private, []step{
			{0, another, 1, 1, 10, 1, another}, {0, third, 2, 1, 9, 0, another}, {ms20, third, 2, 10, 1, 0, private},
			{ms20, third, 2, 11, 50, 0, private}, {time.Minute, another, 1, 100, 50, 0, private},
			{0, proxy, 3, 1, 1, 1, proxy}}},
		{"too late to compete", private, []step{{0, another, 1, 1, 101, 92, another}, {0, third, 2, 1, 50, 0, another},
			{0, another, 1, 150, 1, 1, another}}},
		{"who sprayed once competes with who comes later", private,
			[]step{{0, another, 1, 1, 10, 1, another}, {time.Minute, third, 2, 1, 10, 0, private},
				{ms20, another, 1, 11, 20, 0, private}}},
		{"injected in a pause", named, []step{{0, named, 1, 1, 1, 1, named}, {silentFor - 1, moved, 2, 1, 1, 0, named},
			{0, named, 1, 2, 1, 1, named}}},
		{"moved to another port, once the one before is silent", named,
			[]step{{0, moved, 1, 1, 1, 1, moved}, {silentFor, otherPort, 2, 1, 3, 1, otherPort},
				{ms20, moved, 1, 2, 9, 0, otherPort}}},
		{"another port of the host it was at, once that is silent", private, []step{
			{0, another, 1, 1, 10, 1, another}, {silentFor, netip.AddrPortFrom(another.Addr(), 77), 2, 1, 4, 2,
				netip.AddrPortFrom(another.Addr(), 77)}}},
		{"not gone after all", named, []step{{0, moved, 1, 1, 1, 1, moved}, {silentFor, otherPort, 2, 1, 2, 0, moved},
			{ms20, moved, 1, 2, 1, 1, moved}, {ms20, otherPort, 2, 3, 9, 0, moved}}},
		{"its stream goes on elsewhere, and late packets pass", named, []step{
			{0, named, 7, 100, 50, 50, named}, {ms20, another, 7, 150, 3, 1, another},
			{0, named, 7, 149, 1, 1, another}, {ms20, another, 7, 153, 9, 9, another}}},
		{"its stream goes on elsewhere after long", named, []step{{0, named, 7, 1, 4000, 4000, named},
			{ms20, another, 7, 4001, 3, 1, another}}},
		{"its stream goes on elsewhere after a pause", named, []step{{0, named, 7, 1, 1, 1, named},
			{10 * time.Second, another, 7, 501, 4, 2, another}}},
		{"its source, but not its number", named, []step{{0, named, 7, 100, 1, 1, named},
			{10 * time.Second, another, 7, 90, 5, 0, named}, {0, another, 7, 100 + maxDropout, 20, 0, named}}},
		{"its number, but not its source", named, []step{{0, named, 7, 100, 1, 1, named},
			{10 * time.Second, another, 8, 600, 20, 0, named}}},
		{"its source and number, but a time to come", named, []step{{0, named, 7, 100, 1, 1, named},
			{ms20, another, 7, 1600, 20, 0, named}}},
		{"its source and number, but not its time", named, []step{{0, named, 7, 100, 1, 1, named},
			{10 * time.Second, another, 7, 101, 20, 0, named}}},
		{"taken back, it proves itself anew", named, []step{
			{0, named, 7, 100, 1, 1, named}, {ms20, another, 7, 101, 3, 1, another},
			{ms20, moved, 7, 103, 1, 1, moved}, {0, another, 7, 104, 2, 0, moved},
			{ms20, another, 7, 106, 1, 1, another}}},
		{"a translator: taken back, it proves itself anew", private, []step{
			{0, another, 7, 1, 10, 1, another}, {ms20, proxy, 7, 10, 1, 1, proxy},
			{0, another, 7, 11, 2, 0, proxy}, {ms20, another, 7, 13, 1, 1, another}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLatchingTest(c.expected, sources(true))
			for i, s := range c.steps {
				require.Equal(t, s.want, l.send(s.from, s.ssrc, s.seq, s.n, s.pause), "step %d", i+1)
				require.Equal(t, s.to, l.target(), "step %d", i+1)
			}
		})
	}
}

// TestUnnegotiatedPayloadType checks that packets of a type that was not negotiated do not get an unknown host
// followed, and do not prevent it either.
func TestUnnegotiatedPayloadType(t *testing.T) {
	l := newLatchingTest(private, sources(true))
	for seq := range 100 {
		require.Equal(t, unknownSource, l.receive(another, 1, seq, unheardOf))
		l.now = l.now.Add(ms20)
	}
	for seq := range 9 {
		require.Equal(t, unproven, l.receive(another, 1, 200+seq, negotiated))
		require.Equal(t, unknownSource, l.receive(third, 2, 200+seq, unheardOf))
	}
	require.Equal(t, passes, l.receive(another, 1, 210, negotiated),
		"comfort noise in between (RFC 3389), of a type that nobody named")
	require.Equal(t, passes, newLatchingTest(named, sources(true)).receive(named, 1, 1, unheardOf),
		"the address that SDP names is not asked")
}

// TestWithoutRTP: DTLS and UDPTL have no payload types. A packet without a sequence number counts for nothing.
func TestWithoutRTP(t *testing.T) {
	l := newLatchingTest(private, sources(true))
	for seq := range uint16(9) {
		require.Equal(t, unproven, l.accept(another, packetRun{is: true, seq: seq}, l.now, l.sideTrust))
		require.Equal(t, unknownSource, l.accept(another, packetRun{}, l.now, l.sideTrust))
	}
	require.Equal(t, passes, l.accept(another, packetRun{is: true, seq: 9}, l.now, l.sideTrust))
	require.Equal(t, passes, l.accept(another, packetRun{}, l.now, l.sideTrust), "RTCP on the RTP port (RFC 5761)")
}

// TestEarlyMedia: before any answer, packets from an unknown host pass, and nothing is sent to it (RFC 3960 section 3.1
// describes media that arrives before its description). The answer ends that, except for late packets.
func TestEarlyMedia(t *testing.T) {
	for _, expected := range []netip.AddrPort{named, {}} {
		l := newLatchingTest(expected, sources(false))
		require.Equal(t, 11, l.send(another, 1, 1, 20, 0))
		require.Equal(t, expected, l.target())
		var reports peer
		reports.expect(netip.AddrPortFrom(named.Addr(), 4001), l.now)
		require.Equal(t, unknownSource, reports.acceptReport(netip.AddrPortFrom(another.Addr(), 4001), &l.peer, l.now,
			l.sideTrust))
		l.answer()
		l.expect(named, l.now)
		require.Equal(t, named, l.target())
		if expected.IsValid() {
			require.Equal(t, 5, l.send(another, 1, 21, 5, ms20), "late packets")
		}
		require.Zero(t, l.send(another, 1, 26, 20, relearnAfter))
		require.Zero(t, l.send(third, 2, 1, 50, 0))
		require.Equal(t, 1, l.send(named, 3, 1, 1, 0))
		require.Zero(t, l.send(another, 1, 500, 50, relearnAfter))
	}

	l := newLatchingTest(named, sources(false))
	l.send(another, 1, 1, 10, 0)
	l.expect(netip.AddrPortFrom(another.Addr(), 9), l.now)
	require.Equal(t, another.Addr(), l.target().Addr(), "its host has become known")

	l = newLatchingTest(named, sources(false)) // one announcement after the other
	require.Equal(t, 1, l.send(another, 1, 1, 10, 0))
	require.Equal(t, 2, l.send(third, 2, 1, 11, silentFor))
	require.Zero(t, l.send(another, 1, 11, 20, ms20), "two at once are not allowed")
	require.Zero(t, l.send(third, 2, 12, 20, ms20))

	// the pause lasts until the tenth packet of the next source
	for pause, passed := range map[time.Duration]int{silentFor: 1, silentFor - 1: 0} {
		l = newLatchingTest(named, sources(false))
		require.Equal(t, 1, l.send(another, 1, 1, 10, 0))
		require.Equal(t, passed, l.send(third, 2, 1, 10, pause-9*ms20), pause)
	}

	l = newLatchingTest(named, sources(false)) // nothing is sent to another port of its host either
	require.Equal(t, 1, l.send(another, 1, 1, 10, 0))
	require.Equal(t, 1, l.send(netip.AddrPortFrom(another.Addr(), 77), 2, 1, 3, silentFor))
	require.Equal(t, named, l.target())
	l.review(l.sideTrust) // its host is still unknown
	require.Equal(t, named, l.target())
	l.signalling = another.Addr()
	l.review(l.sideTrust)
	require.Equal(t, another.Addr(), l.target().Addr())

	l = newLatchingTest(private, sources(false))
	require.Equal(t, 1, l.send(another, 1, 1, 10, 0))
	require.Equal(t, another, l.target(), "the SDP is misleading")
	l.answer()
	require.Equal(t, 1, l.send(another, 1, 11, 1, ms20), "it stays after the answer")
	require.Equal(t, another, l.target())
}

func (l *latchingTest) answer() {
	l.answered = true
	l.restartLatching(l.now)
}

// TestSideBySide: two sources at unknown hosts are watched at the same time, and the second to send ten packets
// competes with the first. A second port of one host waits until the first port makes no more progress.
func TestSideBySide(t *testing.T) {
	l := newLatchingTest(private, sources(true))
	for seq := range 9 {
		require.Equal(t, unproven, l.receive(another, 1, seq, negotiated))
		require.Equal(t, unproven, l.receive(third, 2, seq, negotiated))
		l.now = l.now.Add(ms20)
	}
	require.Equal(t, passes, l.receive(another, 1, 9, negotiated))
	require.Equal(t, competes, l.receive(third, 2, 9, negotiated))

	for pause, passed := range map[time.Duration]int{candidateIdle: 1, candidateIdle - 1: 0} {
		l = newLatchingTest(private, sources(true))
		require.Zero(t, l.send(another, 1, 1, 2, 0))
		require.Zero(t, l.send(netip.AddrPortFrom(another.Addr(), 77), 2, 1, 1, pause))
		require.Equal(t, passed, l.send(netip.AddrPortFrom(another.Addr(), 77), 2, 2, 9, 0), pause)
	}
}

// TestAnswerRestartsLatching checks that an answer with the same SDP restarts latching, and that a source that keeps
// sending loses nothing.
func TestAnswerRestartsLatching(t *testing.T) {
	l := newLatchingTest(named, sources(true))
	l.send(moved, 1, 1, 10, 0)
	l.answer()
	require.Equal(t, moved, l.target(), "a silent far end still receives media")
	require.Equal(t, 1, l.send(otherPort, 2, 1, 1, ms20), "at once, from the first packet on")
	require.Zero(t, l.send(moved, 1, 11, 1, ms20))
	l.answer()
	require.Zero(t, l.send(another, 2, 1, 50, time.Minute))
	require.Equal(t, 1, l.send(otherPort, 2, 11, 1, ms20))
	require.Zero(t, l.send(moved, 1, 12, 1, ms20))

	l = newLatchingTest(private, sources(true))
	l.send(another, 1, 1, 10, 0)
	l.answer()
	require.Equal(t, another, l.target())
	require.Equal(t, 1, l.send(third, 2, 1, 10, ms20), "the previous source has been silent since")
	require.Equal(t, third, l.target())
	require.Zero(t, l.send(another, 1, 200, 10, ms20), "now they compete")
	require.Equal(t, private, l.target())
	l.answer()
	require.Equal(t, 1, l.send(third, 2, 50, 10, ms20), "latching has restarted")
}

// TestSDPChange checks that a new address (c= or m=) restarts latching. Late packets of the old source pass and are not
// learnt.
func TestSDPChange(t *testing.T) {
	for _, to := range []netip.AddrPort{moved, proxy, another} {
		l := newLatchingTest(named, sources(true))
		l.send(named, 1, 1, 10, 0)
		l.expect(to, l.now)
		require.Equal(t, to, l.target())
		require.Equal(t, 5, l.send(named, 1, 11, 5, ms20))
		require.Equal(t, to, l.target(), "its packets were only late")
		require.Equal(t, 1, l.send(to, 1, 16, 1, ms20))
		require.Equal(t, 1, l.send(named, 1, 15, 1, ms20))
		require.Equal(t, to, l.target())
		require.Zero(t, l.send(third, 9, 1, 50, time.Minute))
	}
	l := newLatchingTest(named, sources(true)) // to the address that it already sends from
	l.send(moved, 1, 1, 10, 0)
	l.expect(moved, l.now)
	require.Equal(t, 1, l.send(moved, 1, 11, 1, ms20))
	require.Zero(t, l.send(proxy, 2, 1, 1, ms20))
	require.Equal(t, moved, l.target())
}

// TestSourceSignalledLater checks that a source learnt before any SDP stays if its host is that in the SDP.
func TestSourceSignalledLater(t *testing.T) {
	l := newLatchingTest(netip.AddrPort{}, sources(true))
	require.Equal(t, 1, l.send(proxy, 1, 1, 1, 0))
	l.expect(netip.AddrPortFrom(proxy.Addr(), 9), l.now)
	require.Equal(t, proxy, l.target())
	l = newLatchingTest(netip.AddrPort{}, sources(true))
	require.Equal(t, 1, l.send(proxy, 1, 1, 1, 0))
	l.expect(named, l.now)
	require.Equal(t, named, l.target())
	require.Zero(t, newLatchingTest(netip.AddrPort{}, sources(true)).send(another, 1, 1, 50, 0), "no address was known")
}

// TestUnusableAddressesInSDP checks for which addresses in SDP an unknown host may be followed (RFC 1918, RFC 4193, RFC
// 3927, RFC 6598).
func TestUnusableAddressesInSDP(t *testing.T) {
	for said, want := range map[string]bool{
		"10.0.0.1": true, "172.16.0.1": true, "192.168.0.1": true, "169.254.0.1": true, "100.64.0.1": true,
		"fd00::1": true, "fe80::1": true,
		"192.0.2.1": false, "127.0.0.1": false, "100.128.0.1": false, "2001:db8::1": false,
	} {
		a := netip.MustParseAddr(said)
		require.Equal(t, want, (&sideTrust{}).unusableAddress(a), said)
		require.Equal(t, want, (&sideTrust{signalling: named.Addr()}).unusableAddress(a) && a != named.Addr(), said)
		require.False(t, (&sideTrust{signalling: a}).unusableAddress(a), "%s, and the signalling comes from there",
			said)
		require.True(t, (&sideTrust{signalling: a, unreachable: true}).unusableAddress(a), said)
	}
	require.False(t, (&sideTrust{}).unusableAddress(netip.Addr{}))
}

// TestEmergencyLatching: if an answered emergency call had no sound from a side for 2 s, any source that sends three
// packets in a row is accepted, with a notice. A source of higher standing takes over, and competitors change nothing.
func TestEmergencyLatching(t *testing.T) {
	for _, expected := range []netip.AddrPort{named, private, {}} {
		l := newLatchingTest(expected, sources(true))
		l.emergencySince, l.silenceLimit = l.now, silentFor
		require.Zero(t, l.send(another, 1, 1, 5, 0))
		l.now = l.emergencySince.Add(silentFor - 1)
		require.NotContains(t, []decision{passes, passesRelaxed}, l.receive(third, 5, 1, unheardOf))
		l.now = l.emergencySince.Add(silentFor)
		require.Equal(t, unproven, l.receive(another, 2, 1, unheardOf))
		require.Equal(t, unproven, l.receive(another, 2, 2, unheardOf))
		require.Equal(t, passesRelaxed, l.receive(another, 2, 3, unheardOf))
		require.Equal(t, 50, l.send(another, 2, 4, 50, ms20))
		require.Zero(t, l.send(third, 3, 1, 50, 0))
		require.Equal(t, another, l.target())
		require.Equal(t, 1, l.send(proxy, 4, 1, 1, 0))
		require.Equal(t, proxy, l.target())
	}

	l := newLatchingTest(named, sources(true)) // the side fell silent during the call
	l.emergencySince, l.silenceLimit = l.now, silentFor
	require.Equal(t, 100, l.send(named, 1, 1, 100, 0))
	require.Zero(t, l.send(another, 2, 1, 3, silentFor-3*ms20))
	require.Equal(t, []decision{unproven, unproven, passesRelaxed},
		[]decision{l.later(silentFor).receive(another, 2, 100, negotiated), l.receive(another, 2, 101, negotiated),
			l.receive(another, 2, 102, negotiated)})
	require.Equal(t, named, l.target(), "the earlier source still receives the media")
	require.Equal(t, 50, l.send(another, 2, 103, 50, ms20))
	require.Equal(t, []decision{unproven, unproven, passesRelaxed},
		[]decision{l.later(silentFor).receive(third, 3, 100, negotiated), l.receive(third, 3, 101, negotiated),
			l.receive(third, 3, 102, negotiated)})
	require.Equal(t, named, l.target(), "any later source")
	require.Equal(t, 1, l.send(named, 1, 600, 1, 0))
	require.Equal(t, named, l.target())
}

func (l *latchingTest) later(d time.Duration) *latchingTest {
	l.now = l.now.Add(d)
	return l
}

// TestFloodOfSources: while packets arrive from ever new unknown addresses, a far end with misleading SDP may have to
// wait, but packets from the signalled address pass. Neither all the ports of one host nor hosts without progress keep
// anybody waiting.
func TestFloodOfSources(t *testing.T) {
	l := newLatchingTest(private, sources(true))
	for i := range 5_000 {
		l.now = l.now.Add(100 * time.Microsecond)
		from := netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 18, byte(i >> 8), byte(i)}), 4000)
		require.NotEqual(t, passes, l.receive(from, 1, i, negotiated))
	}
	require.Equal(t, 1, l.send(private, 1, 1, 1, 0))

	l = newLatchingTest(private, sources(true))
	l.now = l.now.Add(time.Second)
	passed := 0
	for i := range 5_000 {
		l.now = l.now.Add(time.Millisecond)
		for host := range byte(3) {
			require.NotEqual(t, passes, l.receive(netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 18, 0, host}),
				uint16(1+i)), 1, i, negotiated))
		}
		if i >= 1000 && i%20 == 0 {
			passed += l.send(another, 2, i/20, 1, 0)
		}
	}
	require.Equal(t, 191, passed)

	l = newLatchingTest(private, sources(true))
	passed = 0
	for i := range 5_000 {
		l.now = l.now.Add(time.Millisecond)
		for host := range byte(maxCandidates) { // always the same hosts, with numbers out of order
			require.NotEqual(t, passes, l.receive(netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 18, 0, host}), 4000),
				1,
				700*i, negotiated))
		}
		if i%20 == 0 {
			passed += l.send(another, 2, i/20, 1, 0)
		}
	}
	require.Positive(t, passed)
}
