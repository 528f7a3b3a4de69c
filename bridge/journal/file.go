package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite" // SQLite in pure Go
	sqlite3 "modernc.org/sqlite/lib"

	"clearback/config/file"
)

const (
	// fileMode is the mode of a new journal. The journal holds telephone numbers, so only owner and group may read it.
	fileMode = 0o640
	// walLimit is the size in bytes to which a longer write-ahead log is shrunk.
	walLimit = 4 << 20
	// The suffixes of the files that SQLite keeps beside the journal.
	walSuffix, shmSuffix = "-wal", "-shm"
)

// dsn returns the data source name for the driver.
func dsn(path, query string) string {
	u := url.URL{Scheme: "file", Path: path, RawQuery: query}
	if !filepath.IsAbs(path) {
		u.Path, u.Opaque = "", (&url.URL{Path: path}).EscapedPath()
	}
	return u.String()
}

// connect opens one connection for writing and brings the file to the current version. busy is how long the connection
// waits for another process.
func connect(ctx context.Context, path string, busy time.Duration) (db *sql.DB, c *sql.Conn, err error) {
	if err := errors.Join(create(path, fileMode), file.Check(path)); err != nil {
		return nil, nil, err
	}
	db, err = sql.Open("sqlite", dsn(path, "mode=rw"))
	if err != nil {
		return nil, nil, err
	}
	db.SetMaxOpenConns(1)
	defer func() {
		if err != nil {
			_ = closeBoth(db, c) // err is the error to report
			db, c = nil, nil
		}
	}()
	if c, err = db.Conn(ctx); err != nil {
		return db, c, err
	}
	if _, err = c.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout = %d", busy.Milliseconds())); err != nil {
		return db, c, err
	}
	v, err := version(ctx, c)
	if err != nil {
		return db, c, err
	}
	if v > len(schema) {
		return db, c, newer(v)
	}
	if v == 0 {
		// This only takes effect in a file that holds nothing yet.
		if _, err = c.ExecContext(ctx, "PRAGMA auto_vacuum = INCREMENTAL"); err != nil {
			return db, c, err
		}
	}
	for _, pragma := range []string{
		"journal_mode = WAL",
		// With NORMAL a power cut loses what was committed since the last checkpoint.
		"synchronous = FULL",
		// Telephone numbers are personal data: deleted rows are overwritten where that needs no extra write.
		"secure_delete = FAST",
		// The checkpointer does checkpoints, so that no batch waits for one.
		"wal_autocheckpoint = 0",
		fmt.Sprintf("journal_size_limit = %d", walLimit),
		"cache_size = -2000",
		"temp_store = MEMORY",
	} {
		if _, err = c.ExecContext(ctx, "PRAGMA "+pragma); err != nil {
			return db, c, err
		}
	}
	err = migrate(ctx, c)
	return db, c, err
}

// closeBoth closes a connection and db. Closing db alone would leave the connection open as long as it is held.
func closeBoth(db *sql.DB, c *sql.Conn) error {
	var err error
	if c != nil {
		err = c.Close()
	}
	return errors.Join(err, db.Close())
}

// create creates an empty file if there is none. If permitted, it gives the file the folder's owner: the service must
// be able to write a file that root created by hand.
func create(path string, mode fs.FileMode) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil // if the file is unusable, opening it reports that
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	// The group may read a journal, whatever the umask is. SQLite gives the files beside it the same permissions.
	_ = f.Chmod(mode) // a file system without permissions refuses this
	if os.Geteuid() == 0 {
		err = ownAsFolder(f, path)
	}
	return errors.Join(err, f.Close())
}

func ownAsFolder(f *os.File, path string) error {
	info, err := os.Stat(filepath.Dir(path))
	if err != nil {
		return err
	}
	if owner, ok := info.Sys().(*syscall.Stat_t); ok {
		return f.Chown(int(owner.Uid), int(owner.Gid))
	}
	return nil
}

// errorKind classifies errors by what the writer has to do.
type errorKind uint8

const (
	errorOther   errorKind = iota // try again later
	errorBusy                     // another process is writing: try again soon
	errorDamaged                  // the file cannot be used
	errorNewer                    // a newer version wrote the file: do not change it
)

// errorKindOf returns the kind of an error.
func errorKindOf(err error) errorKind {
	if errors.Is(err, ErrNewer) {
		return errorNewer
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return errorOther
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return errorBusy
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return errorDamaged
	}
	switch e.Code() {
	// The file was truncated, or a page differs from what was written.
	case sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_DATA, sqlite3.SQLITE_IOERR_CORRUPTFS:
		return errorDamaged
	}
	return errorOther
}

// explain describes the error and says what to do.
func explain(path string, err error) string {
	dir := filepath.Dir(path)
	var e *sqlite.Error
	if !errors.As(err, &e) {
		switch {
		case errors.Is(err, ErrInUse):
			return "another daemon writes this file, so this one records nothing; set journal.file to a file of its own, or stop the other daemon"
		case errors.Is(err, fs.ErrNotExist):
			return fmt.Sprintf("the folder %s does not exist; create it, owned by the user of the service", dir)
		case errors.Is(err, fs.ErrPermission):
			return fmt.Sprintf("%s may not be written; give the folder to the user of the service", dir)
		}
		return err.Error()
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return "the disk is full; free some space, or lower journal.max_size"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return "another program keeps the file locked; stop that program"
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return fmt.Sprintf("%s or a file beside it may not be written; give it and its folder to the user of the service, or make the file system writable",
			path)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return "the file is damaged"
	case sqlite3.SQLITE_IOERR:
		return fmt.Sprintf("the disk is failing (%v); see the system's log", err)
	}
	return err.Error()
}

// setAside renames a damaged file and the files beside it, so that its data can still be recovered. It returns the new
// name.
func setAside(path string, now time.Time) (string, error) {
	to := path + ".damaged-" + now.UTC().Format("20060102T150405.000Z")
	if err := os.Rename(path, to); err != nil {
		return "", err
	}
	var errs []error
	for _, suffix := range []string{walSuffix, shmSuffix} {
		if err := os.Rename(path+suffix, to+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return to, errors.Join(errs...)
}

// sameFile reports whether the path still names the file that was opened.
func sameFile(path string, opened os.FileInfo) bool {
	now, err := os.Stat(path)
	return err == nil && os.SameFile(now, opened)
}

// number returns the stored form of an instant: microseconds of Unix time, or nil for the zero time.
func number(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}

// instant converts what number stored back to a time.
func instant(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.UnixMicro(n.Int64).UTC()
}

// marks returns n question marks.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?,", n), ",") }
