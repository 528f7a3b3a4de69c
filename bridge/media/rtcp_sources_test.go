package media

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestRTCPDoesNotLatch checks that RTCP on the RTP port (RFC 5761) does not decide where RTP comes from once RTP
// arrives.
func TestRTCPDoesNotLatch(t *testing.T) {
	l := newLatchingTest(named, sources(true))
	require.Equal(t, passes, l.accept(moved, packetRun{}, l.now, l.sideTrust))
	require.Equal(t, moved, l.target(), "no RTP has arrived")
	require.Equal(t, 1, l.send(otherPort, 1, 1, 1, ms20))
	require.Equal(t, passes, l.accept(moved, packetRun{}, l.now, l.sideTrust))
	require.Equal(t, otherPort, l.target())
}

// TestRTCPSources checks that RTCP passes only from hosts that RTP may come from. The source with the higher standing
// takes over.
func TestRTCPSources(t *testing.T) {
	at := func(a netip.AddrPort) netip.AddrPort { return netip.AddrPortFrom(a.Addr(), a.Port()+1) }
	now, who := time.Unix(1000, 0), sources(true)
	var p, speech peer
	require.Equal(t, unknownSource, p.acceptReport(another, &speech, now, who), "no address is known")
	require.Equal(t, passes, p.acceptReport(at(listed), &speech, now, who))
	require.Equal(t, passes, (&peer{}).acceptReport(at(proxy), &speech, now, who))
	p = peer{}
	p.expect(at(named), now)
	speech.expect(named, now)
	require.Equal(t, unknownSource, p.acceptReport(at(another), &speech, now.Add(time.Hour), who),
		"it has never sent RTP")
	require.Equal(t, passes, p.acceptReport(at(proxy), &speech, now, who))
	require.Equal(t, passes, p.acceptReport(at(moved), &speech, now, who), "the host in the SDP")
	require.Equal(t, unknownSource, p.acceptReport(at(proxy), &speech, now, who))
	require.Equal(t, passes, p.acceptReport(at(named), &speech, now, who), "the address in the SDP")
	require.Equal(t, unknownSource, p.acceptReport(at(moved), &speech, now, who))
	require.Equal(t, unknownSource, p.acceptReport(at(another), &speech, now.Add(time.Hour), who), "silent")

	p.restartLatching(now)
	require.Equal(t, passes, p.acceptReport(at(named), &speech, now, who))
	// Latching restarts: a source of equal standing may take over, although the old one has just sent.
	p.expect(at(moved), now)
	require.Equal(t, passes, p.acceptReport(at(proxy), &speech, now, who))
	p.restartLatching(now)
	require.Equal(t, passes, p.acceptReport(at(listed), &speech, now, who))
	require.Equal(t, unknownSource, p.acceptReport(at(proxy), &speech, now, who), "it has sent since")
	p.restartLatching(now)
	require.Equal(t, passes, p.acceptReport(at(listed), &speech, now, who))
	require.Equal(t, unknownSource, p.acceptReport(at(proxy), &speech, now, who), "it keeps sending")

	now = now.Add(10 * time.Second)
	require.Equal(t, passes, p.acceptReport(at(listed), &speech, now, who))
	require.Equal(t, unknownSource, p.acceptReport(at(proxy), &speech, now.Add(silentReports-1), who),
		"silent since then")

	p.expect(at(private), now)
	speech.expect(private, now)
	speech.learn(another, packetRun{}, now)
	require.Equal(t, passes, p.acceptReport(at(another), &speech, now, who), "RTP comes from there")
	require.Equal(t, unknownSource, p.acceptReport(at(third), &speech, now.Add(time.Hour), who))
	require.Equal(t, unknownSource, p.acceptReport(another, &speech, now.Add(silentReports-1), who), "another port")
	require.Equal(t, passes, p.acceptReport(another, &speech, now.Add(silentReports), who))
}

// TestRTCPOfAFormerSource checks that RTCP of a host that is no longer followed does not pass, and that none is sent to
// it.
func TestRTCPOfAFormerSource(t *testing.T) {
	for name, ends := range map[string]func(s *Session, e *end){
		"two compete": func(_ *Session, e *end) {
			e.peers[rtpFlow].forget()
			e.reviewLocked()
		},
		"SDP": func(s *Session, _ *end) { s.Expect(ServiceSide, named, netip.AddrPort{}) },
		"an answer after its RTP has moved": func(s *Session, e *end) {
			e.peers[rtpFlow].learn(third, packetRun{}, time.Unix(1001, 0))
			s.Answered()
		},
	} {
		s := &Session{}
		e := &s.ends[ServiceSide]
		e.sideTrust = *sources(true)
		rtp, rtcp := &e.peers[rtpFlow], &e.peers[rtcpFlow]
		rtp.expect(private, time.Unix(1000, 0))
		rtp.learn(another, packetRun{}, time.Unix(1000, 0))
		require.Equal(t, passes, rtcp.acceptReport(third, rtp, time.Unix(1000, 0),
			&sideTrust{signalling: third.Addr()}))
		e.reviewLocked()
		require.False(t, rtcp.learnt.IsValid())
		from := netip.AddrPortFrom(another.Addr(), 9)
		require.Equal(t, passes, rtcp.acceptReport(from, rtp, time.Unix(1000, 0), &e.sideTrust))
		e.reviewLocked()
		require.Equal(t, from, rtcp.target())
		ends(s, e)
		require.False(t, rtcp.target().IsValid(), name)
		require.Equal(t, unknownSource, rtcp.acceptReport(from, rtp, time.Unix(1000, 0), &e.sideTrust), name)
	}
}
