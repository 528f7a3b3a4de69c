// Package journal is the durable record of what happened on the lines, in one SQLite file: calls, events, effects with asked
// and measured times, trials and incidents; and its reader. Nothing here ever delays a line.
package journal

import (
	"time"

	"go.uber.org/zap"

	"clearback/supervision/story"
)

// Detail says how much of names and numbers is kept.
type Detail uint8

// The details. Emergency calls are always kept in full.
const (
	DetailFull  Detail = iota
	DetailShort        // the last three digits of a number, no name
	DetailNone         // neither
)

// Options of [Open].
type Options struct {
	Path    string
	Keep    time.Duration // age beyond which records are dropped; 0: for ever
	MaxSize int64         // bytes beyond which the oldest records are dropped; 0: no bound
	Detail  Detail
	Version string // of the daemon, for the record of runs
	Logger  *zap.Logger
}

// Journal is the writer. All methods may be called from any goroutine; those that record neither block nor fail: what could not be
// written is counted and alarmed.
type Journal struct{}

// Open opens the journal, or goes on trying to while the daemon runs: a full, locked, read-only or corrupt disk is an alarm in the log.
func Open(o Options) *Journal { return &Journal{} }

// FirstCall returns a call number that no earlier run of this journal used. At least 1.
func (j *Journal) FirstCall() uint64 { return 1 }

// Append records an event or effect.
func (j *Journal) Append(e story.Entry) {}

// AppendNote records who is in a call.
func (j *Journal) AppendNote(n story.Note) {}

// AppendTrial records a trial of a tuning session.
func (j *Journal) AppendTrial(t Trial) {}

// KeepLine records what should outlive the process; the latest counts.
func (j *Journal) KeepLine(k LineState) {}

// LineState returns what was kept of a line, the zero value with Line if nothing is known. It reads memory, not the disk.
func (j *Journal) LineState(line string) LineState { return LineState{Line: line} }

// Health tells how the journal does.
func (j *Journal) Health() Health { return Health{} }

// Close writes what is queued and closes the file.
func (j *Journal) Close() error { return nil }

// Health of the journal.
type Health struct {
	Problem string    // "" if there is none
	Since   time.Time // of the problem
	Dropped uint64    // records that were lost since the start
	Queued  int
}

// LineState is what outlives the process of a line.
type LineState struct {
	Line string
	// Stayed counts the holds that stayed since Interval and Steps, in their text form, were set.
	Stayed int
	Basis  string
	// CallbackBy is the end of the call-back window after an emergency call.
	CallbackBy time.Time
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
	By     story.Verified
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
