package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"go.uber.org/zap"
)

// pace holds the writer's intervals and time limits, and how much may wait for it.
type pace struct {
	gather        time.Duration // from a record that reaches an idle writer, or from the last batch, to the next batch
	busy          time.Duration // how long each operation waits for a locked file
	lockTolerance time.Duration // how long a file may stay locked before that is a problem
	retry         time.Duration // after a failure; doubled each time up to retryMax
	retryMax      time.Duration
	maintain      time.Duration // between checks of the file itself
	setAsidePause time.Duration // between two files that are set aside
	closeTimeout  time.Duration // how long Close tries
	diskTimeout   time.Duration // how long Close waits for a disk that does not respond
	// from the start until the network has surely set the clock; until then no record counts as too old
	clock     time.Duration
	dropEvery time.Duration // between searches for records that are too old
	drop      time.Duration // how long one step of deleting should take
	pending   int           // events and effects that are held while the file cannot be written
}

// paceNow returns the values for service. With a batch every 100 ms, a killed process loses what waits for the batch
// and what is being written.
func paceNow() pace {
	return pace{
		gather: 100 * time.Millisecond, busy: 200 * time.Millisecond, lockTolerance: 2 * time.Second,
		retry: 500 * time.Millisecond, retryMax: 30 * time.Second, maintain: 2 * time.Second,
		setAsidePause: 10 * time.Minute,
		closeTimeout:  3 * time.Second, diskTimeout: 10 * time.Second, clock: 15 * time.Minute, dropEvery: time.Minute,
		drop:    10 * time.Millisecond,
		pending: pendingLimit,
	}
}

// batchRows limits the events and effects of one transaction, since many are waiting after an outage.
const batchRows = 2048

// writer owns the file. Only its goroutine uses the fields below shared.
type writer struct {
	// set once
	o     Options
	pace  pace
	log   *zap.Logger
	queue *queue
	quit  chan struct{} // closed by close
	ended chan struct{} // closed when run has returned
	tried chan struct{} // closed after the first attempt to open the file

	shared writerState

	// owned by run
	batcher      *batcher
	s            *store
	previous     *store // the last store, closed
	checkpointer *checkpointer
	chunks       []*chunk
	begun        time.Time // when the last turn began
	done         time.Time
	retryAt      time.Time
	retry        time.Duration
	alarm        alarm
	busyFrom     time.Time
	unlock       func() // nil until this process has locked the journal
	asideAt      time.Time
	maintainedAt time.Time
	dataSeen     int64
	reportedLost uint64 // lost records that are recorded in the file
	lostFrom     time.Time
	pruner       pruner
	err          error // of close
}

func newWriter(o Options, p pace, q *queue) *writer {
	return &writer{
		o: o, pace: p, log: o.Logger.With(zap.String("journal", o.Path)), queue: q,
		quit: make(chan struct{}), ended: make(chan struct{}), tried: make(chan struct{}),
		shared:  writerState{states: map[string]SavedLine{}},
		batcher: newBatcher(p.pending), pruner: pruner{calls: 8, pace: p},
	}
}

func (w *writer) close() error {
	close(w.quit)
	limit := time.NewTimer(w.pace.diskTimeout)
	defer limit.Stop()
	select {
	case <-w.ended:
		return w.err
	case <-limit.C:
		queued, _ := w.queue.state()
		return fmt.Errorf("journal %s: the disk has not responded for %v; see the system's log; the last %d records or more may be lost",
			w.o.Path, w.pace.diskTimeout, queued)
	}
}

func (w *writer) run() {
	defer close(w.ended)
	w.alarm = alarm{log: w.log, every: w.o.Remind, shared: &w.shared}
	w.begun = time.Now()
	w.turn(w.begun)
	close(w.tried)
	next := time.NewTimer(w.pace.maintain)
	defer next.Stop()
	for {
		select {
		case <-w.quit:
			w.finish()
			return
		case <-w.queue.wake:
			next.Reset(w.gathering(time.Now()))
			select {
			case <-w.quit:
				w.finish()
				return
			case <-next.C:
			}
		case <-next.C:
		}
		w.begun = time.Now()
		w.turn(w.begun)
		w.done = time.Now()
		next.Reset(w.pause(w.begun))
	}
}

// gathering returns how long to wait for more records. Those that came while the last batch was written have already
// waited that long. So no record waits longer for its own batch to begin than gather or the duration of the last batch,
// whichever is longer.
func (w *writer) gathering(now time.Time) time.Duration {
	if now.Sub(w.done) < w.pace.gather/10 {
		return max(0, w.pace.gather-now.Sub(w.begun))
	}
	return w.pace.gather
}

// pause returns the time until a turn that no new record triggers.
func (w *writer) pause(begun time.Time) time.Duration {
	if w.batcher.empty() && !w.pruner.more {
		return w.pace.maintain
	}
	return max(time.Millisecond, w.pace.gather-time.Since(begun))
}

// turn takes the queued records, writes them if the file can be written, and maintains the file.
func (w *writer) turn(now time.Time) {
	w.gather()
	if !now.Before(w.retryAt) {
		w.settle(w.attempt(now), now)
	}
	w.shared.count(w.batcher.size(), w.batcher.lost)
	w.queue.settled()
	w.alarm.remind(now)
}

func (w *writer) gather() {
	var rest changes
	w.chunks, rest = w.queue.take(w.chunks)
	for _, c := range w.chunks {
		for i := range c.records[:c.n] {
			w.batcher.take(&c.records[i])
		}
	}
	if rest.size() > 0 {
		last := rest.record() // it takes milliseconds for many, and nobody waits for the queue's lock meanwhile
		w.batcher.take(&last)
	}
	w.queue.giveBack(w.chunks)
	if w.lostFrom.IsZero() && w.lost() > w.reportedLost {
		w.lostFrom = time.Now()
	}
}

func (w *writer) lost() uint64 {
	_, dropped := w.queue.state()
	return dropped + w.batcher.lost
}

// attempt does all pending work on the file and returns the first error.
func (w *writer) attempt(now time.Time) error {
	ctx := context.Background()
	if w.s != nil && now.Sub(w.maintainedAt) >= w.pace.maintain && !sameFile(w.o.Path, w.s.file) {
		w.log.Error("the journal's file was removed or replaced; a new one is created")
		w.release()
	}
	if w.s == nil {
		if err := w.open(ctx, now); err != nil {
			return err
		}
	}
	for !w.batcher.empty() {
		if len(w.batcher.rows) > 0 {
			w.s.anchor(w.batcher.rows[0].n)
		}
		rows, err := w.s.write(ctx, w.batcher, batchRows)
		if err != nil {
			return err
		}
		before := w.batcher.size()
		w.batcher.written(rows)
		w.shared.wrote(before - w.batcher.size())
	}
	if lost := w.lost(); lost > w.reportedLost {
		if w.lostFrom.IsZero() { // the records were lost since this turn began
			w.lostFrom = w.begun
		}
		if err := w.s.loss(ctx, w.lostFrom, now, lost-w.reportedLost); err != nil {
			return err
		}
		w.log.Error("records of the journal were lost", zap.Uint64("records", lost-w.reportedLost),
			zap.Time("since", w.lostFrom))
		w.reportedLost, w.lostFrom = lost, time.Time{}
	}
	return w.maintain(ctx, now)
}

func (w *writer) open(ctx context.Context, now time.Time) error {
	if w.unlock == nil {
		var err error
		if w.unlock, err = Lock(w.o.Path); errors.Is(err, ErrInUse) {
			return err
		} // a journal that cannot be locked is written all the same
	}
	s, err := openStore(ctx, &w.o, w.pace.busy, now, w.previous)
	if errors.Is(err, ErrNewer) {
		return errors.Join(err, w.loadNewer(ctx))
	}
	if err != nil {
		return err
	}
	first, err := s.firstCall(ctx)
	if err == nil {
		err = w.load(ctx, s, first)
	}
	if err != nil {
		return errors.Join(err, s.close())
	}
	w.s = s
	if s.died {
		w.log.Warn("the daemon's last run has no recorded end: it was killed, it crashed, or the machine lost its power; " +
			"the log of the service manager says more (journalctl -u clearback)")
	}
	for _, line := range slices.Sorted(maps.Keys(s.brokenOff)) {
		w.log.Warn("the daemon died during these calls, and a hold may have stayed unless they are taken up again: check the lamp of the line; `clearback explain "+line+
			"` says what to do", zap.String("line", line), zap.Uint64s("calls", s.brokenOff[line]))
	}
	if !s.continued {
		if w.previous != nil {
			w.batcher.rewriteAll()
			for _, k := range w.shared.all() {
				w.batcher.take(&record{line: &k})
			}
		}
		w.batcher.stale = map[string]bool{}
		for line := range s.stale {
			w.batcher.stale[line] = true
		}
	}
	w.checkpointer = startCheckpointer(w.o.Path, w.log)
	w.maintainedAt = now
	return nil
}

// load reads the states of the lines into memory.
func (w *writer) load(ctx context.Context, s *store, first uint64) error {
	all, err := savedLines(ctx, s.conn)
	if err != nil {
		return err
	}
	w.shared.loaded(all, first)
	return nil
}

// loadNewer reads the states of the lines from a file of a newer version, and changes nothing in it. That works as long
// as the newer version has the columns of this one. What has to be safe without it is not taken: a newer version may
// trust answers for other reasons.
func (w *writer) loadNewer(ctx context.Context) error {
	db, err := sql.Open("sqlite", dsn(w.o.Path, fmt.Sprintf("mode=ro&_pragma=busy_timeout(%d)",
		w.pace.busy.Milliseconds())))
	if err != nil {
		return err
	}
	defer db.Close()
	all, err := savedLines(ctx, db)
	if err != nil {
		return fmt.Errorf("call-back windows and pauses after storms cannot be read from it either: %w", err)
	}
	for i := range all {
		all[i].Trust = Trust{}
	}
	w.shared.loaded(all, 0)
	return nil
}

// maintain reads what another process wrote, checks the length of the write-ahead log, and deletes records that are too
// old or exceed the size limit.
func (w *writer) maintain(ctx context.Context, now time.Time) error {
	if now.Sub(w.maintainedAt) >= w.pace.maintain {
		w.maintainedAt = now
		var seen int64
		if err := w.s.conn.QueryRowContext(ctx, "PRAGMA data_version").Scan(&seen); err != nil {
			return err
		}
		if seen != w.dataSeen {
			w.dataSeen = seen
			if err := w.load(ctx, w.s, 0); err != nil {
				return err
			}
		}
	}
	if err := w.s.checkLog(ctx, w.checkpointer); err != nil {
		return err
	}
	return w.pruner.step(ctx, w.s, &w.o, now)
}

// settle decides what to do after an attempt.
func (w *writer) settle(err error, now time.Time) {
	if err == nil {
		w.retryAt, w.retry, w.busyFrom = time.Time{}, 0, time.Time{}
		w.alarm.clear(now)
		return
	}
	w.retry = min(max(2*w.retry, w.pace.retry), w.pace.retryMax)
	switch errorKindOf(err) {
	case errorBusy:
		if w.busyFrom.IsZero() {
			w.busyFrom = now
		}
		w.retry = w.pace.retry
		if now.Sub(w.busyFrom) >= w.pace.lockTolerance {
			w.alarm.raise(now, explain(w.o.Path, err), err)
		}
	case errorDamaged:
		w.release()
		w.replace(err, now)
	case errorNewer:
		w.release()
		w.alarm.raise(now, "the file was written by a newer version; nothing is recorded", err)
		w.retry = w.pace.retryMax
	case errorOther:
		w.release()
		w.alarm.raise(now, explain(w.o.Path, err), err)
		if errors.Is(err, ErrInUse) { // the other daemon may end at any moment
			w.retry = w.pace.retry
		}
	}
	w.retryAt = time.Now().Add(w.retry)
}

// replace sets a damaged file aside, so that the next attempt creates a new one. It does so at most once per
// setAsidePause, so that a failing disk is not filled with damaged files.
func (w *writer) replace(why error, now time.Time) {
	if !w.asideAt.IsZero() && now.Sub(w.asideAt) < w.pace.setAsidePause {
		w.alarm.raise(now, "the file is damaged again; the disk may be failing", why)
		return
	}
	to, err := setAside(w.o.Path, now)
	if err != nil {
		w.alarm.raise(now, "the file is damaged, and cannot be set aside", errors.Join(why, err))
		return
	}
	w.asideAt, w.retry = now, 0
	w.log.Error("the journal is damaged; it was set aside and a new one is created", zap.String("set_aside", to),
		zap.Error(why))
}

// release closes the file, if it is open.
func (w *writer) release() {
	if w.checkpointer != nil {
		w.checkpointer.stop()
		w.checkpointer = nil
	}
	if w.s != nil {
		_ = w.s.close() // the caller reports the error that led here
		w.previous, w.s = w.s, nil
	}
}

// finish writes what is left and closes the file.
func (w *writer) finish() {
	limit := time.Now().Add(w.pace.closeTimeout)
	var err error
	for again := true; again; {
		w.gather()
		now := time.Now()
		err = w.attempt(now)
		switch {
		case err == nil:
			again = false
		case errorKindOf(err) == errorBusy:
			again = now.Before(limit)
		default:
			aside := w.asideAt
			w.settle(err, now)
			again = w.asideAt != aside // try once with the new file
		}
	}
	if err == nil && w.s != nil {
		w.checkpointer.stop()
		w.checkpointer = nil
		err = w.s.end(context.Background(), time.Now())
		w.s = nil
	}
	w.release()
	if w.unlock != nil {
		w.unlock()
	}
	w.shared.count(w.batcher.size(), w.batcher.lost)
	w.queue.settled()
	if err != nil {
		w.err = fmt.Errorf("journal %s: %d records are lost: %s: %w", w.o.Path, w.batcher.size(),
			explain(w.o.Path, err), err)
	}
}
