package gpio

import (
	"syscall"
	"testing"
	"time"

	"clearback/bridge/relay"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestKernelClockSetBack sets the time of day back by an hour while the loop is open, and again before a command is
// written. Neither has an effect, since only the kernel's monotonic clock is used (clock_gettime(2)).
func TestKernelClockSetBack(t *testing.T) {
	chip := newSimChip(t, "expander", "")
	contact, b, _ := simBoard(t, Options{Chip: "expander"}, ContactOptions{Line: "0"})
	require.NoError(t, b.Ready(within(t)))
	back := func() {
		var tv syscall.Timeval
		require.NoError(t, syscall.Gettimeofday(&tv))
		tv.Sec -= 3600
		require.NoError(t, syscall.Settimeofday(&tv))
	}
	monotonic := func() time.Duration {
		var ts unix.Timespec
		require.NoError(t, unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts))
		return time.Duration(ts.Nano())
	}
	const asked = 300 * time.Millisecond
	for seq := range uint32(2) {
		i := relay.Interruption{Seq: seq + 1, Duration: asked, NotAfter: time.Now().Add(time.Second)}
		if seq == 1 {
			back()
		}
		var from time.Duration
		i.Opened = func(time.Time) {
			from = monotonic()
			back()
		}
		r := contact.Interrupt(within(t), i)
		took := monotonic() - from
		require.Equal(t, relay.Done, r.Outcome, "%v", r.Err)
		require.False(t, chip.high(0))
		require.InDelta(t, asked, took, float64(200*time.Millisecond), "in an emulated machine")
		t.Logf("open for %v by the monotonic clock, requested %v; reported %v", took, asked, r.OpenFor)
	}
}
