package modbus

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestPortSettings checks that the port gets raw bytes and the requested speed and format, whatever its settings were
// before. A pseudo terminal's driver does not store the parity.
func TestPortSettings(t *testing.T) {
	for _, c := range []struct {
		o      BusOptions
		iflag  uint32
		change uint32 // changed control flags
	}{
		{BusOptions{Baud: 9600, StopBits: 1}, unix.INPCK, 0},
		{BusOptions{Baud: 19_200, StopBits: 2, Parity: ParityNone}, 0, unix.CSTOPB},
		{BusOptions{Baud: 123_456, StopBits: 1, Parity: ParityOdd}, unix.INPCK, unix.PARODD},
	} {
		term, err := newTerminal()
		require.NoError(t, err)
		defer term.Close()
		fd := int(term.slave.Fd())
		noise, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
		require.NoError(t, err)
		noise.Iflag, noise.Oflag, noise.Lflag = ^uint32(0), ^uint32(0), unix.ECHO|unix.ISIG
		noise.Cflag |= unix.CRTSCTS | unix.HUPCL
		noise.Cc[unix.VMIN], noise.Cc[unix.VTIME] = 7, 7
		require.NoError(t, unix.IoctlSetTermios(fd, unix.TCSETS2, noise))
		c.o.Device, c.o.NoLock = term.path, true
		p, err := openPort(&c.o)
		require.NoError(t, err)
		set, err := unix.IoctlGetTermios(fd, unix.TCGETS2)
		require.NoError(t, err)
		require.Equal(t, []uint32{c.iflag, 0, 0}, []uint32{set.Iflag, set.Oflag, set.Lflag})
		require.Equal(t, unix.CS8|unix.CREAD|unix.CLOCAL|c.change, set.Cflag&^(unix.CBAUD|unix.CBAUD<<16))
		require.Equal(t, []uint32{uint32(c.o.Baud), uint32(c.o.Baud)}, []uint32{set.Ispeed, set.Ospeed})
		require.Equal(t, []uint8{1, 0}, []uint8{set.Cc[unix.VMIN], set.Cc[unix.VTIME]})
		raw, err := p.SyscallConn()
		require.NoError(t, err)
		require.NoError(t, raw.Control(func(fd uintptr) {
			flags, err := unix.FcntlInt(fd, unix.F_GETFD, 0)
			require.NoError(t, err)
			require.NotZero(t, flags&unix.FD_CLOEXEC)
		}))
		require.NoError(t, p.Close())
		require.Error(t, p.flushInput())
	}
	for _, path := range []string{"/dev/null", "/dev/there-is-none"} {
		_, err := openPort(&BusOptions{Device: path, NoLock: true})
		require.ErrorContains(t, err, path)
	}
}

// quiet returns a master whose run is not started.
func quiet(units ...uint8) *master {
	m := &master{units: map[uint8]*unit{}, done: make(chan struct{})}
	m.opt.Timeout = 500 * ms
	for _, n := range units {
		m.units[n] = &unit{}
	}
	return m
}

// TestSilentUnits checks that the first new session of a silent unit is immediate, and that later ones wait longer
// while another unit works.
func TestSilentUnits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := quiet(1, 2)
		m.units[2].wire = &unitWire{m: m, unit: 2, dead: make(chan struct{})}
		for n := 1; n <= silentOften+1; n++ {
			w := &unitWire{m: m, unit: 1, dead: make(chan struct{})}
			m.units[1].wire = w
			m.failed(w, errTimeout)
			<-w.Dead()
			require.Equal(t, errTimeout, w.Cause())
			require.Nil(t, m.units[1].wire)
			want := time.Duration(0)
			switch {
			case n >= silentOften:
				want = max(silentTimes*m.opt.Timeout, silentRest)
			case n > 1:
				want = silentTimes * m.opt.Timeout
			}
			began := time.Now()
			require.NoError(t, m.awaitTurn(t.Context(), 1))
			require.Equal(t, want, time.Since(began), n)
			began = time.Now()
			require.NoError(t, m.awaitTurn(t.Context(), 2))
			require.Zero(t, time.Since(began), "a working unit does not wait")
		}
		w := &unitWire{m: m, unit: 1, dead: make(chan struct{})}
		m.failed(w, errTimeout)
		m.units[2].silent = 1
		began := time.Now()
		require.NoError(t, m.awaitTurn(t.Context(), 1))
		require.Zero(t, time.Since(began), "it delays no other unit")
		m.units[2].silent = 0
		m.answered(1)
		require.NoError(t, m.awaitTurn(t.Context(), 1))
		require.Zero(t, time.Since(began), "it works again")
		require.Zero(t, m.units[1].silent)
	})
}

// TestWhatWaitsWhenAUnitFails checks that the requests of a failed unit are refused with the first error, and that
// those of other units stay.
func TestWhatWaitsWhenAUnitFails(t *testing.T) {
	m := quiet(1, 2)
	one, two := &unitWire{m: m, unit: 1, dead: make(chan struct{})}, &unitWire{m: m, unit: 2, dead: make(chan struct{})}
	m.units[1].wire, m.units[2].wire = one, two
	require.False(t, one.waits())
	gone, other := errors.New("gone"), errors.New("other")
	ended := make(chan answer, 1)
	mine := &job{query: query{pdu: closeIt, before: func() error { return nil }}, wire: one, began: make(chan error, 1)}
	reading := &job{query: query{pdu: closeIt, end: func(a answer) { ended <- a }}, wire: one,
		began: make(chan error, 1)}
	theirs := &job{query: query{pdu: closeIt, end: func(a answer) { require.ErrorIs(t, a.err, gone) }}, wire: two,
		began: make(chan error, 1)}
	m.queue = []*job{mine, theirs, reading}
	require.True(t, one.waits())
	one.fail(gone)
	one.fail(other)
	require.Equal(t, []*job{theirs}, m.queue)
	require.ErrorIs(t, <-mine.began, gone)
	require.ErrorIs(t, (<-ended).err, gone)
	require.Equal(t, gone, one.Cause())
	require.NoError(t, two.Cause())
	require.Same(t, two, m.units[2].wire)

	wish := &job{began: make(chan error, 1)}
	m.queue = append(m.queue, wish)
	m.failAll(gone)
	<-two.Dead()
	require.Equal(t, []*job{wish}, m.queue, "the port may be opened again")
	m.stopped = true
	m.failAll(gone)
	require.ErrorIs(t, <-wish.began, gone)
	require.Empty(t, m.queue)
	m.asking = true
	require.True(t, one.waits())
}

// TestRankOfRequests checks that closes and requests for the port come first, then readings of an opening, then other
// requests, and last those to a silent unit.
func TestRankOfRequests(t *testing.T) {
	may := func() error { return nil }
	for _, c := range []struct {
		j      job
		silent bool
		want   int
	}{
		{job{query: query{pdu: closeIt, urgent: true, before: may, contact: &Contact{}}}, false, 0},
		{job{}, false, 0}, {job{query: query{pdu: closeIt, contact: &Contact{}}}, false, 1},
		{job{query: query{pdu: closeIt, contact: &Contact{}, before: may}}, false, 2},
		{job{query: query{pdu: closeIt}}, false, 2}, {job{query: query{pdu: closeIt, urgent: true}}, true, 3},
	} {
		require.Equal(t, c.want, c.j.rank(c.silent))
	}
}

// TestOrderOfRequests checks which request is sent next, and how long a request waits for others. After 3 s it is sent
// in its turn.
func TestOrderOfRequests(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := quiet(1, 2)
		one, two := &unitWire{m: m, unit: 1}, &unitWire{m: m, unit: 2}
		may := func() error { return nil }
		a, b := &Contact{}, &Contact{}
		now := time.Now()
		make := func(w *unitWire, c *Contact, urgent bool, before func() error) *job {
			return &job{query: query{pdu: closeIt, contact: c, urgent: urgent, before: before}, wire: w, since: now}
		}
		ways := map[*job]time.Duration{}
		m.delayFor = func(j *job, silent bool, took time.Duration) time.Duration {
			require.Equal(t, m.took, took)
			require.Equal(t, m.units[j.wire.unit].silent > 0, silent)
			return ways[j]
		}
		order := func(queue ...*job) (got []*job) {
			m.queue = queue
			for len(m.queue) > 0 {
				j, _ := m.pickLocked()
				got = append(got, j)
			}
			return got
		}
		opening, other, reading, readB, shut, wish := make(one, a, false, may), make(one, b, false, may),
			make(one, a, false, nil), make(one, b, false, nil), make(one, a, true, may), &job{since: now}
		require.Equal(t, []*job{opening, other}, order(opening, other))
		require.Equal(t, []*job{readB, opening}, order(opening, readB))
		require.Equal(t, []*job{wish, readB, opening}, order(opening, readB, wish))
		require.Equal(t, []*job{shut, readB, opening}, order(opening, readB, shut), "a close before all")
		require.Equal(t, []*job{reading, shut, readB}, order(readB, reading, shut),
			"but for a reading of its own contact that was asked for before it")
		require.Equal(t, []*job{shut, reading}, order(shut, reading), "not after it")
		late := make(two, a, true, may)
		m.units[2].silent = 1
		require.Equal(t, []*job{shut, opening, late}, order(late, opening, shut), "a silent unit last")

		ways[opening], ways[other] = 70*ms, 50*ms
		m.queue = []*job{opening, other}
		j, wait := m.pickLocked()
		require.Nil(t, j)
		require.Equal(t, 50*ms, wait)
		ways[opening] = 0
		j, _ = m.pickLocked()
		require.Same(t, opening, j)
		ways[shut] = 50 * ms
		require.Equal(t, []*job{shut}, order(shut), "a close never waits for others")
		m.queue = []*job{other}
		<-time.After(3*time.Second - 1)
		j, _ = m.pickLocked()
		require.Nil(t, j)
		<-time.After(1)
		j, _ = m.pickLocked()
		require.Same(t, other, j)
		m.queue = nil
		_, wait = m.pickLocked()
		require.Equal(t, time.Hour, wait)
	})
}
