package journal

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

const (
	// pruneRows limits the events and effects of a line that one step deletes.
	pruneRows = 400
	// vacuumPages is the number of pages given back to the file system at a time, 256 KiB.
	vacuumPages = 64
	// sizeSlack is the part of Options.MaxSize that is left for the write-ahead log and for what is written before the
	// next check.
	sizeSlack = walLimit
)

// pruner deletes records that are too old or exceed the size limit. Its steps are short enough to run between two
// batches.
type pruner struct {
	// set once
	pace pace

	calls          int // calls to delete in the next step; adapted to the duration of the steps
	checked        time.Time
	more           bool // the last step left records to delete
	steps          int
	slowest, stall time.Duration // the longest of all steps, without and with syncing to disk
}

// step does one step, if one is due.
func (d *pruner) step(ctx context.Context, s *store, o *Options, now time.Time) error {
	if !d.more && now.Sub(d.checked) < d.pace.dropEvery {
		return nil
	}
	d.checked = now
	began := time.Now()
	more, err := d.one(ctx, s, o, now)
	if more {
		d.steps, d.stall = d.steps+1, max(d.stall, time.Since(began))
	}
	if err != nil {
		return fmt.Errorf("delete old records: %w", err)
	}
	d.more = more
	return nil
}

// fit adapts the size of the next step to the duration of this one. The duration excludes syncing to disk, which takes
// its time even for one call.
func (d *pruner) fit(took time.Duration) {
	d.slowest = max(d.slowest, took)
	switch {
	case took > d.pace.drop:
		d.calls = max(1, d.calls/2)
	case took < d.pace.drop/2:
		d.calls = min(256, d.calls+4)
	}
}

func (d *pruner) one(ctx context.Context, s *store, o *Options, now time.Time) (more bool, err error) {
	size, free, err := s.size(ctx)
	if err != nil {
		return false, err
	}
	full := o.MaxSize > 0 && size-free > max(o.MaxSize-sizeSlack, o.MaxSize/2)
	before := time.Time{}
	if o.MaxAge > 0 && now.Sub(s.since) >= d.pace.clock && s.clockIsPlausible(now) {
		before = now.Add(-o.MaxAge)
	}
	spared := int64(0)
	if now.Sub(s.since) < o.MaxAge {
		spared = s.run // whatever the clock said, nothing of this run can be that old
	}
	if full || !before.IsZero() {
		err = inTransaction(ctx, s.conn, func() (err error) {
			began := time.Now()
			more, err = s.drop(ctx, before, full, spared, d.calls)
			d.fit(time.Since(began))
			return err
		})
		if err != nil || more {
			return more, err
		}
	}
	if o.MaxSize > 0 && size > max(o.MaxSize-sizeSlack, o.MaxSize/2) && free > 0 {
		return true, s.giveBack(ctx)
	}
	return false, nil
}

// clockLeap is the longest plausible time between the newest record of earlier runs and now. Beyond it the clock is
// more likely wrong.
const clockLeap = 5 * 365 * 24 * time.Hour

// clockIsPlausible reports whether the age of records can be determined. A clock that leapt, for example because a
// battery is empty, would make all records too old. In that case this run deletes nothing for its age. The size limit
// still applies.
func (s *store) clockIsPlausible(now time.Time) bool {
	return s.newest.IsZero() || now.Sub(s.newest) < clockLeap
}

// size returns the bytes of the file, and how many of them are free.
func (s *store) size(ctx context.Context) (size, free int64, err error) {
	var pages, unused, page int64
	err = s.conn.QueryRowContext(ctx,
		"SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count), (SELECT page_size FROM pragma_page_size)").
		Scan(&pages, &unused, &page)
	return pages * page, unused * page, err
}

// drop deletes at most limit of the oldest calls that began before an instant (or, if the file is full, whenever they
// began), and what was recorded before the oldest call that is left. Calls of the run spared (0: no run) are deleted
// only if the file is full. drop reports whether more may be left to delete. Open incidents and line states are kept.
func (s *store) drop(ctx context.Context, before time.Time, full bool, spared int64, limit int) (more bool, err error) {
	bound := before.UnixMicro()
	if before.IsZero() {
		bound = -1 << 62
	}
	until := bound
	if full {
		until, spared = 1<<63-1, 0
	}
	oldest, err := s.oldest(ctx, until, spared, limit)
	if err != nil {
		return false, err
	}
	lines := s.lines
	if n := len(oldest); n > 0 {
		bound = max(bound, oldest[n-1].began)
		if lines, err = s.dropCalls(ctx, oldest); err != nil {
			return false, err
		}
	}
	rows, err := s.dropEntries(ctx, lines, bound, full && len(oldest) == 0)
	if err != nil {
		return false, err
	}
	n, err := s.dropRest(ctx, bound, limit)
	return len(oldest) > 0 || full && rows > 0 || rows >= pruneRows || n >= int64(limit), err
}

type oldCall struct {
	id, began, call int64
	line            string
}

// oldest returns the oldest calls that began before an instant. It leaves out the calls of the run but.
func (s *store) oldest(ctx context.Context, until, but int64, limit int) ([]oldCall, error) {
	var all []oldCall
	err := each(ctx, s.conn,
		"SELECT c.id, c.began, c.call, l.name FROM calls c JOIN lines l ON l.id = c.line WHERE c.began < ? AND c.run <> ? ORDER BY c.began LIMIT ?",
		func(rows *sql.Rows) error {
			var c oldCall
			err := rows.Scan(&c.id, &c.began, &c.call, &c.line)
			all = append(all, c)
			return err
		}, until, but, limit)
	return all, err
}

// dropCalls deletes calls and returns the lines that had them.
func (s *store) dropCalls(ctx context.Context, calls []oldCall) (map[string]int64, error) {
	lines := map[string]int64{}
	var number int64
	for _, c := range calls {
		lines[c.line] = s.lines[c.line]
		number = max(number, c.call)
		if _, err := s.exec(ctx, "DELETE FROM calls WHERE id = ?", c.id); err != nil {
			return nil, err
		}
	}
	return lines, s.saveCounts(ctx, number)
}

// saveCounts saves the counts that are otherwise found in the largest records, since those may be deleted.
func (s *store) saveCounts(ctx context.Context, call int64) error {
	for _, c := range []struct {
		name  string
		value int64
	}{{"call", call}, {"changed", s.changed}, {"entry", s.top}} {
		if _, err := s.exec(ctx, `INSERT INTO counters(name, value) VALUES(?, ?)
			ON CONFLICT(name) DO UPDATE SET value = max(value, excluded.value)`, c.name, c.value); err != nil {
			return err
		}
	}
	return nil
}

// dropEntries deletes, for each line, the events and effects that come before the oldest call that is left and before
// bound. On a line without calls only bound applies. If any is true, bound is ignored.
func (s *store) dropEntries(ctx context.Context, lines map[string]int64, bound int64, any bool) (most int64,
	err error) {
	for _, line := range lines {
		first := int64(1<<63 - 1)
		if err := s.conn.QueryRowContext(ctx, "SELECT first FROM calls WHERE line = ? ORDER BY began LIMIT 1",
			line).Scan(&first); err != nil && err != sql.ErrNoRows {
			return most, err
		}
		at := bound
		if any {
			at = 1<<63 - 1
		}
		for _, table := range [...]string{"events", "effects"} {
			n, err := s.exec(ctx, "DELETE FROM "+table+" WHERE line = ?1 AND at < ?3 AND id IN (SELECT id FROM "+table+
				" WHERE line = ?1 AND id < ?2 ORDER BY id LIMIT ?4)", line, first, at, pruneRows)
			if err != nil {
				return most, err
			}
			most = max(most, n)
		}
	}
	return most, nil
}

// dropRest deletes ended incidents, trials, losses and runs from before bound.
func (s *store) dropRest(ctx context.Context, bound int64, limit int) (most int64, err error) {
	for _, q := range [...]string{
		"DELETE FROM incidents WHERE id IN (SELECT id FROM incidents WHERE began < ?1 AND ended < ?1 ORDER BY began LIMIT ?2)",
		"DELETE FROM trials WHERE id IN (SELECT id FROM trials WHERE at < ?1 ORDER BY id LIMIT ?2)",
		"DELETE FROM losses WHERE id IN (SELECT id FROM losses WHERE ended < ?1 ORDER BY id LIMIT ?2)",
		"DELETE FROM runs WHERE id < (SELECT max(id) FROM runs) AND id IN (SELECT id FROM runs WHERE began < ?1 ORDER BY id LIMIT ?2)",
	} {
		n, err := s.exec(ctx, q, bound, limit)
		if err != nil {
			return most, err
		}
		most = max(most, n)
	}
	return most, nil
}

// exec executes a statement and returns how many rows it changed. The statement is prepared at its first use.
func (s *store) exec(ctx context.Context, text string, args ...any) (int64, error) {
	st := s.prepared[text]
	if st == nil {
		var err error
		if st, err = s.conn.PrepareContext(ctx, text); err != nil {
			return 0, err
		}
		s.prepared[text] = st
		s.stmts.all = append(s.stmts.all, st)
	}
	res, err := st.ExecContext(ctx, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

// giveBack gives some free pages back to the file system.
func (s *store) giveBack(ctx context.Context) error {
	rows, err := s.conn.QueryContext(ctx, fmt.Sprintf("PRAGMA incremental_vacuum(%d)", vacuumPages))
	if err != nil {
		return err
	}
	for rows.Next() { // each step frees a page
	}
	if err := rows.Err(); err != nil {
		_ = rows.Close()
		return err
	}
	return rows.Close()
}
