package endpoint

import (
	"net/netip"
	"sync"

	"go.uber.org/zap"
)

// queues runs functions: one after the other, in the order of post, within a Call-ID; concurrently for different
// Call-IDs. A Call-ID costs memory and a goroutine only while it has something to run.
type queues struct {
	log *zap.Logger

	mu   sync.Mutex
	byID table[string, *queue]
	// sources counts the Call-IDs by the source that caused them.
	sources count[netip.Addr]
	closed  bool
	wg      sync.WaitGroup
}

type queue struct {
	waiting []func()
	from    netip.Addr // invalid if our own work caused the queue
}

func (q *queues) init(log *zap.Logger) { q.log = log }

// post appends f to the queue of id. It never blocks. After finish it does nothing. It is for work that we cause
// ourselves, whose amount is bounded elsewhere.
func (q *queues) post(id string, f func()) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.postLocked(id, netip.Addr{}, f)
}

// offer is post for work that a source causes. It returns false if too much work waits.
func (q *queues) offer(id string, from netip.Addr, f func()) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c == nil && !q.roomLocked(from) || c != nil && len(c.waiting) >= maxWaiting {
		return false
	}
	q.postLocked(id, from, f)
	return true
}

// roomLocked reports whether a source may add a Call-ID.
func (q *queues) roomLocked(from netip.Addr) bool {
	n, own := q.byID.len(), q.sources.get(from)
	return n < maxQueues && own < maxQueuesSource || n < maxQueuesHard && own < maxQueuesFew
}

// offerReserved is offer for BYE, emergency calls and responses. It has reserved places within a Call-ID. The number of
// its Call-IDs is bounded by the number of dialogs and transactions.
func (q *queues) offerReserved(id string, f func()) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c != nil && len(c.waiting) >= maxWaiting+maxWaitingReserved {
		return false
	}
	q.postLocked(id, netip.Addr{}, f)
	return true
}

func (q *queues) postLocked(id string, from netip.Addr, f func()) {
	if q.closed {
		return
	}
	if c := q.byID.get(id); c != nil {
		c.waiting = append(c.waiting, f)
		return
	}
	c := &queue{waiting: []func(){f}, from: from}
	q.byID.put(id, c)
	if from.IsValid() {
		q.sources.add(from, 1)
	}
	q.wg.Go(func() { q.drain(id, c) })
}

func (q *queues) drain(id string, c *queue) {
	for {
		q.mu.Lock()
		batch := c.waiting
		c.waiting = nil
		if len(batch) == 0 {
			q.byID.remove(id)
			if c.from.IsValid() {
				q.sources.add(c.from, -1)
			}
			q.mu.Unlock()
			return
		}
		q.mu.Unlock()
		for _, f := range batch {
			q.run(f)
		}
	}
}

// run runs f. A panic in one message does not end the process.
func (q *queues) run(f func()) {
	defer func() {
		if v := recover(); v != nil {
			q.log.Error("a message could not be processed", zap.String("fault", Printable(v)), zap.Stack("stack"))
		}
	}()
	f()
}

// size returns the number of Call-IDs that have something to run.
func (q *queues) size() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.byID.len()
}

// finish waits for all that was posted, and refuses what is posted from now on.
func (q *queues) finish() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.wg.Wait()
}
