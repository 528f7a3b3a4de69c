package endpoint

import (
	"sync"

	"go.uber.org/zap"
)

// queues run functions one after the other within a Call-ID, in the order of post, and beside each other otherwise.
// A Call-ID costs memory and a goroutine only while there is something to run for it.
type queues struct {
	log *zap.Logger

	mu     sync.Mutex
	byID   map[string]*queue
	closed bool
	wg     sync.WaitGroup
}

type queue struct{ waiting []func() }

func (q *queues) init(log *zap.Logger) { q.log, q.byID = log, map[string]*queue{} }

// post puts f last in the queue of id. It never blocks. After finish nothing runs any more. It is for what our own doing brings, which
// is bounded by that.
func (q *queues) post(id string, f func()) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.postLocked(id, f)
}

// offer is post for what strangers may bring; false: too much is waiting.
func (q *queues) offer(id string, f func()) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID[id]; c == nil && len(q.byID) >= maxQueues || c != nil && len(c.waiting) >= maxWaiting {
		return false
	}
	q.postLocked(id, f)
	return true
}

func (q *queues) postLocked(id string, f func()) {
	if q.closed {
		return
	}
	if c := q.byID[id]; c != nil {
		c.waiting = append(c.waiting, f)
		return
	}
	c := &queue{waiting: []func(){f}}
	q.byID[id] = c
	q.wg.Go(func() { q.drain(id, c) })
}

func (q *queues) drain(id string, c *queue) {
	var batch []func()
	for {
		q.mu.Lock()
		batch, c.waiting = c.waiting, batch[:0]
		if len(batch) == 0 {
			delete(q.byID, id)
			q.mu.Unlock()
			return
		}
		q.mu.Unlock()
		for i, f := range batch {
			batch[i] = nil
			q.run(f)
		}
	}
}

// run keeps a fault in one message from ending the process.
func (q *queues) run(f func()) {
	defer func() {
		if v := recover(); v != nil {
			q.log.Error("a message could not be handled", zap.String("fault", Printable(v)), zap.Stack("stack"))
		}
	}()
	f()
}

// size is the number of Call-IDs with something to run.
func (q *queues) size() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.byID)
}

// finish runs what was posted and waits for it.
func (q *queues) finish() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.wg.Wait()
}
