package daemon

import (
	"context"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/journal"
	"clearback/config"
	"clearback/supervision/alarm"
)

// This file reads the figures of a week from the journal. They have no name or number of a party, whatever
// journal.numbers says.

// Our own numbers.
const (
	// summaryReadFor bounds the reading of the journal. It takes a second with two million calls.
	summaryReadFor = time.Minute
	// summaryAgain is the pause between a failure and the next attempt to read the journal.
	summaryAgain = 10 * time.Minute
	// summaryEnd is how long the end of the daemon waits for the reading. A hand-over takes little longer (SAFETY.md
	// S132).
	summaryEnd = 100 * time.Millisecond
)

// weekRead is the result of reading the figures of a week.
type weekRead struct {
	*alarm.Week
	err error
}

// summarize starts a goroutine that reads the figures of the week that is due, because the disk may not respond.
func (s *serving) summarize(now alarm.Time) {
	if s.state == nil || s.readWeek == nil { // what was told before the restart is not known yet, or there is no journal
		return
	}
	week, changed := s.n.SummaryDue(now)
	s.dirty = s.dirty || changed
	if week == nil || s.readingWeek || now.Mono < s.weekAgain {
		return
	}
	s.readingWeek = true
	c, read := s.c, s.readWeek
	go func() {
		ctx, cancel := context.WithTimeout(s.reading, summaryReadFor)
		defer cancel()
		s.weeks <- weekRead{week, read(ctx, c, week)}
	}()
}

// weekIsRead sends the summary of the week whose figures were read, if it is still due.
func (s *serving) weekIsRead(r weekRead) {
	now := s.now()
	s.readingWeek = false
	if r.err != nil {
		s.weekAgain = now.Mono + summaryAgain
		s.log.Warn("the journal cannot be read for the week's summary; will try again", zap.Error(r.err))
		return
	}
	due, changed := s.n.SummaryDue(now)
	s.dirty = s.dirty || changed
	if due == nil || !due.To.Equal(r.To) {
		return
	}
	m := s.n.Summary(now, r.Week)
	s.put(&m)
	s.save(true)
}

// stopReading breaks off the reading of a week, and waits briefly for its end, so that the journal can be closed.
func (s *serving) stopReading() {
	s.cancelReading()
	if s.readingWeek {
		select {
		case <-s.weeks:
		case <-time.After(summaryEnd):
		}
	}
}

// readWeekOf returns a function that reads the figures of a week from the journal in that file.
func readWeekOf(path string) func(context.Context, *config.Config, *alarm.Week) error {
	return func(ctx context.Context, c *config.Config, w *alarm.Week) error {
		r, err := journal.OpenReader(path)
		if err != nil {
			return err
		}
		defer r.Close()
		totals, err := r.Totals(ctx, w.From, w.To)
		if err != nil {
			return err
		}
		losses, err := r.Losses(ctx, w.From)
		if err != nil {
			return err
		}
		for _, l := range losses {
			if l.Began.Before(w.To) {
				w.Lost += l.Records
			}
		}
		fillWeek(w, c, totals)
		return nil
	}
}

// fillWeek adds an entry for each line in the file, in the file's order, then for each other line in the journal.
func fillWeek(w *alarm.Week, c *config.Config, totals []journal.Totals) {
	at := map[string]int{}
	for i := range c.Lines {
		at[c.Lines[i].Name] = i
		w.Lines = append(w.Lines, alarm.WeekLine{Line: c.Lines[i].Name})
	}
	for _, t := range totals {
		l := alarm.WeekLine{Line: t.Line, Calls: t.Calls, Emergency: t.Emergency, Cleared: t.Cleared,
			Unverified: t.Unverified, Trials: t.Trials}
		if t.Before != 0 && t.Before != t.After { // 0: the journal may not reach back to it
			l.Before, l.After = t.Before.Milliseconds(), t.After.Milliseconds()
		}
		for reason, n := range t.Incidents {
			if l.Incidents == nil {
				l.Incidents = map[string]int{}
			}
			l.Incidents[reason.String()] = n
		}
		if i, ok := at[t.Line]; ok {
			w.Lines[i] = l
		} else {
			w.Lines = append(w.Lines, l)
		}
	}
}
