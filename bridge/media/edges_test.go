package media

import (
	"net/netip"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The other tests use our numbers by name. This test repeats their values, so that none changes by mistake.
func TestConstants(t *testing.T) {
	for _, c := range []struct{ want, is int }{
		{2048, bufferSize}, {16, floodBatch}, {192, rtcpFirstType}, {223, rtcpLastType}, {8, rtcpMinLen},
		{20, dtlsFirst}, {63, dtlsLast}, {254, dtlsMajor}, {13, dtlsHeader},
		{4, eventLen}, {16, eventFlash}, {3000, maxDropout}, {100, maxMisorder}, {65536, noJump},
		{15, eventD}, {13, comfortNoise}, {0, pcmu}, {8, pcma}, {-90, silence}, {184, tosExpedited},
		{3, probationPackets}, {10, unknownPackets}, {2, probationGap}, {4, maxCandidates}, {8000, slowestClock},
		{90000, fastestClock},
	} {
		require.Equal(t, c.want, c.is)
	}
	require.Equal(t, time.Millisecond, afterError)
	require.Equal(t, 2*time.Second, restFor)
	for _, c := range []struct{ want, is time.Duration }{
		{2 * time.Second, relearnAfter}, {2 * time.Second, silentFor}, {15 * time.Second, silentReports},
		{250 * time.Millisecond, candidateIdle}, {time.Second, driftAllowed},
	} {
		require.Equal(t, c.want, c.is)
	}
}

// The kinds of datagrams at the bounds that separate them (RFC 3550 section 5.1, RFC 5761 section 4, RFC 7983 section
// 7, RFC 6347 section 4.1).
func TestKindBounds(t *testing.T) {
	kindOf := func(b []byte, on flowKind, a Admission) kind {
		var p packet
		p.read(b, on, a)
		return p.kind
	}
	changed := func(b []byte, at int, to byte) []byte {
		b = append([]byte{}, b...)
		b[at] = to
		return b
	}
	for typ, want := range map[byte]kind{191: kindInvalid, 192: kindRTCP, 223: kindRTCP, 224: kindInvalid} {
		require.Equal(t, want, kindOf(changed(aReport, 1, typ), rtcpFlow, Admission{}), typ)
	}
	for _, version := range []byte{0x00, 0x40, 0xc0} {
		require.Equal(t, kindInvalid, kindOf(changed(aReport, 0, version), rtcpFlow, Admission{}))
		require.Equal(t, kindInvalid, kindOf(changed(aSpeech, 0, version), rtpFlow, Admission{}))
	}
	require.Equal(t, kindInvalid, kindOf(changed(aReport, 3, 2), rtcpFlow, Admission{}), "its length field is larger than the packet")
	require.Equal(t, kindRTCP, kindOf(changed(aReport, 3, 0), rtcpFlow, Admission{}), "SRTCP has more behind it")
	require.Equal(t, kindInvalid, kindOf(aReport[:7], rtcpFlow, Admission{}))
	require.Equal(t, kindInvalid, kindOf(aSpeech[:11], rtpFlow, Admission{}))
	require.Equal(t, kindRTP, kindOf(aSpeech[:12], rtpFlow, Admission{}))

	dtls := Admission{DTLS: true}
	for at, bytes := range map[int]map[byte]kind{
		0: {19: kindInvalid, 20: kindDTLS, 63: kindDTLS, 64: kindInvalid},
		1: {253: kindInvalid, 254: kindDTLS, 255: kindInvalid}, 12: {2: kindDTLS, 3: kindDTLS, 4: kindInvalid},
	} {
		for b, want := range bytes {
			require.Equal(t, want, kindOf(changed(aHello, at, b), rtpFlow, dtls), "byte %d is %d", at, b)
		}
	}
	require.Equal(t, kindInvalid, kindOf(changed(aHello, 12, 0)[:12], rtpFlow, dtls))
	require.Equal(t, kindDTLS, kindOf(changed(aHello, 12, 0)[:13], rtpFlow, dtls))
	fax := Admission{Datagrams: true}
	require.Equal(t, kindInvalid, kindOf([]byte{1}, rtpFlow, fax))
	require.Equal(t, kindDatagram, kindOf([]byte{1, 2}, rtpFlow, fax))
	require.Equal(t, kindRTCP, kindOf(aReport, rtcpFlow, fax), "RTCP has its own port beside UDPTL")
	var p packet
	p.read(changed(aHello, 12, 0)[:13], rtpFlow, fax)
	require.EqualValues(t, 5, p.packetRun.seq, "the sequence number of the DTLS record")
	p.read(append([]byte{0, 9}, make([]byte, 20)...), rtpFlow, fax)
	require.EqualValues(t, 9, p.packetRun.seq)
}

func TestPayloadTypeBounds(t *testing.T) {
	for _, pt := range []uint8{0, 1, 62, 63, 64, 65, 126, 127} {
		var one PayloadTypes
		one.Add(pt)
		for other := range uint8(128) {
			require.Equal(t, other == pt, one.Has(other), "%d %d", pt, other)
		}
		one.Add(5)
		require.True(t, one.Has(pt))
	}
}

// The same event is not reported twice, whatever comes in between. A later event is, also when the timestamp wraps (RFC
// 4733 section 2.5.1).
func TestFlashReportedOnce(t *testing.T) {
	var w eventWatch
	take := func(timestamp uint32, payload ...byte) bool {
		p := packet{at: 12}
		p.header.SSRC, p.header.Timestamp = 1, timestamp
		_, flash := w.take(&p, append(make([]byte, 12), payload...))
		return flash
	}
	require.False(t, take(0xfffffff0, 16, 0, 0))
	require.False(t, take(0xfffffff0, 15, 0, 0, 0))
	require.False(t, take(0xfffffff0, 17, 0, 0, 0))
	require.True(t, take(0xfffffff0, 16, 0, 0, 0))
	require.False(t, take(0xfffffff0, 16, 0, 0, 0))
	require.False(t, take(0xffffffef, 16, 0, 0, 0))
	require.True(t, take(0xfffffff1, 16, 0, 0, 0))
	require.True(t, take(16, 16, 0, 0, 0, 9))
	require.False(t, take(0xfffffff1, 16, 0, 0, 0))
}

// Only the next number confirms a jump, and at first no jump is suspected (RFC 3550 appendix A.1).
func TestSequenceJumpBounds(t *testing.T) {
	for _, c := range []struct {
		seqs []uint16
		lost int64
	}{
		{[]uint16{30000, 65535, 30001, 30003}, 1},
		{[]uint16{30000, 0, 30001, 30003}, 1},
		{[]uint16{10, 40000, 40002, 40003, 40005}, 1},
		{[]uint16{10, 40000, 40000, 11, 13}, 1},
		{[]uint16{65535, 0, 1, 3}, 1},
		{[]uint16{10, 65535, 0, 2, 11, 14}, 2 - 3}, // late packets from before the first one count as received
	} {
		var r reception
		require.Zero(t, r.lost())
		for _, s := range c.seqs {
			r.take(1, s)
		}
		require.Equal(t, c.lost, r.lost(), "%v", c.seqs)
	}
}

func TestPortRange(t *testing.T) {
	for _, c := range []struct {
		low, high    uint16
		first, pairs int
	}{
		{20000, 20001, 20000, 1}, {20000, 20000, 20000, 0}, {20001, 20003, 20002, 1}, {20001, 20002, 20002, 0},
		{20000, 20004, 20000, 2}, {20000, 20005, 20000, 3},
		{20005, 20000, 20006, 0}, {1, 65535, 2, 32767}, {65534, 65535, 65534, 1},
	} {
		p := portRange{c.low, c.high}
		require.Equal(t, []int{c.first, c.pairs}, []int{p.first(), p.pairs()}, "%+v", c)
	}
	for n := 1; n <= 60; n++ {
		steps := map[int]bool{}
		for range 40 * n {
			step := coprime(n)
			steps[step] = true
			reached := map[int]bool{}
			for place := range n {
				reached[place*step%n] = true
			}
			require.Len(t, reached, n, "%d steps of %d", n, step)
			require.True(t, step >= 1 && step <= n)
		}
		require.True(t, steps[max(1, n-1)], "%d: the largest step is drawn too", n)
	}
}

func TestAdmission(t *testing.T) {
	var s Session
	require.Zero(t, s.admission())
	for _, a := range []Admission{{DTLS: true}, {Datagrams: true}, {DTLS: true, Datagrams: true}, {}} {
		s.Admit(a)
		require.Equal(t, a, s.admission())
	}
}

// add adds all fields, including fields that are added to Counts later.
func TestCountsAdd(t *testing.T) {
	var c Counts
	var s Stats
	sum, one := reflect.ValueOf(&c).Elem(), reflect.ValueOf(&s).Elem()
	for i := range one.NumField() {
		if sum.FieldByName(one.Type().Field(i).Name).IsValid() {
			one.Field(i).SetUint(uint64(i + 1))
		}
	}
	c.add(s)
	c.add(s)
	for i := range sum.NumField() {
		name := sum.Type().Field(i).Name
		if f := one.FieldByName(name); f.IsValid() {
			require.Equal(t, 2*f.Uint(), sum.Field(i).Uint(), name)
		}
	}
}

// A port cools down until its time is over. Its entry is removed when the next session ends after that.
func TestPortCoolDown(t *testing.T) {
	local := netip.MustParseAddr("127.0.0.1")
	r, err := New(Options{AdapterAddr: local, ServiceAddr: netip.MustParseAddr("::ffff:127.0.0.2"), PortLow: 20000,
		PortHigh: 20999})
	require.NoError(t, err)
	require.Equal(t, "127.0.0.2", r.Addr(ServiceSide).String())
	require.Equal(t, local, r.Addr(AdapterSide))
	at := netip.AddrPortFrom(local, 20000)
	require.False(t, r.isCoolingDown(at))
	r.coolingDown[at] = time.Now().Add(time.Hour)
	require.True(t, r.isCoolingDown(at))
	old := netip.AddrPortFrom(local, 20002)
	r.coolingDown[old] = time.Now().Add(-time.Second)
	require.False(t, r.isCoolingDown(old))
	s := &Session{relay: r}
	r.forget(s)
	require.Len(t, r.coolingDown, 2, "an unknown session")
	s.local[AdapterSide][rtpFlow], s.local[ServiceSide][rtpFlow] = netip.AddrPortFrom(local, 20004),
		netip.AddrPortFrom(local, 20006)
	r.sessions[s] = struct{}{}
	r.forget(s)
	require.Len(t, r.coolingDown, 3)
	require.NotContains(t, r.coolingDown, old)
	require.InDelta(t, 2, time.Until(r.coolingDown[s.Local(AdapterSide)]).Seconds(), 1)
	require.Empty(t, r.sessions)
	for range 2 {
		require.NoError(t, r.Close())
	}
}

// The bounds of the port range, and which side an address belongs to (with IPv6 if this machine has it).
func TestIPv6(t *testing.T) {
	six := netip.MustParseAddr("::1")
	r, err := New(Options{AdapterAddr: six, ServiceAddr: six, PortLow: 20000, PortHigh: 20999})
	require.NoError(t, err)
	defer r.Close()
	s, err := r.NewSession()
	if err != nil {
		t.Skip("this machine has no IPv6 loopback address: ", err)
	}
	require.Equal(t, six, s.Local(AdapterSide).Addr())
	require.Equal(t, Counts{Sessions: 1, Open: 1}, r.Counts())
	require.NoError(t, s.Close())
	require.Equal(t, Counts{Sessions: 1}, r.Counts())
}

// SetEmergency applies to both sides of a session.
func TestEmergencyOnBothSides(t *testing.T) {
	var s Session
	before := time.Now()
	s.SetEmergency(3 * time.Second)
	for i := range s.ends {
		require.Equal(t, 3*time.Second, s.ends[i].sideTrust.silenceLimit)
		require.False(t, s.ends[i].sideTrust.emergencySince.Before(before))
	}
}

// TestReachable checks to which addresses packets may be sent.
func TestReachable(t *testing.T) {
	at := netip.MustParseAddrPort
	s := &Session{local: [2][2]netip.AddrPort{{at("192.0.2.9:4000"), at("192.0.2.9:4001")},
		{at("192.0.2.8:4000"), at("192.0.2.8:4001")}}}
	for said, want := range map[netip.AddrPort]netip.AddrPort{
		{}: {}, at("192.0.2.1:0"): {}, at("0.0.0.0:4000"): {}, at("[::]:4000"): {},
		netip.AddrPortFrom(netip.Addr{}, 4000): {},
		at("192.0.2.9:4000"):                   {}, at("192.0.2.9:4001"): {}, at("192.0.2.8:4000"): {},
		at("[::ffff:192.0.2.8]:4001"): {},
		at("192.0.2.9:4002"):          at("192.0.2.9:4002"), at("[::ffff:192.0.2.1]:9"): at("192.0.2.1:9"),
		at("[2001:db8::1]:9"): at("[2001:db8::1]:9"),
	} {
		require.Equal(t, want, s.reachable(said), said)
	}
}

// TestStatsOfReception: RFC 3550 appendix A.8 keeps 16 times the jitter. 36 of it are 2.25 units of 125 us.
func TestStatsOfReception(t *testing.T) {
	s := &Session{}
	s.ends[ServiceSide].rtp = reception{running: true, base: 1, max: 10, received: 7, late: 4, changes: 5,
		clock: 8000, jitter: 36}
	st := s.Stats(ServiceSide)
	require.Equal(t, Stats{Lost: 3, Late: 4, SSRCChanges: 5, Jitter: 281250 * time.Nanosecond}, st)
}

// Without an address there is no common port for RTP and RTCP (RFC 5761). A new address may be reachable.
func TestExpectedAddressChanges(t *testing.T) {
	t.Parallel()
	s := &Session{relay: &Relay{}}
	e := &s.ends[AdapterSide]
	s.Expect(AdapterSide, netip.AddrPort{}, netip.AddrPort{})
	require.False(t, e.mux)
	e.unreachable.Store(true)
	e.sideTrust.unreachable = true
	at := netip.MustParseAddrPort("192.0.2.1:4000")
	s.Expect(AdapterSide, at, at)
	require.True(t, e.mux)
	require.False(t, e.unreachable.Load())
	require.False(t, e.sideTrust.unreachable)
}
