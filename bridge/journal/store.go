package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"clearback/supervision/callrecord"
)

// store is an open file together with the state that the writer needs. It belongs to the writer's goroutine.
type store struct {
	// set once
	detail    Detail
	file      os.FileInfo
	db        *sql.DB
	conn      *sql.Conn
	run       int64
	begun     int64     // when the run began, as stored in the file
	since     time.Time // the same instant with a monotonic reading, which no clock change affects
	continued bool      // this process wrote the same file before
	stmts     statements

	lines   map[string]int64 // line name to row id
	call    int64            // the last row of calls
	changed int64
	top     int64 // the largest id of events and effects when the file was opened
	base    int64 // added to a seq, this gives the id in the file

	// stale are the incidents that an earlier run left open, by line.
	stale     map[string][]staleIncident
	brokenOff map[string][]uint64 // answered calls that this run found without an outcome, by line
	died      bool                // the run before this one has no recorded end
	newest    time.Time           // when the newest call began, as of the opening of the file

	args     []any
	prepared map[string]*sql.Stmt // see exec
}

type staleIncident struct {
	id, call int64
}

type statements struct {
	line, event, effect, measured, insert, update, find, findEarlier, incident, trial, state, trust, second *sql.Stmt

	all []*sql.Stmt
}

// callColumns are the columns of an account, in the order of callValues and scanRow.
var callColumns = strings.Fields(`changed line call direction emergency trial number name sip_call_id began answered cleared ended
	cleared_by evidence late answer openings asked measured hook verified outcome rule incident flash incident_ended failed clearing media`)

func columns(prefix string, names []string) string {
	return prefix + strings.Join(names, ", "+prefix)
}

func (s *store) prepare(ctx context.Context) error {
	q := &s.stmts
	var errs []error
	for _, p := range []struct {
		to   **sql.Stmt
		text string
	}{
		{&q.line, "INSERT INTO lines(name) VALUES(?)"},
		{&q.event, "INSERT INTO events(line, id, at, text) VALUES(?,?,?,?)"},
		{&q.effect, "INSERT INTO effects(line, id, at, text, asked) VALUES(?,?,?,?,?)"},
		{&q.measured, "UPDATE effects SET measured = ? WHERE line = ? AND id = ?"},
		{&q.insert, "INSERT INTO calls(" + columns("", callColumns) + ", last, id, run, first) VALUES(" +
			marks(len(callColumns)+4) + ")"},
		{&q.update, "UPDATE calls SET " + strings.Join(callColumns, " = ?, ") + " = ?, last = ?, run = ? WHERE id = ?"},
		{&q.find, "SELECT id FROM calls WHERE call = ? AND line = ? AND run = ?"},
		{&q.findEarlier, "SELECT id FROM calls WHERE call = ? AND line = ? AND run <= ? ORDER BY id DESC LIMIT 1"},
		{&q.incident, `INSERT INTO incidents(line, call, reason, rule, flash, began, ended) VALUES(?,?,?,?,?,?,?)
			ON CONFLICT(line, began, reason) DO UPDATE SET call = excluded.call, rule = excluded.rule, flash = excluded.flash, ended = excluded.ended`},
		{&q.trial, `INSERT OR REPLACE INTO trials(line, session, at, call, catch, asked, measured, cleared, by, rang_up)
			VALUES(?,?,?,?,?,?,?,?,?,?)`},
		{&q.state, "UPDATE lines SET stayed = ?, basis = ?, callback_by = ?, recent = ?, recent_at = ?, no_opening_by = ? WHERE id = ?"},
		{&q.trust, saveTrust},
		{&q.second, "UPDATE lines SET second_passed = ?, second_failed = ? WHERE id = ?"},
	} {
		st, err := s.conn.PrepareContext(ctx, p.text)
		*p.to = st
		if err == nil {
			q.all = append(q.all, st)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// saveTrust saves a Trust if it is later than the saved one.
const saveTrust = "UPDATE lines SET probe = ?, sense = ?, user_agent = ?, trust_at = ? WHERE id = ? AND coalesce(trust_at, 0) < ?"

// openStore opens the file for writing. If this process has not written the file before, a new run begins, and the
// calls that an earlier run left without an outcome are marked as broken off.
func openStore(ctx context.Context, o *Options, busy time.Duration, now time.Time, before *store) (s *store,
	err error) {
	s = &store{detail: o.Detail, prepared: map[string]*sql.Stmt{}, brokenOff: map[string][]uint64{}}
	if s.db, s.conn, err = connect(ctx, o.Path, busy); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = s.close() // err is the error to report
			s = nil
		}
	}()
	if s.file, err = os.Stat(o.Path); err != nil {
		return s, err
	}
	if err = s.prepare(ctx); err != nil {
		return s, err
	}
	err = inTransaction(ctx, s.conn, func() error {
		if err := s.read(ctx); err != nil {
			return err
		}
		if s.continued, err = before.isRunOf(ctx, s.conn); err != nil || s.continued {
			return err
		}
		return s.begin(ctx, o.Version, now)
	})
	if err == nil && s.continued {
		s.run, s.begun, s.since, s.base, s.stale, s.newest = before.run, before.begun, before.since, before.base,
			before.stale, before.newest
	}
	return s, err
}

// isRunOf reports whether the file holds the run that s wrote. The path, and even the inode, may belong to another file
// now.
func (s *store) isRunOf(ctx context.Context, c *sql.Conn) (is bool, err error) {
	if s == nil {
		return false, nil
	}
	err = c.QueryRowContext(ctx, "SELECT count(*) FROM runs WHERE id = ? AND began = ?", s.run, s.begun).Scan(&is)
	return is, err
}

// read reads what the writer needs to continue the file.
func (s *store) read(ctx context.Context) error {
	s.lines, s.stale = map[string]int64{}, map[string][]staleIncident{}
	if err := each(ctx, s.conn, "SELECT id, name FROM lines", func(rows *sql.Rows) error {
		var id int64
		var name string
		err := rows.Scan(&id, &name)
		s.lines[name] = id
		return err
	}); err != nil {
		return err
	}
	var newest sql.NullInt64
	if err := s.conn.QueryRowContext(ctx, `SELECT coalesce((SELECT max(id) FROM calls), 0),
		max(coalesce((SELECT max(changed) FROM calls), 0), coalesce((SELECT value FROM counters WHERE name = 'changed'), 0)),
		max(coalesce((SELECT last FROM calls ORDER BY id DESC LIMIT 1), 0), coalesce((SELECT value FROM counters WHERE name = 'entry'), 0)),
		(SELECT max(began) FROM calls)`).Scan(&s.call, &s.changed, &s.top, &newest); err != nil {
		return err
	}
	s.newest = instant(newest)
	for _, line := range s.lines {
		var top int64
		if err := s.conn.QueryRowContext(ctx, `SELECT max(coalesce((SELECT max(id) FROM events WHERE line = ?1), 0),
			coalesce((SELECT max(id) FROM effects WHERE line = ?1), 0))`, line).Scan(&top); err != nil {
			return err
		}
		s.top = max(s.top, top)
	}
	return each(ctx, s.conn,
		"SELECT i.id, i.call, l.name FROM incidents i JOIN lines l ON l.id = i.line WHERE i.ended IS NULL",
		func(rows *sql.Rows) error {
			var i staleIncident
			var line string
			err := rows.Scan(&i.id, &i.call, &line)
			s.stale[line] = append(s.stale[line], i)
			return err
		})
}

// begin records that a run begins.
func (s *store) begin(ctx context.Context, version string, now time.Time) error {
	s.begun, s.since = now.UnixMicro(), now
	const last = "SELECT count(*) FROM runs WHERE id = (SELECT max(id) FROM runs) AND ended IS NULL"
	if err := s.conn.QueryRowContext(ctx, last).Scan(&s.died); err != nil {
		return err
	}
	res, err := s.conn.ExecContext(ctx, "INSERT INTO runs(began, version) VALUES(?, ?)", s.begun, version)
	if err != nil {
		return err
	}
	if s.run, err = res.LastInsertId(); err != nil {
		return err
	}
	if err := s.findBroken(ctx); err != nil {
		return err
	}
	return s.breakOff(ctx, "run < ?", s.run)
}

// findBroken looks up the answered calls without an outcome. An earlier run left them when it did not shut down
// properly.
func (s *store) findBroken(ctx context.Context) error {
	return each(ctx, s.conn, fmt.Sprintf(`SELECT l.name, c.call FROM calls c JOIN lines l ON l.id = c.line
		WHERE c.outcome = %d AND c.run < ? AND c.answered IS NOT NULL ORDER BY c.id`, callrecord.OutcomeInProgress),
		func(rows *sql.Rows) error {
			var line string
			var call uint64
			err := rows.Scan(&line, &call)
			s.brokenOff[line] = append(s.brokenOff[line], call)
			return err
		}, s.run)
}

// breakOff marks the matching accounts without an outcome as broken off.
func (s *store) breakOff(ctx context.Context, which string, args ...any) error {
	res, err := s.conn.ExecContext(ctx, fmt.Sprintf(
		"UPDATE calls SET outcome = %d, failed = answered IS NOT NULL, clearing = clearing OR answered IS NOT NULL, changed = ? WHERE outcome = %d AND %s",
		callrecord.OutcomeBrokenOff, callrecord.OutcomeInProgress, which), append([]any{s.changed + 1}, args...)...)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err == nil && n > 0 {
		s.changed++
	}
	return nil
}

// firstCall returns a call number greater than all in the file.
func (s *store) firstCall(ctx context.Context) (n uint64, err error) {
	err = s.conn.QueryRowContext(ctx, `SELECT 1 + max(coalesce((SELECT max(call) FROM calls), 0),
		coalesce((SELECT value FROM counters WHERE name = 'call'), 0))`).Scan(&n)
	return n, err
}

// anchor sets base so that the next row gets an id greater than all ids in the file.
func (s *store) anchor(first seq) {
	if s.base+int64(first) <= s.top {
		s.base = s.top + 1 - int64(first)
	}
}

// write writes the batch in one transaction, but at most limit of its rows. It returns how many rows it wrote.
func (s *store) write(ctx context.Context, d *batcher, limit int) (rows int, err error) {
	rows = min(limit, len(d.rows))
	call, changed := s.call, s.changed
	fresh := map[*account]int64{}
	var newLines []string
	err = inTransaction(ctx, s.conn, func() error {
		for i := range d.rows[:rows] {
			if err := s.row(ctx, &d.rows[i], &newLines); err != nil {
				return err
			}
		}
		for _, a := range d.accounts {
			if err := s.account(ctx, a, fresh, &newLines); err != nil {
				return err
			}
		}
		for i := range d.incidents {
			if err := s.incident(ctx, &d.incidents[i], &newLines); err != nil {
				return err
			}
		}
		for i := range d.trials {
			if err := s.trial(ctx, &d.trials[i], &newLines); err != nil {
				return err
			}
		}
		for _, k := range d.states {
			if err := s.state(ctx, &k, &newLines); err != nil {
				return err
			}
		}
		for line, at := range d.staleEnded {
			if err := s.endStaleIncidents(ctx, line, at); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		s.call, s.changed = call, changed
		for _, name := range newLines {
			delete(s.lines, name)
		}
		return 0, err
	}
	for a, id := range fresh {
		a.id = id
	}
	for line := range d.staleEnded {
		delete(s.stale, line)
	}
	return rows, nil
}

// line returns the row id of a line. If the line has no row, it adds the row.
func (s *store) line(ctx context.Context, name string, fresh *[]string) (int64, error) {
	if id, ok := s.lines[name]; ok {
		return id, nil
	}
	var id int64
	switch err := s.conn.QueryRowContext(ctx, "SELECT id FROM lines WHERE name = ?", name).Scan(&id); {
	case err == nil: // another process added it
		s.lines[name] = id
		return id, nil
	case !errors.Is(err, sql.ErrNoRows):
		return 0, err
	}
	res, err := s.stmts.line.ExecContext(ctx, name)
	if err != nil {
		return 0, err
	}
	if id, err = res.LastInsertId(); err != nil {
		return 0, err
	}
	s.lines[name] = id
	*fresh = append(*fresh, name)
	return id, nil
}

func (s *store) row(ctx context.Context, r *row, fresh *[]string) error {
	line, err := s.line(ctx, r.line, fresh)
	if err != nil {
		return err
	}
	id := s.base + int64(r.n)
	switch {
	case r.measures:
		_, err = s.stmts.measured.ExecContext(ctx, int64(r.measured), line, id)
	case r.effect && r.asked > 0:
		_, err = s.stmts.effect.ExecContext(ctx, line, id, r.at.UnixMicro(), r.text, int64(r.asked))
	case r.effect:
		_, err = s.stmts.effect.ExecContext(ctx, line, id, r.at.UnixMicro(), r.text, nil)
	default:
		_, err = s.stmts.event.ExecContext(ctx, line, id, r.at.UnixMicro(), r.text)
	}
	return err
}

func (s *store) account(ctx context.Context, a *account, fresh map[*account]int64, lines *[]string) error {
	line, err := s.line(ctx, a.Line, lines)
	if err != nil {
		return err
	}
	id := a.id
	if id == 0 && a.Call != 0 {
		// The account may have been written before it was dropped from memory, or by the former run of an adopted call.
		find := s.stmts.find
		if a.adopted {
			find = s.stmts.findEarlier
		}
		if err := find.QueryRowContext(ctx, int64(a.Call), line, s.run).Scan(&id); err != nil &&
			!errors.Is(err, sql.ErrNoRows) {
			return err
		}
	}
	s.changed++
	s.args = s.callValues(s.args[:0], line, &a.Account)
	s.args = append(s.args, s.base+int64(a.last))
	if id != 0 {
		_, err = s.stmts.update.ExecContext(ctx, append(s.args, s.run, id)...)
	} else {
		s.call++
		id = s.call
		_, err = s.stmts.insert.ExecContext(ctx, append(s.args, id, s.run, s.base+int64(a.first))...)
	}
	fresh[a] = id
	return err
}

// callValues appends the values of callColumns.
func (s *store) callValues(to []any, line int64, a *callrecord.Account) []any {
	p := s.detail.of(a.Party, a.Emergency)
	return append(to, s.changed, line, int64(a.Call), int64(a.Direction), a.Emergency, a.Trial, p.Number, p.Name,
		p.CallID,
		a.Began.UnixMicro(), number(a.Answered), number(a.Cleared), number(a.Ended),
		int64(a.ClearedBy), int64(a.Evidence), int64(a.Late), int64(a.Answer), a.Openings, int64(a.Asked),
		int64(a.Measured),
		int64(a.Hook), int64(a.Verified), int64(a.Outcome), int64(a.Rule), int64(a.Incident), a.Flash,
		number(a.IncidentEnded),
		a.Failed(), clearing(a), mediaText(a.Media))
}

// mediaText returns the media of a call as the file stores it.
func mediaText(m *callrecord.Media) any {
	if m == nil {
		return nil
	}
	text, err := json.Marshal(m)
	if err != nil {
		return nil // a level that is no number; the rest of the account matters more
	}
	return string(text)
}

// clearing reports whether the call has a clearing to explain, or was refused or broken off.
func clearing(a *callrecord.Account) bool {
	return !a.Cleared.IsZero() && a.Outcome != callrecord.OutcomeNotNeeded || a.Openings > 0 ||
		a.Outcome == callrecord.OutcomeRefused ||
		a.Outcome == callrecord.OutcomeBrokenOff && !a.Answered.IsZero()
}

func (s *store) incident(ctx context.Context, i *callrecord.Incident, lines *[]string) error {
	line, err := s.line(ctx, i.Line, lines)
	if err != nil {
		return err
	}
	_, err = s.stmts.incident.ExecContext(ctx, line, int64(i.Call), int64(i.Reason), int64(i.Rule), i.Flash,
		i.Began.UnixMicro(), number(i.Ended))
	return err
}

func (s *store) trial(ctx context.Context, t *Trial, lines *[]string) error {
	line, err := s.line(ctx, t.Line, lines)
	if err != nil {
		return err
	}
	_, err = s.stmts.trial.ExecContext(ctx, line, t.Session, t.At.UnixMicro(), int64(t.Call), t.Catch, int64(t.Asked),
		int64(t.Measured),
		int64(t.Cleared), int64(t.By), t.RangUp)
	return err
}

func (s *store) state(ctx context.Context, k *SavedLine, lines *[]string) error {
	line, err := s.line(ctx, k.Line, lines)
	if err != nil {
		return err
	}
	_, err = s.stmts.state.ExecContext(ctx, k.Stayed, k.Basis, number(k.CallbackBy), k.Recent, number(k.RecentAt),
		number(k.NoOpeningBy), line)
	if err == nil && k.Second != (SecondServer{}) {
		_, err = s.stmts.second.ExecContext(ctx, number(k.Second.Passed), number(k.Second.Failed), line)
	}
	if err != nil {
		return err
	}
	if k.Trust.At.IsZero() {
		return nil
	}
	at := k.Trust.At.UnixMicro()
	_, err = s.stmts.trust.ExecContext(ctx, k.Trust.Probe, k.Trust.Sense, k.Trust.UserAgent, at, line, at)
	return err
}

// endStaleIncidents ends the incidents of a line that an earlier run left open.
func (s *store) endStaleIncidents(ctx context.Context, line string, at time.Time) error {
	for _, i := range s.stale[line] {
		if _, err := s.conn.ExecContext(ctx, "UPDATE incidents SET ended = ? WHERE id = ?", at.UnixMicro(),
			i.id); err != nil {
			return err
		}
		if i.call == 0 {
			continue
		}
		if _, err := s.conn.ExecContext(ctx, `UPDATE calls SET incident_ended = ?, changed = ?
			WHERE call = ? AND line = ? AND incident_ended IS NULL AND incident <> 0`,
			at.UnixMicro(), s.changed+1, i.call, s.lines[line]); err != nil {
			return err
		}
		s.changed++
	}
	return nil
}

// end records that the run ended, and closes the file.
func (s *store) end(ctx context.Context, now time.Time) error {
	err := inTransaction(ctx, s.conn, func() error {
		if err := s.breakOff(ctx, "run = ?", s.run); err != nil {
			return err
		}
		_, err := s.conn.ExecContext(ctx, "UPDATE runs SET ended = ? WHERE id = ?", now.UnixMicro(), s.run)
		return err
	})
	if err == nil {
		// If a reader has the file open, closing our connection does not empty the write-ahead log.
		_, err = s.conn.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
	}
	return errors.Join(err, s.close())
}

// close closes the file. SQLite keeps the file open as long as a statement is open.
func (s *store) close() error {
	var errs []error
	for _, st := range s.stmts.all {
		errs = append(errs, st.Close())
	}
	return errors.Join(append(errs, closeBoth(s.db, s.conn))...)
}
