package media_test

import (
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"clearback/bridge/media"
)

// trip sends one packet through the session and waits for it. It allocates nothing itself.
func trip(t testing.TB, a, f mediaSocket, s *media.Session, p, buf []byte) {
	if _, err := a.WriteToUDPAddrPort(p, s.Local(media.AdapterSide)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.ReadFromUDPAddrPort(buf); err != nil {
		t.Fatal(err)
	}
}

// described is a payload as the daemon describes it.
func described() media.Payload {
	p := media.Payload{Clear: true, Clocks: media.ClockRates{0: 8000, 101: 8000}}
	p.Events.Add(101)
	return p
}

// TestNoAllocationPerPacket counts all allocations of the process, so those of the relay's goroutines too. The level of
// each packet is measured.
func TestNoAllocationPerPacket(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector allocates")
	}
	s := newSession(t)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	s.Expect(media.ServiceSide, f.addr(), zero)
	s.Describe(media.AdapterSide, described())
	require.NoError(t, f.SetReadDeadline(time.Now().Add(20*time.Second)))
	p, buf := speech(t, 1), make([]byte, 2048)
	require.Zero(t, testing.AllocsPerRun(2000, func() { trip(t, a, f, s, p, buf) }))
	st := s.Stats(media.AdapterSide)
	require.Greater(t, st.Packets, uint64(2000))
	_, measured := st.Level.Mean()
	require.True(t, measured)
}

// BenchmarkPacket measures the relaying of one packet over real sockets, until it is received. Run with -benchmem.
func BenchmarkPacket(b *testing.B) {
	r, err := media.New(media.Options{AdapterAddr: local, ServiceAddr: local, PortLow: 20000, PortHigh: 29999})
	require.NoError(b, err)
	defer func() { _ = r.Close() }()
	s, err := r.NewSession()
	require.NoError(b, err)
	a, f := newMediaSocket(b, "127.0.0.1"), newMediaSocket(b, "127.0.0.1")
	s.Expect(media.AdapterSide, a.addr(), zero)
	s.Expect(media.ServiceSide, f.addr(), zero)
	s.Describe(media.AdapterSide, described())
	p, buf := speech(b, 1), make([]byte, 2048)
	b.ReportAllocs()
	for b.Loop() {
		trip(b, a, f, s, p, buf)
	}
}

// TestHundredLines checks that a hundred sessions, each of which has relayed RTP and RTCP both ways, stay within 60 MB
// of resident memory, including the test program and its own sockets.
func TestHundredLines(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector takes memory of its own")
	}
	status := func() int {
		b, err := os.ReadFile("/proc/self/status")
		if err != nil {
			t.Skip("no /proc: ", err)
		}
		_, rest, _ := strings.Cut(string(b), "VmRSS:")
		kb, err := strconv.Atoi(strings.Fields(rest)[0])
		require.NoError(t, err)
		return kb
	}
	before := status()
	r := newRelay(t, 20000, 29999)
	a, f := newMediaSocket(t, "127.0.0.1"), newMediaSocket(t, "127.0.0.1")
	for range 100 {
		s, err := r.NewSession()
		require.NoError(t, err)
		s.Expect(media.AdapterSide, a.addr(), a.addr())
		s.Expect(media.ServiceSide, f.addr(), f.addr())
		for seq := range uint16(10) {
			a.send(s.Local(media.AdapterSide), speech(t, seq))
			f.receive()
			f.send(s.Local(media.ServiceSide), speech(t, seq))
			a.receive()
			a.send(next(s.Local(media.AdapterSide)), report(t))
			f.receive()
			f.send(next(s.Local(media.ServiceSide)), report(t))
			a.receive()
		}
	}
	after := status()
	t.Logf("resident: %d kB before, %d kB with 100 sessions", before, after)
	require.Less(t, after, 60_000)
}
