// Package journal is the durable record of what happened on the lines, and its reader. One SQLite file holds calls,
// events, effects with requested and measured times, trials and incidents. Nothing here ever delays a line.
//
// The writer takes records into memory and writes them in batches, about every 100 ms. A killed process loses at most
// the last 250 ms (as long as the disk writes a batch in less than 100 ms). A power cut loses no batch that was
// written. Records that cannot be written yet are held in memory. Records beyond these limits are lost, and counted:
//
//	the disk               events and effects   accounts, incidents          trials, line states
//	refuses every write    the first 32,768     4,096 of each                4,096 trials, all states
//	does not respond       the first 32,768     4,096 of each, in addition   1,024, in addition
//
// "In addition" means beyond the records that fit into the queue of 32,768. Of accounts and incidents the latest states
// are held, even if their events and effects were lost.
//
// The routine of an idle line (a probe with the same answer as before) is not recorded, so a quiet night writes
// nothing.
//
// The journal also keeps the state of a line that must survive a restart: the number of holds that stayed, the end of
// the call-back window, the openings of the last minute, the end of the pause after a storm, whether the line's answers
// can be trusted, and when its adapter's second server was tested. So the limit on openings within a minute holds over
// restarts, even if the daemon dies after each opening. Without a journal the daemon starts each time without this
// state, and treats no line's answers as trusted.
//
// The schema has a version number (PRAGMA user_version). A change of the schema needs a migration step in schema.go and
// a file of the older version in testdata.
package journal

import (
	"time"

	"go.uber.org/zap"

	"clearback/supervision"
	"clearback/supervision/callrecord"
)

// Detail is how much of names and numbers is kept.
type Detail uint8

// The details. Emergency calls are always kept in full.
const (
	DetailFull  Detail = iota
	DetailShort        // the last three digits of a number, no name
	DetailNone         // no number, no name and no SIP Call-ID
)

// Options are the options of [Open].
type Options struct {
	Path    string
	MaxAge  time.Duration // age beyond which records are dropped, from 15 minutes after the start on; 0: no limit
	MaxSize int64         // bytes beyond which the oldest records are dropped; 0: no limit
	Detail  Detail
	Version string // of the daemon, for the record of runs
	Logger  *zap.Logger
	// Remind is the interval at which a problem that lasts is logged again. 0 means 15 minutes.
	Remind time.Duration
}

// Journal is the writer. All methods may be called from any goroutine. The methods that record neither block nor fail:
// records that could not be written are counted and raise an alarm in the log.
type Journal struct {
	queue queue
	w     *writer
}

// firstLoad is the longest time that [Open] waits for the file. An undamaged file on a memory card opens in about 10
// ms.
const firstLoad = time.Second

// Open opens the journal. If that fails, the writer tries again for as long as the daemon runs. A full, locked,
// read-only or corrupt disk raises an alarm in the log. Open waits at most a second for the file. After that it returns
// without the file's contents: line states and call numbers are then those of an empty journal.
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

// FirstCall returns a call number that no earlier run of this journal used, if the file could be read when it was
// opened. The number is at least 1.
func (j *Journal) FirstCall() uint64 { return j.w.shared.firstCall() }

// Append records an event or effect, and the present state of the accounts and incidents that it changed. It copies
// them. The states of an account or incident must be appended in their order.
func (j *Journal) Append(e callrecord.Entry, accounts []callrecord.Account, incidents []callrecord.Incident) {
	j.queue.putEntry(&e, accounts, incidents)
}

// AppendAccount records the state of an account that changed without an entry, because the parties of its call have
// become known.
func (j *Journal) AppendAccount(a callrecord.Account) {
	j.queue.putEntry(&callrecord.Entry{}, []callrecord.Account{a}, nil)
}

// AppendTrial records a trial of a tuning session. It replaces an earlier trial of the same line, session and time.
func (j *Journal) AppendTrial(t Trial) { j.queue.put(record{trial: &t}) }

// SaveLine records the state of a line that must survive a restart. The latest state counts. The Trust in k is taken
// only if its At is later than that of the saved one, since another process may have saved it (see [SaveTrust]). To
// withdraw trust, pass a Trust with only At set.
func (j *Journal) SaveLine(k SavedLine) {
	j.w.shared.save(k)
	j.queue.put(record{line: &k})
}

// SavedLine returns the saved state of a line. If nothing is saved, only Line is set. SavedLine reads memory, not the
// disk. It shows what another process saved within 3 s.
func (j *Journal) SavedLine(line string) SavedLine { return j.w.shared.line(line) }

// Health returns the state of the journal.
func (j *Journal) Health() Health {
	// read first: a record that the writer takes meanwhile is counted twice and not missed
	queued, dropped := j.queue.state()
	h := j.w.shared.health()
	h.Queued += queued
	h.Dropped += dropped
	return h
}

// Close writes what is queued and closes the file. It waits 3 s for a locked file and 10 s for a disk that does not
// respond. The error says what was lost. If the disk does not respond, the pending call to the disk is left running.
// Nothing may be recorded after Close.
func (j *Journal) Close() error { return j.w.close() }

// Health is the state of the journal.
type Health struct {
	Problem string    // empty if there is none
	Since   time.Time // of the problem
	Dropped uint64    // records lost since the start
	Written uint64    // events, effects, accounts, incidents and trials written since the start
	Queued  int
}

// SavedLine is the state of a line that survives a restart.
type SavedLine struct {
	Line string
	// Stayed counts the holds that stayed since the interval and the steps were last set. Basis is these settings in
	// text form.
	Stayed int
	Basis  string
	// CallbackBy is the end of the call-back window after an emergency call.
	CallbackBy time.Time
	// Recent is the number of openings that clearings asked for in the minute before RecentAt. RecentAt is the time of
	// the last of them.
	Recent   int
	RecentAt time.Time
	// NoOpeningBy is the time until which no clearing opens the loop because there were too many. Zero means no such
	// pause.
	NoOpeningBy time.Time
	// Trust says which of the line's answers can be trusted.
	Trust Trust
	// Second is how the last tests of the adapter's second server ended. If it is the zero value, [Journal.SaveLine]
	// keeps what is saved.
	Second SecondServer
}

// SecondServer is how the last tests of an adapter's second server ended.
type SecondServer struct {
	// Passed and Failed are when a test last ended that way; zero means never.
	Passed, Failed time.Time
}

// secondServerAge is the age at which a test has to be repeated. Our own number.
const secondServerAge = 365 * 24 * time.Hour

// TestAgain returns why a server that was tested has to be tested again: "failed", "old" or "".
func (s SecondServer) TestAgain(now time.Time) string {
	switch {
	case s.Failed.After(s.Passed):
		return "failed"
	case !s.Passed.IsZero() && now.Sub(s.Passed) > secondServerAge:
		return "old"
	}
	return ""
}

// Trust is what `check --live` confirmed about a line. The zero value trusts nothing.
type Trust struct {
	// Probe is true if OPTIONS was answered 200 on hook, 486 during a held call and 486 off hook without a call.
	Probe bool
	// Sense is true if the loop-current input read no current on hook, and current during a held call and off hook.
	Sense bool
	// UserAgent is the adapter's User-Agent at that time. If it changes, the line has to be checked again.
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
	// By is the source of Cleared.
	By     supervision.Verification
	RangUp bool // the line rang up after the break
}

// Answer is whether a trial cleared the hold.
type Answer uint8

// The values of Answer.
const (
	AnswerUnknown Answer = iota
	AnswerCleared
	AnswerStayed
)
