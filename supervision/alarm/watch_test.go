package alarm

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// watched looks every 30 s, and returns what was told and when, after the beginning.
type watched struct {
	w     Watch
	at    time.Duration
	begin time.Time
}

func (w *watched) look(l Look) *Message {
	w.at += 30 * time.Second
	if l.Boot == "" {
		l.Boot = "b"
	}
	return w.w.Look(w.begin.Add(w.at), l, Settings{Site: "Millrace Playhouse", Repeat: time.Hour})
}

// until looks until something is told, and returns it with the time since before.
func (w *watched) until(t *testing.T, l Look, most time.Duration) (*Message, time.Duration) {
	t.Helper()
	for from := w.at; w.at < from+most; {
		if m := w.look(l); m != nil {
			return m, w.at - from
		}
	}
	return nil, most
}

func newWatched() *watched {
	w := &watched{begin: time.Date(2026, 11, 2, 22, 0, 0, 0, time.UTC)}
	w.look(Look{Started: w.begin})
	return w
}

// SAFETY.md S136. A daemon that does not answer is told within 2 min, again at the pace of the file, and its end once.
func TestWatchTells(t *testing.T) {
	w := newWatched()
	m, after := w.until(t, Look{Problem: "no answer"}, time.Hour)
	require.LessOrEqual(t, after, 2*time.Minute-watchSlack)
	require.Equal(t, KindBegun, m.Kind)
	require.True(t, m.Urgent)
	require.Contains(t, m.Text, "no answer")
	again, after := w.until(t, Look{Problem: "no answer"}, 2*time.Hour)
	require.Equal(t, KindLasts, again.Kind)
	require.Equal(t, time.Hour, after)
	require.NotEqual(t, m.ID, again.ID)
	end, after := w.until(t, Look{Started: w.begin}, time.Hour)
	require.Equal(t, KindEnded, end.Kind)
	require.LessOrEqual(t, after, 2*time.Minute)
	require.False(t, end.Alarms[0].Until.IsZero())
	none, _ := w.until(t, Look{Started: w.begin}, 3*time.Hour)
	require.Nil(t, none, "an end is told once")
}

// watchSlack is what a look and a message may take beside the 30 s between two looks.
const watchSlack = 30 * time.Second

// SAFETY.md S136. A daemon that is killed again and again is told within 2 min, though it answers each look.
func TestWatchTellsCrashes(t *testing.T) {
	w := newWatched()
	var m *Message
	for m == nil && w.at < 2*time.Minute {
		m = w.look(Look{Started: w.begin.Add(w.at)})
	}
	require.NotNil(t, m)
	require.Contains(t, m.Text, "started again")
	end, _ := w.until(t, Look{Started: w.begin.Add(w.at)}, time.Hour)
	require.Equal(t, KindEnded, end.Kind)
}

// SAFETY.md S136. A restart, an upgrade and one crash are not told; a stop is told after an hour; a stop that another
// daemon has ended, or the machine's start, excuses nothing.
func TestWatchExcuses(t *testing.T) {
	w := newWatched()
	for range 6 { // six restarts in a row
		left := Left{At: w.begin.Add(w.at), Restart: true}
		require.Nil(t, w.look(Look{Problem: "no answer", Left: left}))
		left.Over = true
		require.Nil(t, w.look(Look{Started: w.begin.Add(w.at), Left: left}))
	}
	w = newWatched()
	require.Nil(t, w.look(Look{Problem: "no answer"}))
	none, _ := w.until(t, Look{Started: w.begin.Add(time.Minute)}, time.Hour)
	require.Nil(t, none, "one crash")

	w = newWatched()
	left := Left{At: w.begin.Add(w.at)}
	m, after := w.until(t, Look{Problem: "no answer", Left: left}, 2*time.Hour)
	require.NotNil(t, m)
	require.InDelta(t, time.Hour+time.Minute, after, float64(time.Minute))
	w = newWatched()
	left = Left{At: w.begin.Add(w.at), Over: true}
	_, after = w.until(t, Look{Problem: "no answer", Left: left}, time.Hour)
	require.LessOrEqual(t, after, 2*time.Minute-watchSlack)
	w = newWatched()
	left = Left{At: w.begin.Add(w.at)}
	_, after = w.until(t, Look{Problem: "no answer", Left: left, Boot: "another"}, time.Hour)
	require.LessOrEqual(t, after, 2*time.Minute-watchSlack)
}

// SAFETY.md S136. A daemon that dies right after a restart, before it can say that it has begun, is not excused by the
// restart.
func TestWatchTellsADeathAfterARestart(t *testing.T) {
	w := newWatched()
	left := Left{At: w.begin.Add(w.at), Restart: true}
	require.Nil(t, w.look(Look{Problem: "no answer", Left: left}))
	require.Nil(t, w.look(Look{Started: w.begin.Add(w.at), Left: left}))
	_, after := w.until(t, Look{Problem: "no answer", Left: left}, time.Hour)
	require.LessOrEqual(t, after, 2*time.Minute-watchSlack)
}

// Bad looks are counted neither over the machine's start nor with a clock that was set; several at once are not enough.
func TestWatchCounts(t *testing.T) {
	w := newWatched()
	dead := Look{Problem: "no answer"}
	require.Nil(t, w.look(dead))
	require.Nil(t, w.look(dead))
	dead.Boot = "another"
	require.Nil(t, w.look(dead))
	w.begin = w.begin.AddDate(-1, 0, 0)
	require.Nil(t, w.look(dead))
	require.Nil(t, w.look(dead))
	require.NotNil(t, w.look(dead))
	var fast Watch
	for i := range 50 {
		require.Nil(t, fast.Look(w.begin.Add(time.Duration(i)*time.Second), dead, Settings{}))
	}
}
