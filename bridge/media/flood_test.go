package media_test

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
)

// TestFlood checks that junk and packets of unknown hosts at two ports do not hold up the packets of another session,
// nor those from the right address of the same session. All of it is counted, also after the session has ended.
func TestFlood(t *testing.T) {
	r := newRelay(t, 20000, 29999)
	var sessions [2]*media.Session
	for i := range sessions {
		s, err := r.NewSession()
		require.NoError(t, err)
		sessions[i] = s
	}
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	for _, s := range sessions {
		s.Expect(media.AdapterSide, a.addr(), zero)
		s.Expect(media.ServiceSide, f.addr(), zero)
	}
	thief := newMediaSocket(t, "127.0.0.9")
	junk := make([]byte, 200)
	const bursts, each = 50, 20
	for i := range uint16(bursts) {
		for range each { // fewer than a socket holds, so that nothing is lost on the way
			thief.send(sessions[0].Local(media.AdapterSide), junk)
			thief.send(sessions[0].Local(media.ServiceSide), speech(t, 7)) // never in a row
		}
		for _, s := range sessions {
			p := speech(t, i)
			a.send(s.Local(media.AdapterSide), p)
			got, _ := f.receive()
			require.Equal(t, p, got)
		}
		f.send(sessions[0].Local(media.ServiceSide), speech(t, i))
		_, from := a.receive()
		require.Equal(t, sessions[0].Local(media.AdapterSide), from)
	}
	const all = bursts * each
	counted := func() bool {
		c := r.Counts()
		return c.Invalid == all && c.UnknownSource+c.Probation == all && c.Packets == 3*bursts
	}
	require.Eventually(t, counted, 3*time.Second, time.Millisecond, "%+v", r.Counts())
	require.NoError(t, sessions[0].Close())
	require.True(t, counted(), "%+v", r.Counts())
	require.Equal(t, uint64(1), r.Counts().Open)
	require.Equal(t, uint64(2), r.Counts().Sessions)
}

// TestRTCPMux checks that reports to a side that takes RTCP on its RTP port (RFC 5761) are sent from our RTP port,
// whichever port they arrived at.
func TestRTCPMux(t *testing.T) {
	s := newSession(t)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.ServiceSide, f.addr(), f.addr())
	for _, to := range []netip.AddrPort{s.Local(media.AdapterSide), next(s.Local(media.AdapterSide))} {
		a.send(to, report(t))
		got, from := f.receive()
		require.Equal(t, report(t), got)
		require.Equal(t, s.Local(media.ServiceSide), from)
	}
	f.send(s.Local(media.ServiceSide), report(t))
	_, from := a.receive()
	require.Equal(t, s.Local(media.AdapterSide), from)
}
