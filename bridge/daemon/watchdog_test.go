package daemon

import (
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"clearback/bridge"
	"clearback/bridge/relay"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// noCalls is a user agent without calls.
type noCalls struct{}

func (noCalls) Offer(supervision.CallID)           {}
func (noCalls) Refuse(supervision.CallID, int)     {}
func (noCalls) ClearAdapterLeg(supervision.CallID) {}
func (noCalls) ClearFarEnd(supervision.CallID)     {}
func (noCalls) Probe()                             {}

// idleLine is a line that runs until the test stops it.
func idleLine(name string) *Line {
	l := &Line{name: name, line: bridge.NewLine(bridge.LineOptions{
		Name: name, Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{}, Epoch: time.Now(),
		Logger: zap.NewNop()})}
	l.line.Start(noCalls{})
	return l
}

// stick blocks the line's goroutine until the channel that it returns is closed.
func stick(l *Line) chan struct{} {
	stuck := make(chan struct{}) // closed by the caller
	stop := l.line.Follow(func(callrecord.Entry) { <-stuck })
	l.line.Post(supervision.Event{Kind: supervision.FlashReported})
	synctest.Wait()
	stop()
	return stuck
}

// watchdogBed is a running watchdog with two lines.
type watchdogBed struct {
	*watchdog
	d     *Daemon
	lines []*Line
	logs  *observer.ObservedLogs
	fed   atomic.Int32
}

func newWatchdogBed(t *testing.T, emergency func() bool) *watchdogBed {
	return newWatchdogBedOf(t, emergency, 2500*time.Millisecond)
}

func newWatchdogBedOf(t *testing.T, emergency func() bool, every time.Duration) *watchdogBed {
	core, logs := observer.New(zap.InfoLevel)
	b := &watchdogBed{lines: []*Line{idleLine("box-office"), idleLine("stage-door")}, logs: logs}
	b.d = &Daemon{}
	b.d.lines.Store(&b.lines)
	b.watchdog = newWatchdog(b.d, Options{Logger: zap.New(core), Watchdog: every,
		Notify: func(state string) {
			assert.Equal(t, "WATCHDOG=1", state)
			b.fed.Add(1)
		}})
	b.emergency.ask = emergency
	b.start()
	time.Sleep(time.Millisecond) // what follows happens between two ticks
	return b
}

// during returns how often the watchdog was fed during a span.
func (b *watchdogBed) during(span time.Duration) int {
	before := b.fed.Load()
	time.Sleep(span)
	synctest.Wait()
	return int(b.fed.Load() - before)
}

func (b *watchdogBed) stop() {
	b.end()
	for _, l := range b.lines {
		l.line.Stop()
	}
}

// Without a service manager's watchdog nothing is fed, and the health follows the same rule. The log promises no
// restart.
func TestHealthWithoutAWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var emergency atomic.Bool
		b := newWatchdogBedOf(t, emergency.Load, 0)
		assert.Zero(t, b.during(time.Minute))
		assert.True(t, b.healthy())
		stuck := stick(b.lines[0])
		assert.Zero(t, b.during(time.Minute))
		assert.False(t, b.healthy())
		require.Equal(t, 1, b.logs.Len())
		assert.Equal(t, "a line is stuck; restart the daemon, after any emergency call", b.logs.All()[0].Message)
		emergency.Store(true)
		b.during(time.Minute)
		assert.True(t, b.healthy(), "an emergency call is up")
		close(stuck)
		b.stop()
	})
}

// SAFETY.md S105: a line whose goroutine is stuck ends the feeding within three periods, although the other line runs.
// Once the line runs again, the watchdog is fed again.
func TestStuckLineStopsTheWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newWatchdogBed(t, func() bool { return false })
		assert.True(t, b.healthy(), "before it is first fed")
		assert.Equal(t, 4, b.during(10*time.Second), "every period, although nothing happens")
		stuck := stick(b.lines[0])
		assert.LessOrEqual(t, b.during(3*b.every), 2)
		assert.Zero(t, b.during(time.Minute))
		assert.False(t, b.healthy())
		all := b.logs.All()
		require.Len(t, all, 1, "once")
		assert.Equal(t, "box-office", all[0].ContextMap()["line"])
		close(stuck)
		assert.Positive(t, b.during(2*b.every))
		assert.Equal(t, 4, b.during(10*time.Second))
		assert.True(t, b.healthy())
		b.stop()
		assert.Zero(t, b.during(10*time.Second))
	})
}

// A line that a reload has added is watched too, and one that it has removed is not any more.
func TestWatchdogFollowsReloads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newWatchdogBed(t, func() bool { return false })
		added := idleLine("workshop")
		b.d.lines.Store(&[]*Line{b.lines[0], added})
		stuck := stick(b.lines[1])
		assert.Equal(t, 4, b.during(10*time.Second), "the line that is stuck has been removed")
		close(stuck)
		stuck = stick(added)
		assert.LessOrEqual(t, b.during(3*b.every), 2)
		assert.Zero(t, b.during(time.Minute))
		close(stuck)
		assert.Positive(t, b.during(2*b.every))
		added.line.Stop()
		b.stop()
	})
}

// SAFETY.md S105: while an emergency call is up, on whichever line, the daemon is not killed for a line that is stuck;
// afterwards it is. If nothing says whether such a call is up, it is killed too.
func TestEmergencyCallKeepsTheWatchdogFed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var up, hangs atomic.Bool
		hang := make(chan struct{}) // closed when the answer comes
		up.Store(true)
		b := newWatchdogBed(t, func() bool {
			if hangs.Load() {
				<-hang
			}
			return up.Load()
		})
		stuck := stick(b.lines[1])
		assert.Equal(t, 24, b.during(time.Minute))
		hangs.Store(true)
		b.during(3 * b.every)
		assert.Zero(t, b.during(time.Minute), "no answer")
		hangs.Store(false)
		close(hang)
		b.during(b.every)
		assert.Equal(t, 24, b.during(time.Minute))
		up.Store(false)
		b.during(b.every)
		assert.Zero(t, b.during(time.Minute), "the call has ended")
		close(stuck)
		b.stop()
	})
}
