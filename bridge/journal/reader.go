package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"time"

	"clearback/config/file"
	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Why a journal cannot be read.
var (
	// ErrNotFound means that there is no such file, or that the file is empty.
	ErrNotFound = errors.New("journal: not found")
	// ErrNewer means that a newer version of clearback wrote the file.
	ErrNewer = errors.New("journal: written by a newer version")
	// ErrOlder means that an older version of clearback wrote the file. A daemon of this version upgrades the file when
	// it starts.
	ErrOlder = errors.New("journal: written by an older version")
	// ErrDamaged means that the file is damaged, or is no journal.
	ErrDamaged = errors.New("journal: damaged")
)

// readWait is how long a reader waits while the whole file is locked, which happens while SQLite recovers what a killed
// daemon left.
const readWait = 2 * time.Second

// Reader reads a journal, also while a daemon is writing it. It never blocks the writer. It may be used from any
// goroutine.
type Reader struct {
	path string
	db   *sql.DB
}

// OpenReader opens a journal for reading, whether a daemon is running, was stopped or was killed. The errors say what
// to do next. They include [ErrNotFound], [ErrNewer] and [ErrOlder].
func OpenReader(path string) (*Reader, error) { return openAny(path, len(schema)) }

// openAny is [OpenReader] for journals of the version oldest and later ones.
func openAny(path string, oldest int) (*Reader, error) {
	if _, err := os.Stat(path); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%w: %s does not exist; start the daemon once, or set journal.file to the file that it uses",
				ErrNotFound, path)
		}
		return nil, fmt.Errorf("journal: %w; read it as the user of the service, or as a member of its group", err)
	}
	if err := file.Check(path); err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	r, err := openReader(path, "mode=ro", oldest)
	if err == nil {
		return r, nil
	}
	if _, statErr := os.Stat(path + walSuffix); errors.Is(statErr, fs.ErrNotExist) && errorKindOf(err) == errorOther {
		// No process has the journal open, and the file itself holds everything that was written. So SQLite can read it
		// without write permission.
		if r, err := openReader(path, "mode=ro&immutable=1", oldest); err == nil {
			return r, nil
		}
	}
	return nil, readError(path, err)
}

func openReader(path, query string, oldest int) (*Reader, error) {
	db, err := sql.Open("sqlite", dsn(path, query+fmt.Sprintf("&_pragma=busy_timeout(%d)&_pragma=cache_size(-4000)",
		readWait.Milliseconds())))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	r := &Reader{path: path, db: db}
	var v, tables int
	err = db.QueryRow("SELECT (SELECT user_version FROM pragma_user_version), count(*) FROM sqlite_schema").Scan(&v,
		&tables)
	switch {
	case err != nil:
	case v > len(schema):
		err = newer(v)
	case v == 0 && tables == 0:
		err = fmt.Errorf("%w: %s is empty; start the daemon once", ErrNotFound, path)
	case v < oldest:
		err = fmt.Errorf("%w: %s has version %d, this program reads version %d; start the daemon once, which upgrades the file and keeps all data",
			ErrOlder, path, v, len(schema))
	}
	if err != nil {
		_ = db.Close() // err is the error to report
		return nil, err
	}
	return r, nil
}

// readError adds what to do about an error of reading.
func readError(path string, err error) error {
	if errors.Is(err, ErrNotFound) || errors.Is(err, ErrNewer) || errors.Is(err, ErrOlder) {
		return err
	}
	switch errorKindOf(err) {
	case errorDamaged:
		return fmt.Errorf("journal: %s is damaged; a running daemon sets it aside when it finds the damage; to read what is left, use SQLite's recovery on a copy: %w",
			path, err)
	case errorBusy:
		return fmt.Errorf("journal: %s is locked by another program; stop that program and try again: %w", path, err)
	}
	if syscall.Access(path, readable) != nil {
		return fmt.Errorf("journal: %s may not be read by this user; read it as the user of the service, or join its group: %w",
			path, err)
	}
	return fmt.Errorf("journal: %s cannot be read here: the daemon was killed and this user may not recover the file; read it as the user of the service, or copy %s, %s%s and %s%s to a folder of your own and read it there: %w",
		path, path, path, walSuffix, path, shmSuffix, err)
}

// readable is the mode with which access(2) checks the right to read.
const readable = 4

// Close closes the file.
func (r *Reader) Close() error { return r.db.Close() }

// Row is a call in the journal.
type Row struct {
	ID int64 // increases with every call
	// Changed increases with every change of any call. `calls --follow` uses it to find what is new.
	Changed int64
	callrecord.Account

	// of the call's entries
	line        int64
	first, last int64
}

// Filter restricts the result of [Reader.Calls]. A zero field does not restrict it.
type Filter struct {
	Line   string
	Since  time.Time
	Failed bool  // only calls for which [callrecord.Account.Failed] returns true
	After  int64 // only calls with Changed greater than this
	Limit  int   // at most this many, the latest; 0: all
}

// callsQuery selects every call with its line.
var callsQuery = "SELECT c.id, " + columns("c.", callColumns) +
	", c.first, c.last, l.name FROM calls c JOIN lines l ON l.id = c.line"

var callQuery = callsQuery + " WHERE c.call = ? ORDER BY c.id DESC LIMIT 1"

func lastQuery(only string) string {
	return callsQuery + " WHERE c.line = (SELECT id FROM lines WHERE name = ?)" + only +
		" AND c.began <= ? ORDER BY c.began DESC LIMIT 1"
}

const entriesQuery = `SELECT id, at, text, 0 FROM events WHERE line = ?1 AND id BETWEEN ?2 AND ?3
	UNION ALL SELECT id, at, text, 1 FROM effects WHERE line = ?1 AND id BETWEEN ?2 AND ?3 ORDER BY 1 LIMIT ?4`

// Calls returns calls in the order of their beginning. A call that was in progress when a daemon ended is
// [callrecord.OutcomeBrokenOff]: after a normal shutdown at once, otherwise from the next start on.
func (r *Reader) Calls(ctx context.Context, f Filter) ([]Row, error) {
	query, args := f.query()
	rows, err := r.rows(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	for i, j := 0, len(rows)-1; i < j; i, j = i+1, j-1 {
		rows[i], rows[j] = rows[j], rows[i]
	}
	return rows, nil
}

// query returns the query for the calls of a filter, the latest first.
func (f *Filter) query() (string, []any) {
	var where []string
	var args []any
	add := func(cond string, arg ...any) {
		where = append(where, cond)
		args = append(args, arg...)
	}
	// Few of many calls have changed recently. The plus sign keeps SQLite from using the indexes of the other columns,
	// so that it uses that of changed.
	plus := ""
	if f.After > 0 {
		plus = "+"
	}
	if f.Line != "" {
		add(plus+"c.line = (SELECT id FROM lines WHERE name = ?)", f.Line)
	}
	if !f.Since.IsZero() {
		add(plus+"c.began >= ?", f.Since.UnixMicro())
	}
	if f.Failed {
		add(plus + "c.failed = 1")
	}
	if f.After > 0 {
		add("c.changed > ?", f.After)
	}
	query := callsQuery
	if len(where) > 0 {
		query += " WHERE " + strings.Join(where, " AND ")
	}
	query += " ORDER BY " + plus + "c.began DESC, c.id DESC"
	if f.Limit > 0 {
		query += " LIMIT ?"
		args = append(args, f.Limit)
	}
	return query, args
}

func (r *Reader) rows(ctx context.Context, query string, args ...any) ([]Row, error) {
	var all []Row
	err := each(ctx, r.db, query, func(rows *sql.Rows) error {
		row, err := scanRow(rows)
		all = append(all, row)
		return err
	}, args...)
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

func scanRow(rows *sql.Rows) (Row, error) {
	var r Row
	a := &r.Account
	var began, answered, cleared, ended, incidentEnded sql.NullInt64
	var failed, clearing bool
	var media sql.NullString
	err := rows.Scan(&r.ID, &r.Changed, &r.line, &a.Call, &a.Direction, &a.Emergency, &a.Trial, &a.Party.Number,
		&a.Party.Name, &a.Party.CallID,
		&began, &answered, &cleared, &ended, &a.ClearedBy, &a.Evidence, &a.Late, &a.Answer, &a.Openings, &a.Asked,
		&a.Measured,
		&a.Hook, &a.Verified, &a.Outcome, &a.Rule, &a.Incident, &a.Flash, &incidentEnded, &failed, &clearing,
		&media, &r.first, &r.last, &a.Line)
	a.Began, a.Answered, a.Cleared, a.Ended = instant(began), instant(answered), instant(cleared), instant(ended)
	a.IncidentEnded = instant(incidentEnded)
	if err == nil && media.Valid && json.Unmarshal([]byte(media.String), &a.Media) != nil {
		a.Media = nil // the rest of the account can be read
	}
	return r, err
}

// ErrUnknown means that the journal has no such call or line.
var ErrUnknown = errors.New("journal: unknown")

// Call returns the call of that number (the latest, if a number was used twice) and the entries of its line during the
// call. If there is no such call, the error is an [ErrUnknown].
func (r *Reader) Call(ctx context.Context, call uint64) (Row, []callrecord.Entry, error) {
	rows, err := r.rows(ctx, callQuery, int64(call))
	if err != nil {
		return Row{}, nil, err
	}
	if len(rows) == 0 {
		return Row{}, nil, fmt.Errorf("%w: there is no call %d; `clearback calls` lists them", ErrUnknown, call)
	}
	entries, err := r.entries(ctx, &rows[0])
	return rows[0], entries, err
}

// maxFuture is how far in the future a call may lie. Beyond it, the clock was wrong when the call was recorded.
const maxFuture = time.Hour

// Last returns the last call of a line ("": of any line) that had a clearing. If no call had one, it returns the last
// call. Calls that a wrong clock put into the future are used only if there are no others. If there is no call, the
// error is an [ErrUnknown].
func (r *Reader) Last(ctx context.Context, line string) (Row, []callrecord.Entry, error) {
	lines := []string{line}
	if line == "" {
		var err error
		if lines, err = r.Lines(ctx); err != nil {
			return Row{}, nil, err
		}
	}
	for _, until := range []int64{time.Now().Add(maxFuture).UnixMicro(), 1<<63 - 1} {
		for _, only := range []string{" AND c.clearing = 1", ""} {
			last, err := r.lastOf(ctx, lines, only, until)
			if err != nil {
				return Row{}, nil, err
			}
			if last != nil {
				entries, err := r.entries(ctx, last)
				return *last, entries, err
			}
		}
	}
	if line == "" {
		return Row{}, nil, fmt.Errorf("%w: there is no call yet", ErrUnknown)
	}
	return Row{}, nil, fmt.Errorf("%w: there is no call of line %s yet; `clearback lines` lists the lines", ErrUnknown,
		line)
}

// lastOf returns the last call of those lines that began before until, or nil if there is none.
func (r *Reader) lastOf(ctx context.Context, lines []string, only string, until int64) (last *Row, err error) {
	for _, name := range lines {
		rows, err := r.rows(ctx, lastQuery(only), name, until)
		if err != nil {
			return nil, err
		}
		if len(rows) > 0 && (last == nil || rows[0].Began.After(last.Began)) {
			last = &rows[0]
		}
	}
	return last, nil
}

// mostEntries limits the entries read for one call: an incident may last for weeks, and people read the beginning.
const mostEntries = 5000

// entries returns what happened on a call's line from the call's beginning to its last change.
func (r *Reader) entries(ctx context.Context, of *Row) ([]callrecord.Entry, error) {
	last := of.last
	if of.Outcome == callrecord.OutcomeInProgress { // it may still change
		last = 1<<63 - 1
	}
	var all []callrecord.Entry
	err := each(ctx, r.db, entriesQuery,
		func(rows *sql.Rows) error {
			var id, at int64
			var text string
			var effect bool
			if err := rows.Scan(&id, &at, &text, &effect); err != nil {
				return err
			}
			e := callrecord.Entry{At: time.UnixMicro(at).UTC(), Line: of.Line}
			var err error
			if effect {
				e.Effect, err = supervision.ParseEffect(text)
			} else {
				e.Event, err = supervision.ParseEvent(text)
			}
			all = append(all, e)
			return err
		}, of.line, of.first, last, mostEntries)
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

// Incidents returns incidents in the order of their beginning. With open it returns only those that are still open,
// otherwise those that lasted beyond since. line restricts them to a line ("": all lines).
func (r *Reader) Incidents(ctx context.Context, line string, open bool, since time.Time) ([]callrecord.Incident,
	error) {
	query := `SELECT l.name, i.call, i.reason, i.rule, i.flash, i.began, i.ended FROM incidents i JOIN lines l ON l.id = i.line WHERE `
	var args []any
	switch {
	case open:
		query += "i.ended IS NULL"
	case since.IsZero():
		query += "1"
	default:
		query += "(i.ended IS NULL OR i.ended >= ?)"
		args = append(args, since.UnixMicro())
	}
	if line != "" {
		query += " AND i.line = (SELECT id FROM lines WHERE name = ?)"
		args = append(args, line)
	}
	var all []callrecord.Incident
	err := each(ctx, r.db, query+" ORDER BY i.began, i.id", func(rows *sql.Rows) error {
		var i callrecord.Incident
		var began, ended sql.NullInt64
		err := rows.Scan(&i.Line, &i.Call, &i.Reason, &i.Rule, &i.Flash, &began, &ended)
		i.Began, i.Ended = instant(began), instant(ended)
		all = append(all, i)
		return err
	}, args...)
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

// Trials returns the trials of a line's latest tuning session, in order. The latest session is the one recorded last,
// whatever the clock said.
func (r *Reader) Trials(ctx context.Context, line string) ([]Trial, error) {
	var all []Trial
	err := each(ctx, r.db, `SELECT session, at, call, catch, asked, measured, cleared, by, rang_up FROM trials
		WHERE line = (SELECT id FROM lines WHERE name = ?1)
		AND session = (SELECT session FROM trials WHERE line = (SELECT id FROM lines WHERE name = ?1) ORDER BY id DESC LIMIT 1) ORDER BY at`,
		func(rows *sql.Rows) error {
			t := Trial{Line: line}
			var at sql.NullInt64
			err := rows.Scan(&t.Session, &at, &t.Call, &t.Catch, &t.Asked, &t.Measured, &t.Cleared, &t.By, &t.RangUp)
			t.At = instant(at)
			all = append(all, t)
			return err
		}, line)
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

// SavedLines returns the saved state of all lines.
func (r *Reader) SavedLines(ctx context.Context) ([]SavedLine, error) {
	all, err := savedLines(ctx, r.db)
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

// Lines returns the names of all lines in the journal, sorted.
func (r *Reader) Lines(ctx context.Context) ([]string, error) {
	var all []string
	err := each(ctx, r.db, "SELECT name FROM lines ORDER BY name", func(rows *sql.Rows) error {
		var name string
		err := rows.Scan(&name)
		all = append(all, name)
		return err
	})
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}

// Loss is a period in which records were lost because the disk accepted no writes for too long.
type Loss struct {
	Began, Ended time.Time
	Records      int64
}

// Losses returns the losses that ended at or after since, in order.
func (r *Reader) Losses(ctx context.Context, since time.Time) ([]Loss, error) {
	var all []Loss
	err := each(ctx, r.db, "SELECT began, ended, records FROM losses WHERE ended >= ? ORDER BY id",
		func(rows *sql.Rows) error {
			var began, ended sql.NullInt64
			var l Loss
			err := rows.Scan(&began, &ended, &l.Records)
			l.Began, l.Ended = instant(began), instant(ended)
			all = append(all, l)
			return err
		}, since.UnixMicro())
	if err != nil {
		return nil, readError(r.path, err)
	}
	return all, nil
}
