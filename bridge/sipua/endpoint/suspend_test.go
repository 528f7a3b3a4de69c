package endpoint

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// A suspend is what the boot clock or the wall clock gains on the clock of the timers. Time that passes on all three, a
// clock that is set back, and a small step are no suspend.
func TestSuspended(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		timers, wall, boot time.Duration // what passes on each clock
		want               time.Duration
	}{
		"the machine sleeps":             {0, 8 * time.Hour, 8 * time.Hour, 8 * time.Hour},
		"the process is stopped":         {time.Hour, time.Hour, time.Hour, 0},
		"a virtual machine is paused":    {0, 8 * time.Hour, 0, 8 * time.Hour},
		"the clock is set back":          {0, -8 * time.Hour, 0, 0},
		"it sleeps, then it is set back": {0, time.Hour, 8 * time.Hour, 8 * time.Hour},
		"just a suspend":                 {time.Minute, time.Minute, time.Minute + leastGain, leastGain},
		"just none":                      {time.Minute, time.Minute + leastGain - 1, time.Minute, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := &fakeClock{someDay, someRun}
			a := newArrivals(func() (wall, boot time.Duration) { return f.wall, f.boot })
			<-time.After(c.timers)
			f.wall, f.boot = f.wall+c.wall, f.boot+c.boot
			a.now() // a message is read before the suspend is reported
			require.Equal(t, c.want, a.takeGain(), name)
			a.now()
			require.Zero(t, a.takeGain(), "%s: once", name)
		})
	}
}
