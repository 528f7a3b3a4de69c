package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"clearback/supervision/callrecord"
)

// Copy writes a consistent copy of the journal at path to the new file to, of mode 0600, also while a daemon writes the
// journal. The journal may have an older version. The errors are those of [OpenReader], and that of a full disk.
func Copy(ctx context.Context, path, to string) error {
	r, err := openAny(path, 1)
	if err != nil {
		return err
	}
	defer r.Close()
	// SQLite fills an empty file, but would create one for everybody to read (sqlite.org/lang_vacuum.html).
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if _, err := r.db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		return fmt.Errorf("copy the journal %s to %s: %s: %w", path, to, explain(to, err), err)
	}
	return nil
}

// CheckCopy checks a copy, which may come from anywhere, before it becomes a journal: it has to be whole, and have the
// tables of a journal and nothing else, such as triggers. The copy may have an older version. No other process may use
// it. The error can contain text of the copy.
func CheckCopy(ctx context.Context, path string) (err error) {
	db, err := sql.Open("sqlite", dsn(path, "mode=rw&_pragma=trusted_schema(0)&_pragma=cell_size_check(1)"))
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(1)
	c, err := db.Conn(ctx)
	if err != nil {
		return errors.Join(notWhole(err), db.Close())
	}
	defer func() { err = errors.Join(err, closeBoth(db, c)) }()
	v, err := version(ctx, c)
	switch {
	case err != nil:
		return notWhole(err)
	case v > len(schema):
		return newer(v)
	case v < 1:
		return fmt.Errorf("%w: the copy is empty", ErrNotFound)
	}
	if err := sameSchema(ctx, c, v); err != nil {
		return err
	}
	var result string
	if err := c.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&result); err != nil {
		return notWhole(err)
	}
	if result != "ok" {
		return notWhole(errors.New(result))
	}
	// To SQLite, a name as text and the same name as bytes are two names, to us they are one.
	var others int
	err = c.QueryRowContext(ctx, "SELECT count(*) FROM lines WHERE typeof(name) <> 'text'").Scan(&others)
	if err == nil && others > 0 {
		err = errors.New("names of lines are not text")
	}
	if err != nil {
		return notWhole(err)
	}
	return nil
}

func notWhole(err error) error { return fmt.Errorf("the copy of the journal is damaged: %w", err) }

// sameSchema returns an error unless a file has exactly the tables and indexes of a journal of version v.
func sameSchema(ctx context.Context, c *sql.Conn, v int) error {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // each connection has a database of its own
	for _, statements := range schema[:v] {
		if _, err := db.ExecContext(ctx, statements); err != nil {
			return err
		}
	}
	want, err := objects(ctx, db)
	if err != nil {
		return err
	}
	have, err := objects(ctx, c)
	if err != nil {
		return notWhole(err)
	}
	if !slices.Equal(have, want) {
		return fmt.Errorf("the copy is not a journal of version %d: its tables, indexes, views or triggers differ", v)
	}
	return nil
}

// objects returns what a database's schema defines, sorted, without differences of white space. It leaves out the
// tables of ANALYZE (sqlite.org/fileformat.html, section 2.6), which only influence how fast queries are.
func objects(ctx context.Context, q querier) (all []string, err error) {
	err = each(ctx, q, `SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema
		WHERE sql IS NOT 'CREATE TABLE sqlite_stat1(tbl,idx,stat)'
		AND sql IS NOT 'CREATE TABLE sqlite_stat4(tbl,idx,neq,nlt,ndlt,sample)'`, func(rows *sql.Rows) error {
		var o [4]string
		err := rows.Scan(&o[0], &o[1], &o[2], &o[3])
		all = append(all, strings.Join(strings.Fields(strings.Join(o[:], " ")), " "))
		return err
	})
	slices.Sort(all)
	return all, err
}

// Merge brings the write-ahead log of a journal that no daemon writes into the journal itself. The error is [ErrInUse]
// if another program reads the journal meanwhile, and [ErrDamaged] if the file is damaged or is no journal. Merge does
// not read the tables, so the version does not matter.
func Merge(ctx context.Context, path string) (err error) {
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var busy, log, done int // sqlite.org/pragma.html#pragma_wal_checkpoint
	err = db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &log, &done)
	switch {
	case err == nil && busy != 0 || errorKindOf(err) == errorBusy:
		return fmt.Errorf("%w: another program, such as clearback calls --follow, reads %s; end it", ErrInUse, path)
	case errorKindOf(err) == errorDamaged:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case err != nil:
		return fmt.Errorf("read the journal %s: %s: %w", path, explain(path, err), err)
	}
	return nil
}

// brokenOffAge is how long after its beginning a broken-off emergency call whose end is not known still counts. It is
// the age of the oldest call that a start takes up (sipua.longestCall).
const brokenOffAge = 48 * time.Hour

// SavedLines returns the saved state of all lines in a journal that no daemon writes, and the lines with an emergency
// call that had not ended when the daemon was killed, perhaps some starts ago: its end may be missing for ever. The
// journal may have an older version. SavedLines changes no table. The errors include [ErrNewer], and [ErrNotFound] for
// an empty file.
func SavedLines(ctx context.Context, path string, now time.Time) (all []SavedLine, emergencies []string, err error) {
	db, err := sql.Open("sqlite", dsn(path, "mode=rw"))
	if err != nil {
		return nil, nil, err
	}
	db.SetMaxOpenConns(1)
	c, err := db.Conn(ctx)
	if err != nil {
		return nil, nil, errors.Join(err, db.Close())
	}
	defer func() { err = errors.Join(err, closeBoth(db, c)) }()
	v, err := version(ctx, c)
	switch {
	case err != nil:
		return nil, nil, err
	case v > len(schema):
		return nil, nil, newer(v)
	case v < 1:
		return nil, nil, fmt.Errorf("%w: %s is empty", ErrNotFound, path)
	}
	if _, err := c.ExecContext(ctx, "BEGIN"); err != nil {
		return nil, nil, err
	}
	for ; v < len(schema) && err == nil; v++ { // rolled back below
		_, err = c.ExecContext(ctx, schema[v])
	}
	if err == nil {
		all, err = savedLines(ctx, c)
	}
	if err == nil {
		err = each(ctx, c, `SELECT DISTINCT l.name FROM calls c JOIN lines l ON l.id = c.line WHERE c.emergency AND
			(c.outcome = ? OR c.outcome = ? AND c.ended IS NULL AND c.began > ?)`, func(rows *sql.Rows) error {
			var line string
			err := rows.Scan(&line)
			emergencies = append(emergencies, line)
			return err
		}, callrecord.OutcomeInProgress, callrecord.OutcomeBrokenOff, now.Add(-brokenOffAge).UnixMicro())
	}
	_, rollback := c.ExecContext(ctx, "ROLLBACK")
	return all, emergencies, errors.Join(err, rollback)
}

// CarryOver prepares a copy that has passed [CheckCopy], or a new journal, to take the place of another journal: it
// writes into the copy what protects people in present, the saved states of that journal. Of the ends of call-back
// windows and of pauses after storms, of recent openings, of trust and of tests of second servers, the later ones
// count. The number of holds that stayed is that of the copy. A line that the copy does not know gets its state in
// present. Trust from the future is dropped, since a later withdrawal would not count against it. CarryOver also
// upgrades the copy to the present version, begins and ends a run of that version of the program in it, and so ends the
// calls that were in progress when the copy was made.
func CarryOver(ctx context.Context, path string, present []SavedLine, version string, now time.Time) error {
	s, err := openStore(ctx, &Options{Path: path, Version: version}, 0, now, nil)
	if err != nil {
		return err
	}
	saved, err := savedLines(ctx, s.conn)
	if err == nil {
		_, err = s.firstCall(ctx)
	}
	if err == nil {
		at := map[string]int{} // where in saved a line is
		for i := range saved {
			at[saved[i].Line] = i
		}
		err = inTransaction(ctx, s.conn, func() error {
			if _, err := s.conn.ExecContext(ctx, `UPDATE lines SET probe = 0, sense = 0, user_agent = '', trust_at = NULL
				WHERE trust_at > ?`, now.UnixMicro()); err != nil {
				return err
			}
			for _, k := range present {
				i, known := at[k.Line]
				if !known {
					i, saved = len(saved), append(saved, SavedLine{Line: k.Line, Stayed: k.Stayed, Basis: k.Basis})
					at[k.Line] = i
				}
				saved[i].carry(k)
				var added []string
				if err := s.state(ctx, &saved[i], &added); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err != nil {
		return errors.Join(err, s.close())
	}
	return s.end(ctx, now)
}

// carry takes from the state of the same line in another journal what counts against this one. Its Trust counts only if
// it is later than that of the file, so [store.state] decides.
func (k *SavedLine) carry(present SavedLine) {
	k.CallbackBy, k.NoOpeningBy = later(k.CallbackBy, present.CallbackBy), later(k.NoOpeningBy, present.NoOpeningBy)
	if present.RecentAt.After(k.RecentAt) {
		k.Recent, k.RecentAt = present.Recent, present.RecentAt
	}
	k.Trust = present.Trust
	k.Second.Passed = later(k.Second.Passed, present.Second.Passed)
	k.Second.Failed = later(k.Second.Failed, present.Second.Failed)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
