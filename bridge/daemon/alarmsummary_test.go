package daemon

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/zap"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision"
	"clearback/supervision/alarm"
	"clearback/supervision/callrecord"
)

// summaryRunner starts a runner whose week ends 10 min after the beginning of the test, by synctest's clock.
func summaryRunner(folder string, q *messageQueue, week config.WeekTime,
	read func(context.Context, *config.Config, *alarm.Week) error) *alarmRunner {
	a := prepareRunner(folder, q)
	c := *a.c
	c.Alarms.Summary = &week
	a.c, a.readWeek = &c, read
	a.start()
	return a
}

// The summary of a week is sent once, also if the daemon is killed before it is on the disk: then with the same ID.
func TestSummaryOverARestart(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		end := time.Now().Add(10 * time.Minute)
		week := config.WeekTime{Day: end.Weekday(), Minute: end.Hour()*60 + end.Minute()}
		read := func(_ context.Context, c *config.Config, w *alarm.Week) error {
			fillWeek(w, c, []journal.Totals{{Line: "stage-door", Calls: 3}})
			return nil
		}
		q := &messageQueue{}
		a := summaryRunner(folder, q, week, read)
		time.Sleep(10*time.Minute + 59*time.Second)
		synctest.Wait()
		require.Empty(t, q.messages())
		time.Sleep(6 * time.Second)
		synctest.Wait()
		require.Len(t, q.messages(), 1)
		first := q.messages()[0]
		require.Equal(t, alarm.KindSummary, first.Kind)
		require.True(t, end.Equal(first.Summary.To))
		require.Equal(t, []alarm.WeekLine{{Line: "stage-door", Calls: 3}}, first.Summary.Lines)
		time.Sleep(time.Hour)
		require.Len(t, q.messages(), 1)
		a.close(nil, false) // as if killed: the message was not on the disk

		q = &messageQueue{onDisk: true}
		a = summaryRunner(folder, q, week, read)
		time.Sleep(time.Minute)
		require.Len(t, q.messages(), 1)
		require.Equal(t, first.ID, q.messages()[0].ID)
		a.close(nil, false)

		q = &messageQueue{onDisk: true}
		a = summaryRunner(folder, q, week, read)
		time.Sleep(time.Hour)
		require.Empty(t, q.messages(), "told before the restart")
		a.close(nil, false)
	})
}

// A journal that does not respond holds up no alarm, and one that cannot be read is read again.
func TestSummaryOfAJournalThatFails(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		end := time.Now().Add(10 * time.Minute)
		week := config.WeekTime{Day: end.Weekday(), Minute: end.Hour()*60 + end.Minute()}
		q := &messageQueue{onDisk: true}
		answers := make(chan error) // the test answers each reading
		a := summaryRunner(folder, q, week,
			func(context.Context, *config.Config, *alarm.Week) error { return <-answers })
		l := lineOf(a)
		time.Sleep(12 * time.Minute)
		l.setFault(time.Now(), supervision.IncidentUnreachable)
		synctest.Wait()
		require.Equal(t, []string{"begun line/stage-door/loop!"}, q.told())
		answers <- errors.New("it is locked")
		asked := time.Now()
		answers <- nil
		require.InDelta(t, summaryAgain.Seconds(), time.Since(asked).Seconds(), alarmPoll.Seconds())
		synctest.Wait()
		require.Len(t, q.messages(), 1)
		require.Equal(t, alarm.KindSummary, q.messages()[0].Kind)
		a.close(nil, false)
	})
}

// Nothing is read when the summary is not asked for any more, or there is no journal.
func TestSummaryNotAskedFor(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "alarms")
	synctest.Test(t, func(t *testing.T) {
		end := time.Now().Add(10 * time.Minute)
		week := config.WeekTime{Day: end.Weekday(), Minute: end.Hour()*60 + end.Minute()}
		q := &messageQueue{onDisk: true}
		answers := make(chan error) // the test answers the reading
		a := summaryRunner(folder, q, week,
			func(context.Context, *config.Config, *alarm.Week) error { return <-answers })
		time.Sleep(12 * time.Minute)
		without := *a.c
		without.Alarms.Summary = nil
		a.configure(&without)
		synctest.Wait()
		answers <- nil
		time.Sleep(time.Hour)
		require.Empty(t, q.messages())
		a.close(nil, false)

		a = summaryRunner(folder, q, week, nil)
		time.Sleep(time.Hour)
		require.Empty(t, q.messages())
		a.close(nil, false)
	})
}

// With a real journal, and the lines of the file.
func TestReadWeek(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	began := time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC)
	j := journal.Open(journal.Options{Path: path, Version: "v0.0.0-test", Logger: zap.NewNop()})
	add := func(line string, call supervision.CallID, at time.Time, asked time.Duration) {
		j.AppendAccount(callrecord.Account{Line: line, Call: call, Direction: callrecord.Incoming,
			Party: callrecord.Party{Number: "5550123", Name: "Prop Shop"}, Began: at, Answered: at, Cleared: at, Ended: at,
			ClearedBy: callrecord.ClearedByFarEnd, Openings: 1, Asked: asked, Outcome: callrecord.OutcomeCleared})
	}
	add("workshop", 1, began.AddDate(0, 0, -5), 800*time.Millisecond)
	add("workshop", 2, began, time.Second)
	add("green-room", 3, began, time.Second) // no longer in the file
	j.Append(callrecord.Entry{At: began, Line: "workshop", Event: supervision.Event{Kind: supervision.TimePassed}}, nil,
		[]callrecord.Incident{{Line: "workshop", Reason: supervision.IncidentIntervalShort, Began: began}})
	require.NoError(t, j.Close())
	c := &config.Config{Lines: []config.Line{{Name: "workshop"}, {Name: "box-office"}}}
	w := &alarm.Week{From: began.AddDate(0, 0, -2), To: began.AddDate(0, 0, 5)}
	require.NoError(t, readWeekOf(path)(t.Context(), c, w))
	require.Equal(t, []alarm.WeekLine{
		{Line: "workshop", Calls: 1, Cleared: 1, Before: 800, After: 1000, Incidents: map[string]int{"interval-short": 1}},
		{Line: "box-office"},
		{Line: "green-room", Calls: 1, Cleared: 1},
	}, w.Lines)
	require.Zero(t, w.Lost)
	require.ErrorIs(t, readWeekOf(path+".none")(t.Context(), c, w), journal.ErrNotFound)
}
