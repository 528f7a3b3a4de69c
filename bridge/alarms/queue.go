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

var validID = regexp.MustCompile(`^[A-Za-z0-9-]{1,64}$`)

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
	Waiting  int       // messages that wait for an attempt
	Refused  int       // messages that the way refused for good; they are tried again when the queue is opened again
	Dropped  int       // messages given up: too many, or older than a week
	Accepted int       // messages that the other side accepted
	Failure  string    // the last attempt's error; "" if it succeeded
	Since    time.Time // when the attempts began to fail; zero if the last one succeeded
}

// Queue carries messages, each way by itself, so that a way that hangs delays no other. It keeps them in a folder until
// they are accepted, so they survive a kill or a power cut. Each is accepted at least once: again, with the same ID,
// only after an acknowledgement was lost. Urgent messages go first. Use [OpenQueue]. All methods are safe for
// concurrent use.
type Queue struct {
	opt          QueueOptions
	open         context.Context // ends when Close is called: no attempt begins any more
	shut         func()
	attempts     context.Context // ends while Close is waiting: what is under way is broken off
	stopAttempts func()
	tasks        sync.WaitGroup

	mu     sync.Mutex
	store  *runtimestate.Store // nil until the folder has been read
	early  []early             // what was put before that
	routes map[string]*route
	closed bool
}

// route is a way with what waits for it. The mutex of the queue guards it, but for the constants and channels.
type route struct {
	way        Way
	newestOnly bool // as in supersede
	log        *zap.Logger

	more   chan struct{} // buffer 1: one signal stands for everything that was put
	urgent chan struct{} // buffer 1, the same for urgent messages

	waiting []*entry // in the order of arrival
	refused []*entry // the same
	sending *entry   // nil: none
	status  Status
}

// entry is a message that one way has not accepted.
type entry struct {
	Way     string         `json:"way"`
	Message *alarm.Message `json:"message"`

	attempts int
	since    time.Time // when it was put, or Message.At for one that was read from the folder
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
	q := &Queue{opt: o, routes: map[string]*route{}}
	q.open, q.shut = context.WithCancel(context.Background())
	q.attempts, q.stopAttempts = context.WithCancel(context.Background())
	for name, way := range o.Ways {
		r := &route{way: way, log: o.Log.With(zap.String("way", name)), more: make(chan struct{}, 1),
			urgent: make(chan struct{}, 1)}
		q.routes[name] = r
		if w, ok := way.(interface{ NewestOnly() bool }); ok {
			r.newestOnly = w.NewestOnly()
		}
		q.tasks.Go(func() { q.carry(r) })
		if w, ok := way.(interface{ Run(context.Context) }); ok { // it keeps a connection
			q.tasks.Go(func() { w.Run(q.open) })
		}
	}
	q.tasks.Go(q.read)
	return q
}

// read reads the folder, then writes what was put meanwhile.
func (q *Queue) read() {
	store, err := runtimestate.OpenWhenReadable(q.attempts, q.opt.Dir, q.opt.Log)
	q.mu.Lock()
	defer q.mu.Unlock()
	if err != nil { // the queue was closed first
		return
	}
	q.store = store
	for r, found := range q.found() {
		slices.SortFunc(found, func(a, b *entry) int { return a.Message.At.Compare(b.Message.At) })
		added := r.waiting
		r.waiting = nil
		for _, e := range slices.Concat(found, added) {
			q.add(r, e)
		}
	}
	for _, e := range q.early {
		q.save(e.entry, e.durable)
	}
	q.early = nil
}

// found returns what an earlier process left in the folder, by route. It removes what belongs to no route.
func (q *Queue) found() map[*route][]*entry {
	all := map[*route][]*entry{}
	for _, name := range q.store.Names("") {
		e := &entry{}
		_, err := q.store.Get(name, e)
		switch {
		case err != nil:
		case e.Message == nil || !validID.MatchString(e.Message.ID) || e.piece() != name:
			err = errors.New("it is not a message of this queue")
		case q.routes[e.Way] == nil:
			err = fmt.Errorf("it is for %q, which is no longer configured", e.Way)
		}
		if err != nil {
			q.opt.Log.Error("an alarm on the disk is removed", zap.String("name", name), zap.Error(err))
			q.remove(name)
			continue
		}
		e.since = e.Message.At
		all[q.routes[e.Way]] = append(all[q.routes[e.Way]], e)
	}
	return all
}

// Put takes a message for every way. It never waits for the disk or for a way. The function durable, if not nil, is
// called once: with nil when the message is on the disk (or was accepted before that), or with the error of the first
// attempt to write it, after which it is still carried and written as soon as possible. It is called from another
// goroutine, or before Put returns if there is no way, and must not block. An error means that the message was not
// taken. The message must not be changed afterwards.
func (q *Queue) Put(m *alarm.Message, durable func(error)) error {
	if !validID.MatchString(m.ID) {
		return fmt.Errorf("alarms: message ID %q: use 1 to 64 letters, digits and hyphens", m.ID)
	}
	done := all(len(q.opt.Ways), durable)
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return errors.New("alarms: the queue is closed")
	}
	for name, r := range q.routes {
		e := &entry{Way: name, Message: m, since: time.Now()}
		if q.store == nil {
			q.early = append(q.early, early{e, done})
		} else {
			q.save(e, done)
		}
		q.add(r, e)
	}
	return nil
}

// all returns a function that calls done at its n-th call, with all errors.
func all(n int, done func(error)) func(error) {
	if done == nil {
		return nil
	}
	if n == 0 {
		done(nil)
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
		r.status.Waiting, r.status.Refused = len(r.waiting), len(r.refused)
		states[name] = r.status
	}
	return states
}

// Close ends the attempts and closes the folder, within the timeout. An attempt that is under way has half of that time
// to end; broken off, it may bring a message twice. The next queue goes on with what is left.
func (q *Queue) Close(timeout time.Duration) error {
	end := time.Now().Add(timeout)
	q.mu.Lock()
	if q.closed {
		q.mu.Unlock()
		return nil
	}
	q.closed = true
	q.mu.Unlock()
	q.shut()
	half := time.AfterFunc(timeout/2, q.stopAttempts)
	defer half.Stop()
	defer q.stopAttempts()
	ended := make(chan struct{}) // closed when all goroutines have ended
	go func() {
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
	q.mu.Unlock()
	if store == nil {
		if left > 0 {
			return fmt.Errorf("alarms: %s could not be opened; messages that are lost: %d", q.opt.Dir, left)
		}
		return nil
	}
	return store.Close(max(time.Until(end), 0))
}
