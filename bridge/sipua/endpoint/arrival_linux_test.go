package endpoint

import (
	"encoding/binary"
	"net"
	"slices"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A pair of readings counts if less than 5 ms passed between its two readings of the boot clock. It is read ten times
// at most. The last one counts in any case, at its end.
func TestReadPair(t *testing.T) {
	t.Parallel()
	const limit = 5 * time.Millisecond
	for slow, want := range map[int]struct {
		readings int
		boot     time.Duration
	}{
		0: {1, limit/2 - 1}, 1: {2, limit + limit/2 - 1}, 9: {10, 9*limit + limit/2 - 1}, 10: {10, 10 * limit},
	} {
		readings := 0
		var now Arrival
		wall, boot := readPair(func() time.Duration {
			readings++
			if now += Arrival(limit); readings > slow {
				now -= 2
			}
			return someDay + time.Duration(readings)
		}, func() Arrival { return now })
		require.Equal(t, want.readings, readings, "%d slow pairs", slow)
		require.Equal(t, someDay+time.Duration(readings), wall)
		require.Equal(t, want.boot, boot, "%d slow pairs", slow)
	}
}

// A socket that cannot be set to stamp its datagrams is used without stamps.
func TestNoKernelTimestamp(t *testing.T) {
	t.Parallel()
	require.Nil(t, newTimestampedConn(&net.UDPConn{}))
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	require.NoError(t, c.Close())
	require.Nil(t, newTimestampedConn(c))
}

// A datagram that waited in the socket has the stamp of its arrival.
func TestKernelTimestamp(t *testing.T) {
	t.Parallel()
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	require.NoError(t, err)
	defer c.Close()
	s := newTimestampedConn(c)
	require.NotNil(t, s)
	a := newArrivals(readClocks)
	var before, after Arrival
	send := func(wait time.Duration) {
		before = a.now()
		_, err := c.WriteTo([]byte("a"), c.LocalAddr())
		require.NoError(t, err)
		after = readBoot()
		for readBoot() < after+Arrival(wait) {
		}
	}
	// The kernel starts to stamp some time after the request. An earlier datagram has the time at which it was read.
	start := readBoot()
	for began := false; !began; {
		send(time.Millisecond)
		read := time.Now()
		_, _, stamp, err := s.read(make([]byte, 10))
		require.NoError(t, err)
		began = stamp < time.Duration(read.UnixNano())
		require.Less(t, a.age(start), 5*time.Second, "no timestamps")
	}
	send(20 * time.Millisecond)
	n, from, stamp, err := s.read(make([]byte, 10))
	require.NoError(t, err)
	require.Equal(t, 1, n)
	require.Equal(t, c.LocalAddr().String(), from.String())
	at := a.arrivalOf(before, stamp)
	require.GreaterOrEqual(t, at, before-Arrival(clockPairSlack))
	require.LessOrEqual(t, at, after+Arrival(clockPairSlack))
	require.GreaterOrEqual(t, a.age(at), 15*time.Millisecond)
}

// The stamp is found among other control messages. What follows a malformed one does not count.
func TestStampAmongControlMessages(t *testing.T) {
	t.Parallel()
	message := func(level, kind int32, seconds uint64) []byte {
		b := make([]byte, unix.CmsgSpace(16))
		h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
		h.Level, h.Type = level, kind
		h.SetLen(unix.CmsgLen(16))
		binary.NativeEndian.PutUint64(b[unix.CmsgLen(0):], seconds)
		return b
	}
	stamp := message(unix.SOL_SOCKET, unix.SCM_TIMESTAMPNS, 7)
	level := message(unix.IPPROTO_IP, unix.SCM_TIMESTAMPNS, 8)
	kind := message(unix.SOL_SOCKET, unix.SCM_TIMESTAMP, 9)
	for _, c := range []struct {
		control []byte
		want    time.Duration
	}{
		{nil, 0}, {stamp, 7 * time.Second}, {level, 0}, {kind, 0}, {slices.Concat(level, stamp, kind), 7 * time.Second},
		{slices.Concat(stamp, level, kind), 7 * time.Second}, {stamp[:len(stamp)-1], 0},
		{slices.Concat(kind[:4], stamp), 0},
	} {
		require.Equal(t, c.want, stampOf(c.control), "%v", c.control)
	}
}

// The kernel's timestamp has two words of 64 bits, or of 32 bits on a 32-bit machine (struct timespec).
func TestTimespec(t *testing.T) {
	t.Parallel()
	order := binary.NativeEndian
	short := order.AppendUint32(order.AppendUint32(nil, 7), 250)
	long := order.AppendUint64(order.AppendUint64(nil, 7), 250)
	require.Equal(t, 7*time.Second+250, timespec(short))
	require.Equal(t, 7*time.Second+250, timespec(long))
	require.Zero(t, timespec(long[:12]))
}
