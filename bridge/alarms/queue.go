package alarms

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sync"
	"time"

	"clearback/bridge/runtimestate"
	"clearback/supervision/alarm"

	"go.uber.org/zap"
)

// maxWaiting bounds the messages that wait for one way, and so its files. maxRefused bounds those of them that it
// refused for good. Our own numbers: a week of an alarm every half hour, and far below what package runtimestate reads.
const (
	maxWaiting = 400
	maxRefused = 50
)

// idMax is the length of the longest message ID, in bytes. A count in the pattern would cost every process time at its
// start.
const idMax = 64

var idPattern = regexp.MustCompile(`^[A-Za-z0-9-]+$`)

func validID(id string) bool { return len(id) <= idMax && idPattern.MatchString(id) }

// QueueOptions are a folder and the ways out.
type QueueOptions struct {
	// Dir is the folder; its parent must exist. While another process has it open, the queue only carries what is put,
	// and reads and writes the folder as soon as that process has closed it.
	Dir string
	// Ways are the ways out by name. The name decides what a message that an earlier process left is for. Change it
	// when the way leads to somebody else ("mail to box-office@millrace.example").
	Ways map[string]Way
	Log  *zap.Logger
}

// Status is the state of a way. The counts begin when the queue is opened.
type Status struct {
	Waiting int // messages that wait for an attempt
	// Refused counts the messages that the way refused for good. They are tried again after SetWays and when the queue
	// is opened again, urgent ones every 10 min too.
	Refused int
	Dropped int       // messages given up: too many, or a week without success
	Failure string    // the last attempt's error; "" if it succeeded
	Since   time.Time // when the attempts began to fail; zero if the last one succeeded
	// Oldest is the At of the oldest message that waits or was refused, perhaps decided by an earlier process; zero if
	// there is none.
	Oldest   time.Time
	Attempts Attempts
}

// Attempts counts the attempts on a way by result. Refused counts permanent refusals; Failed counts the other failures.
type Attempts struct{ Accepted, Failed, Refused uint64 }

// Queue carries messages, each way by itself, so that a way that hangs delays no other. It keeps them in a folder until
// they are accepted, so they survive a kill or a power cut. Each is accepted at least once: again, with the same ID,
// only after an acknowledgement was lost. Urgent messages go first. Use [OpenQueue]. All methods are safe for
// concurrent use.
type Queue struct {
	opt          QueueOptions
	opened       time.Time
	leaving      chan struct{}   // closed by Close: only urgent messages that nobody has tried yet are tried
	open         context.Context // ends while Close is waiting: no attempt begins any more
	shut         func()
	attempts     context.Context // ends while Close is waiting: what is under way is broken off
	stopAttempts func()
	isRead       chan struct{}  // closed once the folder has been read, or the queue is closed
	carriers     sync.WaitGroup // the goroutines that carry
	tasks        sync.WaitGroup // all others

	mu     sync.Mutex
	store  *runtimestate.Store // nil until the folder has been read
	unread error               // why the folder could not be read; nil: unknown yet, or it was read
	early  []early             // what was put before that
	seq    uint64              // of the last message
	routes map[string]*route
	closed bool
	gone   map[string]int // messages dropped because the file no longer has their way, by the way's name
}

// route is a way with what waits for it. The mutex of the queue guards it, but for the constants and channels.
type route struct {
	way        Way
	newestOnly bool // as in supersede
	log        *zap.Logger

	// As those of the queue. They also end when the way is replaced.
	open, attempts     context.Context
	shut, stopAttempts func()
	left               sync.WaitGroup // its goroutines

	more   chan struct{} // buffer 1: one signal stands for everything that was put
	urgent chan struct{} // buffer 1, the same for urgent messages
	// retried has buffer 1; a signal means that refused messages wait again, or might have.
	retried chan struct{}

	waiting []*entry // in their order
	refused []*entry
	sending *entry // nil: none
	// urgentFailed means that the last attempt was for an urgent message and failed.
	urgentFailed bool
	status       Status
}

// entry is a message that one way has not accepted.
type entry struct {
	Way     string         `json:"way"`
	Message *alarm.Message `json:"message"`
	Seq     uint64         `json:"seq"` // the order in which messages were put; a clock may step

	attempts int
	since    time.Time   // when it was put or read from the folder
	refused  bool        // that was logged
	again    *time.Timer // when a refused one is tried again; nil: never
}

func (e *entry) piece() string {
	sum := sha256.Sum256([]byte(e.Way))
	return hex.EncodeToString(sum[:8]) + "." + e.Message.ID
}

// early is an entry that could not be written yet.
type early struct {
	*entry
	durable func(error)
}

// OpenQueue opens the folder, creates it if it does not exist, and goes on with what an earlier process left. It never
// waits for the disk.
func OpenQueue(o QueueOptions) *Queue {
	q := &Queue{opt: o, opened: time.Now(), leaving: make(chan struct{}),
		isRead: make(chan struct{}), gone: map[string]int{}}
	q.open, q.shut = context.WithCancel(context.Background())
	q.attempts, q.stopAttempts = context.WithCancel(context.Background())
	q.SetWays(o.Ways)
	q.tasks.Go(q.read)
	return q
}

// SetWays replaces the ways. What waits under a name, and what was refused, waits for the new way of that name; what is
// for a name that is gone is dropped. A way that is the same value as before goes on. An attempt that is under way on
// another one has leaveTime to end; broken off, it may bring a message twice.
func (q *Queue) SetWays(ways map[string]Way) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return
	}
	before := q.routes
	q.routes = map[string]*route{}
	for name, way := range ways {
		was := before[name]
		r := was
		if was == nil || was.way != way {
			r = q.newRoute(name, way)
			if was != nil {
				r.waiting, r.refused = was.waiting, was.refused
				r.status.Dropped, r.status.Attempts = was.status.Dropped, was.status.Attempts
				for _, e := range slices.Concat(r.waiting, r.refused) {
					e.attempts = 0
				}
			}
			q.start(r, was)
		}
		q.routes[name] = r
		r.retry(slices.Clone(r.refused)...)
	}
	for name, r := range before {
		if q.routes[name] == r {
			continue
		}
		r.shut()
		time.AfterFunc(leaveTime, r.stopAttempts)
		if q.routes[name] == nil {
			for _, e := range slices.Concat(r.waiting, r.refused) {
				q.drop(r, e, "its way is no longer configured")
				q.gone[name]++
			}
		}
		r.waiting, r.refused = nil, nil
	}
}

func (q *Queue) newRoute(name string, way Way) *route {
	r := &route{way: way, log: q.opt.Log.With(zap.String("way", name)), more: make(chan struct{}, 1),
		urgent: make(chan struct{}, 1), retried: make(chan struct{}, 1)}
	r.open, r.shut = context.WithCancel(q.open)
	r.attempts, r.stopAttempts = context.WithCancel(q.attempts)
	if w, ok := way.(interface{ NewestOnly() bool }); ok {
		r.newestOnly = w.NewestOnly()
	}
	return r
}

// start starts the goroutines of a route once those of the one that it replaces have ended, or can be waited for no
// longer.
func (q *Queue) start(r, was *route) {
	ready := make(chan struct{}) // closed then
	if was == nil {
		close(ready)
	} else {
		go func() {
			was.left.Wait()
			close(ready)
		}()
	}
	begin := func(run func()) func() {
		r.left.Add(1)
		return func() {
			defer r.left.Done()
			if was != nil {
				select {
				case <-ready:
				case <-was.attempts.Done():
				}
			}
			run()
		}
	}
	q.carriers.Go(begin(func() { q.carry(r) }))
	if w, ok := r.way.(interface{ Run(context.Context) }); ok { // it keeps a connection
		q.tasks.Go(begin(func() { w.Run(r.open) }))
	}
}

// read reads the folder, then writes what was put meanwhile, after it.
func (q *Queue) read() {
	defer close(q.isRead)
	store, err := runtimestate.OpenWhenReadable(q.attempts, q.opt.Dir, q.opt.Log, q.unreadable)
	q.mu.Lock()
	defer q.mu.Unlock()
	if err != nil { // the queue was closed first
		return
	}
	q.store = store
	all, last := q.found()
	q.seq += last
	for name, r := range q.routes {
		for _, e := range slices.Concat(r.waiting, r.refused) {
			e.Seq += last
		}
		added := r.waiting
		r.waiting = nil
		slices.SortFunc(all[name], bySeq)
		for _, e := range slices.Concat(all[name], added) {
			q.add(r, e)
		}
	}
	for _, e := range q.early {
		q.save(e.entry, e.durable)
	}
	q.early = nil
}

// Read returns a channel that is closed once the folder has been read, or the queue is closed. From then on Status
// counts what earlier queues have left.
func (q *Queue) Read() <-chan struct{} { return q.isRead }

// unreadable tells that the folder cannot be read yet. Another process that is about to end is no reason.
func (q *Queue) unreadable(err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err == nil || errors.Is(err, runtimestate.ErrInUse) && time.Since(q.opened) < handOverTime {
		return
	}
	q.unread = err
	q.tellEarly(err)
}

// tellEarly tells those whose message is not on the disk yet.
func (q *Queue) tellEarly(err error) {
	for i := range q.early {
		if done := q.early[i].durable; done != nil {
			go done(err) // it may want the queue
			q.early[i].durable = nil
		}
	}
}

// found returns what an earlier process left in the folder, by way, and the highest Seq. It removes what belongs to no
// way.
func (q *Queue) found() (all map[string][]*entry, last uint64) {
	all = map[string][]*entry{}
	for _, name := range q.store.Names("") {
		e := &entry{}
		_, err := q.store.Get(name, e)
		switch {
		case err != nil:
		case e.Message == nil || !validID(e.Message.ID) || e.piece() != name:
			err = errors.New("it is not a message of this queue")
		case q.routes[e.Way] == nil:
			err = fmt.Errorf("it is for %q, which is no longer configured", e.Way)
			q.gone[e.Way]++
		}
		if err != nil {
			q.opt.Log.Error("an alarm on the disk is removed", zap.String("name", name), zap.Error(err))
			q.remove(name)
			continue
		}
		e.since = time.Now()
		last = max(last, e.Seq)
		all[e.Way] = append(all[e.Way], e)
	}
	return all, last
}

// Put takes a message for every way. It never waits for the disk or for a way. The function durable, if not nil, is
// called once, from another goroutine: with nil when the message is on the disk (or was accepted before that), or with
// the error of the first attempt to write it or to read the folder, after which it is still carried and written as soon
// as possible. It must not block. An error means that the message was not taken. The message must not be changed
// afterwards.
func (q *Queue) Put(m *alarm.Message, durable func(error)) error {
	if !validID(m.ID) {
		return fmt.Errorf("alarms: message ID %q: use 1 to %d letters, digits and hyphens", m.ID, idMax)
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return errors.New("alarms: the queue is closed")
	}
	done := all(len(q.routes), durable)
	q.seq++
	for name, r := range q.routes {
		e := &entry{Way: name, Message: m, Seq: q.seq, since: time.Now()}
		if q.store == nil {
			q.early = append(q.early, early{e, done})
		} else {
			q.save(e, done)
		}
		q.add(r, e)
	}
	if q.unread != nil && q.store == nil {
		q.tellEarly(q.unread)
	}
	return nil
}

// all returns a function that calls done at its n-th call, with all errors.
func all(n int, done func(error)) func(error) {
	if done == nil {
		return nil
	}
	if n == 0 {
		go done(nil) // it may want the queue
	}
	var mu sync.Mutex
	var errs []error
	return func(err error) {
		mu.Lock()
		errs = append(errs, err)
		last := len(errs) == n
		mu.Unlock()
		if last {
			done(errors.Join(errs...))
		}
	}
}

// save writes an entry to the disk, soon.
func (q *Queue) save(e *entry, done func(error)) {
	if err := q.store.Put(e.piece(), e, done); err != nil && done != nil {
		go done(err) // it may want the queue
	}
}

// remove removes an entry from the disk, soon.
func (q *Queue) remove(piece string) {
	if i := slices.IndexFunc(q.early, func(e early) bool { return e.piece() == piece }); i >= 0 {
		if done := q.early[i].durable; done != nil {
			go done(nil) // it may want the queue
		}
		q.early = slices.Delete(q.early, i, i+1)
	}
	if q.store != nil {
		_ = q.store.Remove(piece) // the name was valid when it was written
	}
}

// Status returns the state of each way, by name.
func (q *Queue) Status() map[string]Status {
	q.mu.Lock()
	defer q.mu.Unlock()
	states := map[string]Status{}
	for name, r := range q.routes {
		state := r.status
		state.Waiting, state.Refused = len(r.waiting), len(r.refused)
		for _, all := range [][]*entry{r.waiting, r.refused} {
			for _, e := range all {
				if at := e.Message.At; state.Oldest.IsZero() || at.Before(state.Oldest) {
					state.Oldest = at
				}
			}
		}
		states[name] = state
	}
	return states
}

// Gone returns how many messages were dropped because the file no longer has their way, by the way's name, and begins
// to count anew.
func (q *Queue) Gone() map[string]int {
	q.mu.Lock()
	defer q.mu.Unlock()
	gone := q.gone
	q.gone = map[string]int{}
	return gone
}

// Close ends the attempts and closes the folder, within the timeout. Unless that is shorter than leastTries, urgent
// messages that nobody has tried yet are tried first. Attempts have half of the timeout to end; broken off, one may
// bring a message twice. The next queue goes on with what is left.
func (q *Queue) Close(timeout time.Duration) error {
	end := time.Now().Add(timeout)
	q.mu.Lock()
	if q.closed {
		q.mu.Unlock()
		return nil
	}
	q.closed = true
	if timeout < leastTries { // before a route chooses again
		q.shut()
	}
	q.mu.Unlock()
	close(q.leaving)
	half := time.AfterFunc(timeout/2, func() {
		q.shut()
		q.stopAttempts()
	})
	defer half.Stop()
	defer q.stopAttempts()
	ended := make(chan struct{}) // closed when all goroutines have ended
	go func() {
		q.carriers.Wait()
		q.shut()
		q.tasks.Wait()
		close(ended)
	}()
	select {
	case <-ended:
	case <-time.After(timeout * 3 / 4):
		q.opt.Log.Warn("a way out or the disk does not respond while the alarms are closed")
	}
	q.mu.Lock()
	store, left := q.store, len(q.early)
	if store != nil {
		q.mu.Unlock()
		return store.Close(max(time.Until(end), 0))
	}
	defer q.mu.Unlock()
	if left == 0 {
		return nil
	}
	err := fmt.Errorf("alarms: %s could not be opened; messages that are lost: %d", q.opt.Dir, left)
	q.tellEarly(err)
	return err
}
