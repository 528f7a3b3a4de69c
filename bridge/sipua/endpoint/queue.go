package endpoint

import (
	"net/netip"
	"sync"

	"go.uber.org/zap"
)

// queues runs the functions that belong to no [Serial] of the user's. Those of one Call-ID run one after the other,
// those of different Call-IDs concurrently. A Call-ID costs memory and a goroutine only while it has something to run.
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
	*Serial
	from netip.Addr // invalid if our own work caused the queue
}

func (q *queues) init(log *zap.Logger) { q.log = log }

// post appends f to in, or to the queue of id if in is nil. It never blocks. After finish no new queue begins. post is
// for work that we cause ourselves, whose amount is bounded elsewhere.
func (q *queues) post(in *Serial, id string, f func()) {
	if in != nil {
		in.Post(f)
		return
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c != nil {
		c.Post(f)
		return
	}
	q.beginLocked(id, netip.Addr{}, f)
}

// offer is like post, for work that a source causes. It returns false if too much work waits.
func (q *queues) offer(in *Serial, id string, from netip.Addr, f func()) bool {
	if in != nil {
		return in.offer(f, maxWaiting)
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c != nil {
		return c.offer(f, maxWaiting)
	}
	if !q.roomLocked(from) {
		return false
	}
	q.beginLocked(id, from, f)
	return true
}

// roomLocked reports whether a source may add a Call-ID.
func (q *queues) roomLocked(from netip.Addr) bool {
	n, own := q.byID.len(), q.sources.get(from)
	return n < maxQueues && own < maxQueuesSource || n < maxQueuesHard && own < maxQueuesFew
}

// offerReserved is like offer, for BYEs, emergency calls and responses. For these each call or Call-ID has reserved
// places. They may always add a Call-ID, since the number of dialogs and transactions limits how many they add.
func (q *queues) offerReserved(in *Serial, id string, f func()) bool {
	const most = maxWaiting + maxWaitingReserved
	if in != nil {
		return in.offer(f, most)
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if c := q.byID.get(id); c != nil {
		return c.offer(f, most)
	}
	q.beginLocked(id, netip.Addr{}, f)
	return true
}

// beginLocked begins the queue of a Call-ID with f.
func (q *queues) beginLocked(id string, from netip.Addr, f func()) {
	if q.closed {
		return
	}
	c := &queue{from: from}
	c.Serial = NewSerial(func(drain func()) {
		q.wg.Go(func() {
			drain()
			q.release(id, c)
		})
	}, q.failed)
	q.byID.put(id, c)
	if from.IsValid() {
		q.sources.add(from, 1)
	}
	c.Begin(f)
}

// release removes the queue of a Call-ID, unless something was posted meanwhile.
func (q *queues) release(id string, c *queue) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.byID.get(id) != c || !c.idle() {
		return
	}
	q.byID.remove(id)
	if c.from.IsValid() {
		q.sources.add(c.from, -1)
	}
}

// failed logs a panic in the handling of one message. The process continues.
func (q *queues) failed(v any) {
	q.log.Error("a message could not be processed", zap.String("fault", Printable(v)), zap.Stack("stack"))
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
