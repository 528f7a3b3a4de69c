package bridge

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/relay"
	"clearback/supervision"
)

// TestAtRest: an event that nobody has taken yet, and an opening under way, are no rest.
func TestAtRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := NewLine(LineOptions{Name: "workshop", Policy: supervision.DefaultPolicy(), Contact: relay.NoContact{},
			Epoch: time.Now(), Logger: zap.NewNop()})
		require.True(t, l.AtRest())
		l.Post(supervision.Event{Kind: supervision.LeftOffHook})
		require.False(t, l.AtRest())
		l.Stop()

		r := newTestBed()
		require.True(t, r.AtRest())
		for _, busy := range []bool{true, false} {
			r.interrupter.mu.Lock()
			r.interrupter.cancel = nil
			if busy {
				r.interrupter.cancel = func() {}
			}
			r.interrupter.mu.Unlock()
			require.Equal(t, !busy, r.AtRest())
		}
		r.Stop()
	})
}

// TestReadingAfterStop: a reading that ends after the line has ended changes nothing.
func TestReadingAfterStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newCurrentTestBed(0, false)
		s.after(time.Second)
		s.Stop()
		before := s.texts()
		s.mailbox.putReading(supervision.Event{Kind: supervision.Seized}, s.mailbox.closings())
		require.True(t, s.mailbox.empty())
		require.Equal(t, before, s.texts())
	})
}

// TestRemindersKeepTheirPace: an incident that lasts is told again when that is due, however often the line wakes.
func TestRemindersKeepTheirPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := supervision.DefaultPolicy()
		p.ProbeTrusted, p.Watch = true, time.Minute
		r := newTestBedWith(LineOptions{Policy: p, Remind: time.Hour})
		r.Post(supervision.Event{Kind: supervision.LeftOffHook})
		r.after(time.Hour - time.Millisecond)
		require.NotZero(t, r.View().Incident)
		require.Contains(t, r.callLog.list(), "probe")
		require.Zero(t, r.log.FilterMessage("incident lasts").Len())
		r.after(time.Hour)
		require.Equal(t, 1, r.log.FilterMessage("incident lasts").Len())
		r.Stop()
	})
}
