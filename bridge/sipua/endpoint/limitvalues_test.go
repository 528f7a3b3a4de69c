package endpoint

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The other tests use the limits by name. This test repeats their values, so that none changes by mistake.
func TestLimitValues(t *testing.T) {
	for _, c := range []struct{ want, is int }{
		{32768, maxMessage}, {16384, maxHead}, {16384, maxBody}, {8192, maxField}, {256, maxFields}, {4096, maxEcho},
		{8192, maxServers}, {16384, maxServersHard}, {4096, maxServersSource}, {64, maxServersFew},
		{512, maxUnknownServers}, {32, maxUnknownServersSource},
		{512, maxSearched}, {16, maxReserved}, {64, maxReservedCallers}, {1000, slewing},
		{4096, maxQueues}, {2048, maxQueuesSource}, {64, maxQueuesFew}, {8192, maxQueuesHard}, {256, maxWaiting},
		{64, maxWaitingReserved},
		{256, maxCancels}, {64, maxCancelsSource},
		{512, maxConns}, {256, maxConnsSource}, {64, maxUnknownConns}, {4, maxUnknownConnsSource},
		{100, unknownRate}, {200, unknownBurst}, {10, unknownSourceRate}, {20, unknownSourceBurst},
		{4096, unknownSlots},
		{1024, maxKnown}, {4194304, receiveBuffer}, {65535, maxDatagram}, {256, shrinkFrom}, {256, maxHosts},
		{16, maxAddresses},
		{70, maxForwards}, {122, maxPrintable}, {1, dropped},
	} {
		require.Equal(t, c.want, c.is)
	}
	for _, c := range []struct{ want, is time.Duration }{
		{10 * time.Second, messageLimit}, {2 * time.Hour, idleLimit}, {30 * time.Second, unknownIdleLimit},
		{12 * time.Hour, knownFor},
		{50 * time.Millisecond, cancelWait}, {time.Minute, fullEvery}, {5 * time.Second, dialLimit},
		{time.Second, lookupLimit},
		{5 * time.Second, writeLimit}, {5 * time.Second, silenceLimit},
		{250 * time.Millisecond, lookEvery}, {750 * time.Millisecond, stopGap},
		{5 * time.Millisecond, clockPairSlack},
	} {
		require.Equal(t, c.want, c.is)
	}
}
