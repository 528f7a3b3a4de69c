package journal

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// trustWait is how long [SaveTrust] waits for another process that is writing.
const trustWait = 5 * time.Second

// trustRetry is the pause between attempts where SQLite does not wait by itself.
const trustRetry = 10 * time.Millisecond

// SaveTrust saves what `check --live` confirmed about a line, whether or not a daemon has the journal open. If the file
// does not exist, SaveTrust creates it, with the owner of its folder. A running daemon sees the change within 3 s. The
// rest of the line's saved state stays as it is. t.At must be set. A Trust that is not later than the saved one is an
// error.
func SaveTrust(path, line string, t Trust) error {
	limit := time.Now().Add(trustWait)
	err := trust(path, line, t)
	for err != nil && errorKindOf(err) == errorBusy && time.Now().Before(limit) {
		// SQLite does not wait while another process initialises the file.
		<-time.After(trustRetry)
		err = trust(path, line, t)
	}
	if err != nil {
		return fmt.Errorf("save the check results of line %s in %s: %s: %w", line, path, explain(path, err), err)
	}
	return nil
}

func trust(path, line string, t Trust) (err error) {
	ctx := context.Background()
	db, c, err := connect(ctx, path, trustWait)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, closeBoth(db, c)) }()
	return inTransaction(ctx, c, func() error {
		if _, err := c.ExecContext(ctx, "INSERT OR IGNORE INTO lines(name) VALUES(?)", line); err != nil {
			return err
		}
		at := t.At.UnixMicro()
		var id int64
		if err := c.QueryRowContext(ctx, "SELECT id FROM lines WHERE name = ?", line).Scan(&id); err != nil {
			return err
		}
		res, err := c.ExecContext(ctx, saveTrust, t.Probe, t.Sense, t.UserAgent, at, id, at)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err == nil && n == 0 {
			return fmt.Errorf("the saved results have the same time or a later one; check the clock")
		}
		return nil
	})
}
