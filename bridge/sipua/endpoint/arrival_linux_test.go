package endpoint

import (
	"encoding/binary"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

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
