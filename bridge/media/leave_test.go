package media_test

import (
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
	"clearback/bridge/programtest"
	"clearback/bridge/socketstore"
)

// Sound that waited in the kept sockets is passed on, but it does not show that its sender is still there. Only what
// arrives later does.
func TestSoundThatWaitedIsNoSign(t *testing.T) {
	at, low := ownRange(t, 10)
	manager := programtest.Listen(t)
	relay := func() *media.Relay {
		r, err := media.New(media.Options{AdapterAddr: at, ServiceAddr: at, PortLow: low, PortHigh: low + 9,
			Sockets: socketstore.New(strings.TrimPrefix(manager.Env(), "NOTIFY_SOCKET="), manager.Kept())})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, r.Close()) })
		return r
	}
	first := relay()
	s, err := first.NewSession()
	require.NoError(t, err)
	a, f := newMediaSocket(t, at.String()), newMediaSocket(t, at.String())
	s.Expect(media.AdapterSide, a.addr(), zero)
	s.Expect(media.ServiceSide, f.addr(), zero)
	a.send(s.Local(media.AdapterSide), speech(t, 1))
	f.receive()
	saved := s.Saved()
	require.Equal(t, a.addr(), saved[media.AdapterSide].RTP)
	require.NoError(t, first.Leave())
	const waiting = 50
	for seq := range uint16(waiting) {
		a.send(s.Local(media.AdapterSide), speech(t, 2+seq))
	}

	s, err = relay().Resume(saved)
	require.NoError(t, err)
	runtime.GC() // leaves time to read too early: before Follow, nothing tells whose packets these are
	s.Expect(media.AdapterSide, a.addr(), zero)
	s.Expect(media.ServiceSide, f.addr(), zero)
	s.Follow(saved)
	until(t, s, media.AdapterSide, func(st media.Stats) bool { return st.Packets == waiting })
	require.Zero(t, s.Stats(media.AdapterSide).Unsent, "what waited is lost")
	require.False(t, s.Resumed(media.AdapterSide))
	seq := uint16(2 + waiting)
	require.Eventually(t, func() bool {
		a.send(s.Local(media.AdapterSide), speech(t, seq))
		seq++
		return s.Resumed(media.AdapterSide)
	}, 3*time.Second, time.Millisecond)
}
