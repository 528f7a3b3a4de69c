package media

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var (
	named   = netip.MustParseAddrPort("192.0.2.1:4000") // by SDP
	moved   = netip.MustParseAddrPort("192.0.2.1:4100")
	behind  = netip.MustParseAddrPort("192.0.2.2:4000") // a translator
	another = netip.MustParseAddrPort("192.0.2.3:4000")
)

// step is a packet of RTP; seq < 0: RTCP on its port.
type step struct {
	after time.Duration // since the one before
	from  netip.AddrPort
	ssrc  uint32
	seq   int
	want  verdict
}

// TestLearning is the rules of who is heard, one a row. RFC 3550 appendix A.1 has the probation, from memory.
func TestLearning(t *testing.T) {
	const ms20 = 20 * time.Millisecond
	for _, c := range []struct {
		name     string
		expected netip.AddrPort
		steps    []step
	}{
		{"nothing named: who comes first", netip.AddrPort{}, []step{{0, another, 1, 1, passes}, {ms20, behind, 1, 2, stranger}}},
		{"the host that is named, at any port", named, []step{{0, moved, 1, 1, passes}, {ms20, named, 1, 2, stranger}}},
		{"behind a translator: a few in a row", named, []step{{0, behind, 1, 9, onProbation}, {ms20, behind, 1, 10, onProbation}, {ms20, behind, 1, 11, passes}}},
		{"one of them lost", named, []step{{0, behind, 1, 9, onProbation}, {ms20, behind, 1, 11, onProbation}, {ms20, behind, 1, 12, passes}}},
		{"over the wrap", named, []step{{0, behind, 1, 65534, onProbation}, {ms20, behind, 1, 65535, onProbation}, {ms20, behind, 1, 0, passes}}},
		{"sprayed: not in a row", named, []step{{0, behind, 1, 9, onProbation}, {ms20, behind, 1, 9, onProbation}, {ms20, behind, 1, 700, onProbation}, {ms20, behind, 2, 701, onProbation}, {ms20, behind, 2, 702, onProbation}}},
		{"sprayed: from many", named, []step{{0, behind, 1, 9, onProbation}, {ms20, another, 1, 10, onProbation}, {ms20, behind, 1, 10, onProbation}, {ms20, another, 1, 11, onProbation}, {ms20, behind, 1, 11, passes}, {ms20, another, 1, 12, stranger}}},
		{"reports are no probation", named, []step{{0, behind, 0, -1, onProbation}, {ms20, behind, 0, -1, onProbation}, {ms20, behind, 0, -1, onProbation}, {ms20, behind, 0, -1, onProbation}}},
		{"who is named beats who was learnt, and not back", named, []step{{0, behind, 1, 1, onProbation}, {0, behind, 1, 2, onProbation}, {0, behind, 1, 3, passes}, {ms20, moved, 2, 7, passes}, {ms20, behind, 1, 4, stranger}}},
		{"injected in a pause", named, []step{{0, named, 1, 1, passes}, {silentFor - 1, behind, 2, 1, stranger}, {0, behind, 2, 2, stranger}, {0, behind, 2, 3, stranger}, {0, behind, 2, 4, stranger}, {0, named, 1, 2, passes}}},
		{"moved to another port, and not at once", named, []step{{0, named, 1, 1, passes}, {silentFor, moved, 2, 1, onProbation}, {ms20, moved, 2, 2, onProbation}, {ms20, moved, 2, 3, passes}, {ms20, named, 1, 2, stranger}}},
		{"not gone after all", named, []step{{0, named, 1, 1, passes}, {silentFor, moved, 2, 1, onProbation}, {ms20, named, 1, 2, passes}, {ms20, moved, 2, 2, stranger}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var p peer
			now := time.Unix(1000, 0)
			p.expect(c.expected, now)
			for i, s := range c.steps {
				now = now.Add(s.after)
				require.Equal(t, s.want, p.accept(s.from, run{is: s.seq >= 0, source: s.ssrc, seq: uint16(s.seq)}, now), "step %d", i+1)
			}
		})
	}
}

// TestNamedLater: who came before anything was named stays if the host is the same, and is on probation if not.
func TestNamedLater(t *testing.T) {
	for from, want := range map[netip.AddrPort]verdict{moved: passes, behind: onProbation} {
		var p peer
		require.Equal(t, passes, p.accept(from, run{is: true}, time.Unix(0, 0)))
		p.expect(named, time.Unix(1, 0))
		require.Equal(t, want, p.accept(from, run{is: true}, time.Unix(1, 0)), "%v", from)
	}
}

// TestFloodOfSources: while strangers come from ever new addresses, a translator's packets may wait, but those of the host that is named pass.
func TestFloodOfSources(t *testing.T) {
	var p peer
	now := time.Unix(1000, 0)
	p.expect(named, now)
	for i := range 50_000 {
		now = now.Add(10 * time.Microsecond)
		from := netip.AddrPortFrom(another.Addr(), uint16(1+i))
		require.Equal(t, onProbation, p.accept(from, run{is: true, seq: uint16(i)}, now))
	}
	require.Equal(t, passes, p.accept(named, run{is: true, seq: 1}, now))
}

// TestReportsOfWhom: RTCP is heard from the host of RTP and from the one SDP names for it, from nobody else.
func TestReportsOfWhom(t *testing.T) {
	next := netip.AddrPortFrom(behind.Addr(), behind.Port()+1)
	now := time.Unix(1000, 0)
	var p, speech peer
	require.Equal(t, passes, p.acceptReport(another, &speech, now), "nothing is known")
	p = peer{}
	p.expect(netip.AddrPortFrom(named.Addr(), 4001), now)
	speech.expect(named, now)
	require.Equal(t, stranger, p.acceptReport(next, &speech, now))
	speech.learn(behind, now)
	require.Equal(t, passes, p.acceptReport(next, &speech, now), "RTP comes from there")
	require.Equal(t, stranger, p.acceptReport(another, &speech, now))
	require.Equal(t, stranger, p.acceptReport(behind, &speech, now.Add(silentReports-1)), "another port")
	require.Equal(t, passes, p.acceptReport(behind, &speech, now.Add(silentReports)))
	require.Equal(t, stranger, p.acceptReport(another, &speech, now.Add(time.Hour)))
}
