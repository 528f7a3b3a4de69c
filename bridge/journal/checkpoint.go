package journal

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"go.uber.org/zap"
)

// checkpointAt is the length of the write-ahead log, in pages of 4 KiB, beyond which its pages are copied into the
// file.
const checkpointAt = 500

// checkpointer copies the pages of the write-ahead log into the file. It has its own connection, so that neither
// readers nor the writer wait for it.
type checkpointer struct {
	kick  chan struct{} // holds one request; a second would ask for the same
	quit  chan struct{}
	ended chan struct{}
}

func startCheckpointer(path string, log *zap.Logger) *checkpointer {
	p := &checkpointer{kick: make(chan struct{}, 1), quit: make(chan struct{}), ended: make(chan struct{})}
	go p.run(path, log)
	return p
}

func (p *checkpointer) run(path string, log *zap.Logger) {
	defer close(p.ended)
	var db *sql.DB
	defer func() {
		if db != nil {
			_ = db.Close() // everything that it wrote is synced
		}
	}()
	for {
		select {
		case <-p.quit:
			return
		case <-p.kick:
		}
		if db == nil {
			var err error
			if db, err = sql.Open("sqlite",
				dsn(path, "mode=rw&_pragma=busy_timeout(100)&_pragma=wal_autocheckpoint(0)&_pragma=synchronous(FULL)")); err != nil {
				return // an unknown driver name or an invalid path: cannot happen at run time
			}
			db.SetMaxOpenConns(1)
		}
		// The second pass copies what came during the first, so that the log can be restarted.
		for range 2 {
			var busy, pages, done int
			if err := db.QueryRow("PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &pages, &done); err != nil {
				// the writer meets the same disk error and logs it
				log.Debug("no checkpoint of the journal now", zap.Error(err))
				break
			}
			if done == pages {
				break
			}
		}
	}
}

func (p *checkpointer) stop() {
	close(p.quit)
	<-p.ended
}

// checkLog requests a checkpoint if the write-ahead log is long.
func (s *store) checkLog(ctx context.Context, p *checkpointer) error {
	var busy, pages, done int
	if err := s.conn.QueryRowContext(ctx, "PRAGMA wal_checkpoint(NOOP)").Scan(&busy, &pages, &done); err != nil {
		return fmt.Errorf("length of the log: %w", err)
	}
	if pages-done < checkpointAt {
		return nil
	}
	select {
	case p.kick <- struct{}{}:
	default: // a request is pending
	}
	return nil
}

// loss records how many records were lost, and when.
func (s *store) loss(ctx context.Context, from, to time.Time, records uint64) error {
	_, err := s.conn.ExecContext(ctx, "INSERT INTO losses(began, ended, records) VALUES(?, ?, ?)", from.UnixMicro(),
		to.UnixMicro(), int64(records))
	return err
}
