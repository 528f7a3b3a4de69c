package journal

import (
	"context"
	"database/sql"
	"fmt"
)

// schema holds, for each version of the file, the statements that lead to it from the version before. Statements that
// were released are never changed. A new version is added at the end. Instants are microseconds of Unix time (UTC),
// null for none; durations are nanoseconds; enumerations are stored as their values, which never change. The column
// line holds the id of a row of the table lines. The media of a call is a callrecord.Media as JSON, null for none.
//
// The ids of events and effects come from one counter for all lines, so they give the order. first and last of a call
// are such ids.
var schema = []string{`
CREATE TABLE counters(name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE runs(id INTEGER PRIMARY KEY, began INTEGER NOT NULL, ended INTEGER, version TEXT NOT NULL);
CREATE TABLE lines(
	id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
	stayed INTEGER NOT NULL DEFAULT 0, basis TEXT NOT NULL DEFAULT '', callback_by INTEGER,
	probe INTEGER NOT NULL DEFAULT 0, sense INTEGER NOT NULL DEFAULT 0, user_agent TEXT NOT NULL DEFAULT '', trust_at INTEGER
);
CREATE TABLE calls(
	id INTEGER PRIMARY KEY, changed INTEGER NOT NULL, run INTEGER NOT NULL, line INTEGER NOT NULL, call INTEGER NOT NULL,
	direction INTEGER NOT NULL, emergency INTEGER NOT NULL, trial INTEGER NOT NULL,
	number TEXT NOT NULL, name TEXT NOT NULL, sip_call_id TEXT NOT NULL,
	began INTEGER NOT NULL, answered INTEGER, cleared INTEGER, ended INTEGER,
	cleared_by INTEGER NOT NULL, evidence INTEGER NOT NULL, late INTEGER NOT NULL, answer INTEGER NOT NULL,
	openings INTEGER NOT NULL, asked INTEGER NOT NULL, measured INTEGER NOT NULL,
	hook INTEGER NOT NULL, verified INTEGER NOT NULL, outcome INTEGER NOT NULL,
	rule INTEGER NOT NULL, incident INTEGER NOT NULL, flash INTEGER NOT NULL, incident_ended INTEGER,
	first INTEGER NOT NULL, last INTEGER NOT NULL
);
CREATE INDEX calls_began ON calls(began);
CREATE INDEX calls_line ON calls(line, began);
CREATE INDEX calls_call ON calls(call);
CREATE INDEX calls_changed ON calls(changed);
CREATE INDEX calls_open ON calls(run) WHERE outcome = 0;
CREATE TABLE events(
	line INTEGER NOT NULL, id INTEGER NOT NULL, at INTEGER NOT NULL, text TEXT NOT NULL, PRIMARY KEY(line, id)
) WITHOUT ROWID;
CREATE TABLE effects(
	line INTEGER NOT NULL, id INTEGER NOT NULL, at INTEGER NOT NULL, text TEXT NOT NULL, asked INTEGER, measured INTEGER,
	PRIMARY KEY(line, id)
) WITHOUT ROWID;
CREATE TABLE incidents(
	id INTEGER PRIMARY KEY, line INTEGER NOT NULL, call INTEGER NOT NULL, reason INTEGER NOT NULL, rule INTEGER NOT NULL,
	flash INTEGER NOT NULL, began INTEGER NOT NULL, ended INTEGER, UNIQUE(line, began, reason)
);
CREATE INDEX incidents_began ON incidents(began);
CREATE INDEX incidents_open ON incidents(line) WHERE ended IS NULL;
CREATE TABLE trials(
	id INTEGER PRIMARY KEY, line INTEGER NOT NULL, session INTEGER NOT NULL, at INTEGER NOT NULL, call INTEGER NOT NULL,
	catch INTEGER NOT NULL, asked INTEGER NOT NULL, measured INTEGER NOT NULL, cleared INTEGER NOT NULL, by INTEGER NOT NULL,
	rang_up INTEGER NOT NULL, UNIQUE(line, session, at)
);
`, `
ALTER TABLE calls ADD COLUMN failed INTEGER NOT NULL DEFAULT 0;
ALTER TABLE calls ADD COLUMN clearing INTEGER NOT NULL DEFAULT 0;
UPDATE calls SET failed = 1 WHERE outcome = 6 OR outcome = 8 AND trial = 0 OR outcome = 7 AND answered IS NOT NULL
	OR outcome = 3 AND measured > 0 AND measured < asked - asked / 10
	OR outcome = 5 AND answered IS NOT NULL AND hook <> 1 AND (cleared_by = 3 OR rule IN (5, 6, 7, 8, 9, 10));
UPDATE calls SET clearing = 1 WHERE cleared IS NOT NULL AND outcome <> 1;
CREATE INDEX calls_failed ON calls(began) WHERE failed = 1;
CREATE INDEX calls_failed_line ON calls(line, began) WHERE failed = 1;
CREATE INDEX calls_clearing ON calls(line, began) WHERE clearing = 1;
CREATE TABLE losses(id INTEGER PRIMARY KEY, began INTEGER NOT NULL, ended INTEGER NOT NULL, records INTEGER NOT NULL);
`, `
ALTER TABLE lines ADD COLUMN recent INTEGER NOT NULL DEFAULT 0;
ALTER TABLE lines ADD COLUMN recent_at INTEGER;
ALTER TABLE lines ADD COLUMN no_opening_by INTEGER;
`, `
ALTER TABLE lines ADD COLUMN second_passed INTEGER;
ALTER TABLE lines ADD COLUMN second_failed INTEGER;
`, `
ALTER TABLE calls ADD COLUMN media TEXT;
`}

// version returns the schema version of a file. 0 means an empty file.
func version(ctx context.Context, c *sql.Conn) (v int, err error) {
	err = c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v)
	return v, err
}

// migrate brings a file to the current version in one transaction. No data is lost. A file of a newer version is left
// as it is.
func migrate(ctx context.Context, c *sql.Conn) error {
	v, err := version(ctx, c)
	if err != nil {
		return err
	}
	if v >= len(schema) {
		return nil
	}
	return inTransaction(ctx, c, func() error {
		if v, err = version(ctx, c); err != nil { // another process may have migrated the file meanwhile
			return err
		}
		for ; v < len(schema); v++ {
			if _, err := c.ExecContext(ctx, schema[v]); err != nil {
				return fmt.Errorf("upgrade to version %d of the journal: %w", v+1, err)
			}
		}
		_, err := c.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", v))
		return err
	})
}

func newer(v int) error {
	return fmt.Errorf("%w: the file has version %d, this program supports versions up to %d; use the clearback that wrote the file, or a later one, or set another file",
		ErrNewer, v, len(schema))
}

// inTransaction runs f in a transaction, so that either all of its writes take effect or none.
func inTransaction(ctx context.Context, c *sql.Conn, f func() error) error {
	if _, err := c.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	err := f()
	if err == nil {
		_, err = c.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// The first error is the cause. SQLite may have rolled back already, and then ROLLBACK returns an error.
		_, _ = c.ExecContext(ctx, "ROLLBACK")
	}
	return err
}
