// Package journal is the durable record of what happened on the lines, and its reader. One SQLite file holds calls,
// events, effects with asked and measured times, trials and incidents. Nothing here ever delays a line.
//
// The writer takes records into memory and writes them in batches, about every 100 ms. A killed process loses at most
// the last 250 ms (as long as the disk takes a batch in less than 100 ms). A power cut loses no batch that was
// written. While the disk refuses everything, accounts, incidents, trials and line states are held in memory and
// written later. Of events and effects the first 32,768 are held; what comes beyond is counted as lost. While a disk
// does not answer at all, the first 32,768 records are held, and 1,024 more that are no events or effects.
//
// The routine of an idle line (a probe with the same answer as before) is not recorded, so a quiet night writes
// nothing.
//
// What outlives a line's process is here too: its count of holds that stayed, the end of the call-back window, its
// openings of the last minute, the end of a storm's pause, and how far its answers can be trusted. So a daemon that
// dies after each opening still counts them all: the limit bounds openings less than a minute apart, also over
// restarts. Without a journal each start begins anew, and trusts nothing.
//
// The schema has a number (PRAGMA user_version). A change of it comes with a step in schema.go that brings older files
// forward, and with a file of the older version in testdata.
package journal

import (
	"time"

	"go.uber.org/zap"

	"clearback/supervision/callrecord"
)

// Detail says how much of names and numbers is kept.
type Detail uint8

// The details. Emergency calls are always kept in full.
const (
	DetailFull  Detail = iota
	DetailShort        // the last three digits of a number, no name
	DetailNone         // neither, nor the SIP Call-ID
)

// Options of [Open].
type Options struct {
	Path    string
	MaxAge  time.Duration // age beyond which records are dropped, from 15 minutes after the start on; 0: for ever
	MaxSize int64         // bytes beyond which the oldest records are dropped; 0: no bound
	Detail  Detail
	Version string // of the daemon, for the record of runs
	Logger  *zap.Logger
	// HasSensor reports whether a loop-current sensor decides about the hook of a line; nil: of none. It is called from
	// the writer's goroutine.
	HasSensor func(line string) bool
	// Remind is how often a problem that lasts is told to the log again; 0: every 15 minutes.
	Remind time.Duration
}

// Journal is the writer. All methods may be called from any goroutine; those that record neither block nor fail: what
// could not be written is counted and alarmed.
type Journal struct {
	queue queue
	w     *writer
}

// firstLoad is how long [Open] waits for the file at most. A sound file on a memory card opens in some 10 ms.
const firstLoad = time.Second

// Open opens the journal, or goes on trying to while the daemon runs: a full, locked, read-only or corrupt disk is an
// alarm in the log. It waits for the file for at most a second, then goes on without what it holds: line states and
// call numbers are then as of an empty one.
func Open(o Options) *Journal { return open(o, paceNow()) }

func open(o Options, p pace) *Journal {
	if o.Logger == nil {
		o.Logger = zap.NewNop()
	}
	if o.Remind <= 0 {
		o.Remind = 15 * time.Minute
	}
	j := &Journal{}
	j.queue.init(queueLimit)
	j.w = newWriter(o, p, &j.queue)
	go j.w.run()
	limit := time.NewTimer(firstLoad)
	defer limit.Stop()
	select {
	case <-j.w.tried:
	case <-limit.C:
	}
	return j
}

// FirstCall returns a call number that no earlier run of this journal used, as far as the file could be read when it
// was opened. At least 1.
func (j *Journal) FirstCall() uint64 { return j.w.shared.firstCall() }

// Append records an event or effect.
func (j *Journal) Append(e callrecord.Entry) { j.queue.putEntry(&e) }

// AppendCallInfo records who is in a call.
func (j *Journal) AppendCallInfo(n callrecord.CallInfo) { j.queue.put(record{callInfo: &n}) }

// AppendTrial records a trial of a tuning session. One with the line, session and time of an earlier one replaces it.
func (j *Journal) AppendTrial(t Trial) { j.queue.put(record{trial: &t}) }

// SaveLine records what should outlive the process; the latest counts. Trust is taken only if its At is later than that
// of what is kept (another process may have saved it, see [SaveTrust]); to withdraw trust, give a Trust with nothing
// but At.
func (j *Journal) SaveLine(k SavedLine) {
	j.w.shared.save(k)
	j.queue.put(record{line: &k})
}

// SavedLine returns what was kept of a line, the zero value with Line if nothing is known. It reads memory, not the
// disk; what another process saved is seen within 3 s.
func (j *Journal) SavedLine(line string) SavedLine { return j.w.shared.line(line) }

// Health tells how the journal does.
func (j *Journal) Health() Health {
	queued, dropped := j.queue.state() // first: what is taken from there meanwhile is counted twice rather than not at all
	h := j.w.shared.health()
	h.Queued += queued
	h.Dropped += dropped
	return h
}

// Close writes what is queued and closes the file. A locked file is waited for for 3 s, a disk that does not answer for
// 10 s; the error says what was lost. Then alone does something run on: the call that the disk does not answer. Nothing
// may be recorded after Close.
func (j *Journal) Close() error { return j.w.close() }

// Health of the journal.
type Health struct {
	Problem string    // "" if there is none
	Since   time.Time // of the problem
	Dropped uint64    // records that were lost since the start
	Queued  int
}

// SavedLine is what outlives the process of a line.
type SavedLine struct {
	Line string
	// Stayed counts the holds that stayed since Interval and Steps, in their text form, were set.
	Stayed int
	Basis  string
	// CallbackBy is the end of the call-back window after an emergency call.
	CallbackBy time.Time
	// Recent is how many openings clearings wanted in the minute before RecentAt, when they wanted the last one.
	Recent   int
	RecentAt time.Time
	// NoOpeningBy is until when no clearing opens the loop, since there were too many; zero: they do.
	NoOpeningBy time.Time
	// Trust is how far the line's answers can be trusted.
	Trust Trust
}

// Trust is what `check --live` saw of a line. The zero value trusts nothing.
type Trust struct {
	// Probe: OPTIONS was answered 200 on hook, 486 held in a call and 486 off hook without a call.
	Probe bool
	// Sense: the loop-current input read none on hook, current held and current off hook.
	Sense bool
	// UserAgent is what the adapter called itself then; another one is to be seen anew.
	UserAgent string
	At        time.Time
}

// Trial is one trial of a tuning session.
type Trial struct {
	Session  int64 // when the session began, Unix time in milliseconds
	Line     string
	At       time.Time
	Call     uint64
	Catch    bool          // nothing was opened
	Asked    time.Duration // the interval
	Measured time.Duration // 0: not measured
	Cleared  Answer
	// By says who said so.
	By     callrecord.Verification
	RangUp bool // the line rang up after the break
}

// Answer of a trial.
type Answer uint8

// The answers.
const (
	AnswerUnknown Answer = iota
	AnswerCleared
	AnswerStayed
)
