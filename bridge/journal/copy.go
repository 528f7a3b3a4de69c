package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Copy writes a consistent copy of the journal at path to the new file to, also while a daemon writes the journal. The
// mode of the copy is that of the umask, so to has to be in a folder of the caller's own. The journal may have an older
// version. The errors are those of [OpenReader], and that of a full disk.
func Copy(ctx context.Context, path, to string) error {
	r, err := openAny(path, 1)
	if err != nil {
		return err
	}
	defer r.Close()
	if _, err := r.db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		return fmt.Errorf("copy the journal %s to %s: %s: %w", path, to, explain(to, err), err)
	}
	return nil
}

// CheckCopy checks a copy, which may come from anywhere, before it becomes a journal: it has to be whole, and have the
// tables of a journal and nothing else, such as triggers. The copy may have an older version. No other process may use
// it. What belongs to this machine and to now is not in a journal, but in package runtimestate.
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

// objects returns what a database's schema defines, sorted, without differences of white space.
func objects(ctx context.Context, q querier) (all []string, err error) {
	err = each(ctx, q, "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema", func(rows *sql.Rows) error {
		var o [4]string
		err := rows.Scan(&o[0], &o[1], &o[2], &o[3])
		all = append(all, strings.Join(strings.Fields(strings.Join(o[:], " ")), " "))
		return err
	})
	slices.Sort(all)
	return all, err
}
