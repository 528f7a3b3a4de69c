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
	// fileMode of a new journal: it holds telephone numbers, so others than the group read nothing.
	fileMode = 0o640
	// walLimit is what the write-ahead log shrinks to when it was longer, in bytes.
	walLimit = 4 << 20
	// companions are what SQLite keeps beside the file.
	walSuffix, shmSuffix = "-wal", "-shm"
)

// dsn is what the driver is to open.
func dsn(path, query string) string {
	u := url.URL{Scheme: "file", Path: path, RawQuery: query}
	if !filepath.IsAbs(path) {
		u.Path, u.Opaque = "", (&url.URL{Path: path}).EscapedPath()
	}
	return u.String()
}

// connect opens one connection for writing and brings the file to the current version. busy is how long it waits for
// another process.
func connect(ctx context.Context, path string, busy time.Duration) (db *sql.DB, c *sql.Conn, err error) {
	if err := errors.Join(create(path), file.Check(path)); err != nil {
		return nil, nil, err
	}
	db, err = sql.Open("sqlite", dsn(path, "mode=rw"))
	if err != nil {
		return nil, nil, err
	}
	db.SetMaxOpenConns(1)
	defer func() {
		if err != nil {
			_ = closeBoth(db, c) // err says more
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
		// Both only count for a file that holds nothing yet.
		if _, err = c.ExecContext(ctx, "PRAGMA auto_vacuum = INCREMENTAL"); err != nil {
			return db, c, err
		}
	}
	for _, pragma := range []string{
		"journal_mode = WAL",
		// With NORMAL a power cut takes what was committed since the last checkpoint.
		"synchronous = FULL",
		// What was dropped is overwritten where that costs no writing: numbers are personal data.
		"secure_delete = FAST",
		// The checkpointer does it, so that no batch waits for a checkpoint.
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

// closeBoth closes a connection, which db alone would leave open as long as it is held, and db.
func closeBoth(db *sql.DB, c *sql.Conn) error {
	var err error
	if c != nil {
		err = c.Close()
	}
	return errors.Join(err, db.Close())
}

// create makes an empty file if there is none, with the folder's owner if we may: what root creates by hand is the
// service's to write.
func create(path string) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return nil // opening it tells what is wrong, if anything is
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, fileMode)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	// Whatever the umask is, the group may read; SQLite gives the files beside it the same permissions.
	_ = f.Chmod(fileMode) // a file system without permissions refuses that
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

// errorKind sorts errors by what is to be done.
type errorKind uint8

const (
	errorOther   errorKind = iota // try again later
	errorBusy                     // another process writes: try again soon
	errorDamaged                  // the file is no use any more
	errorNewer                    // leave it alone
)

// errorKindOf tells what kind of trouble an error is.
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
	// A file cut short, and pages that are not what they were written as.
	case sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_DATA, sqlite3.SQLITE_IOERR_CORRUPTFS:
		return errorDamaged
	}
	return errorOther
}

// explain says what is wrong in words, and what to do.
func explain(path string, err error) string {
	dir := filepath.Dir(path)
	var e *sqlite.Error
	if !errors.As(err, &e) {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return fmt.Sprintf("the folder %s does not exist; make it, owned by the user of the service", dir)
		case errors.Is(err, fs.ErrPermission):
			return fmt.Sprintf("%s may not be written; give the folder to the user of the service", dir)
		}
		return err.Error()
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return "the disk is full; free some space, or lower journal.max_size"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return "another program keeps the file locked; end it"
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return fmt.Sprintf("%s or a file beside it may not be written; give it and its folder to the user of the service, or make the file system writable",
			path)
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return "the file is damaged"
	case sqlite3.SQLITE_IOERR:
		return fmt.Sprintf("the disk fails (%v); see the system's log", err)
	}
	return err.Error()
}

// setAside renames a damaged file, and what belongs to it, so that nothing is lost that somebody may mend, and returns
// its new name.
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

// number is how an instant is stored: microseconds of Unix time, nil for none.
func number(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}

// instant reads what number stored.
func instant(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.UnixMicro(n.Int64).UTC()
}

// marks returns n question marks.
func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?,", n), ",") }
