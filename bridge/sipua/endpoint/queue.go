package endpoint

import (
	"net/netip"
	"sync"

	"go.uber.org/zap"
)

// queues run functions one after the other within a Call-ID, in the order of post, and beside each other otherwise.
// A Call-ID costs memory and a goroutine only while there is something to run for it.
type queues struct {
	log *zap.Logger

	mu   sync.Mutex
	byID table[string, *queue]
	// sources counts the Call-IDs by who brought them
	sources count[netip.Addr]
	closed  bool
	wg      sync.WaitGroup
}

type queue struct {
	waiting []func()
	from    netip.Addr // not valid: our own doing brought it
}

func (q *queues) init(log *zap.Logger) { q.log = log }

// post puts f last in the queue of id. It never blocks. After finish nothing runs any more. It is for what our own
// doing brings, which is bounded by that.
func (q *queues) post(id string, f func()) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.postLocked(id, netip.Addr{}, f)
}

// offer is post for what a source may bring; false: too much is waiting.
func (q *queues) offer(id string, from netip.Addr, f func()) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c == nil && !q.roomLocked(from) || c != nil && len(c.waiting) >= maxWaiting {
		return false
	}
	q.postLocked(id, from, f)
	return true
}

// roomLocked reports whether a source may bring one more Call-ID.
func (q *queues) roomLocked(from netip.Addr) bool {
	n, own := q.byID.len(), q.sources.get(from)
	return n < maxQueues && own < maxQueuesSource || n < maxQueuesHard && own < maxQueuesFew
}

// offerReserved is offer for what ends a call or calls for help, and for what answers us: it has places of its own
// within a Call-ID, and how many Call-IDs bring it is bounded by the dialogs and transactions that there are.
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
	var batch []func()
	for {
		q.mu.Lock()
		batch, c.waiting = c.waiting, batch[:0]
		if len(batch) == 0 {
			q.byID.remove(id)
			if c.from.IsValid() {
				q.sources.add(c.from, -1)
			}
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
	return q.byID.len()
}

// finish runs what was posted and waits for it.
func (q *queues) finish() {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	q.wg.Wait()
}
