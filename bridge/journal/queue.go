package journal

import (
	"sync"

	"clearback/supervision/callrecord"
)

const (
	// queueLimit bounds what waits for the writer: at 2,000 events/s it lasts for 16 s of a disk that does not answer.
	queueLimit = 32768
	// queueReserve is beyond that for what is no event or effect: a line's state is to outlive the process, and comes
	// rarely.
	queueReserve = 1024
	// chunkSize is small enough that a new chunk costs some microseconds, and large enough that 100 ms of 2,000
	// events/s fit into one.
	chunkSize = 256
	spares    = 8 // chunks kept for reuse; 8 hold a second of 2,000 events/s
)

// record is one thing to record: the one pointer that is not nil, else the entry.
type record struct {
	entry    callrecord.Entry
	callInfo *callrecord.CallInfo
	trial    *Trial
	line     *SavedLine
}

type chunk struct {
	records [chunkSize]record
	n       int
}

// queue hands records over to the writer. It is bounded, never waits for the writer, and allocates only when the writer
// lags. For what comes beyond the bound see queueReserve.
type queue struct {
	limit int
	// wake holds one signal that something came into the empty queue; one is enough, the writer takes all there is.
	wake chan struct{}

	mu      sync.Mutex
	chunks  []*chunk
	spare   []*chunk
	n       int
	taken   int // and not yet counted by who took them
	dropped uint64
}

func (q *queue) init(limit int) {
	q.limit = limit
	q.wake = make(chan struct{}, 1) // see wake
	q.spare = append(make([]*chunk, 0, spares), new(chunk), new(chunk))
	q.chunks = make([]*chunk, 0, (limit+queueReserve)/chunkSize+1)
}

func (q *queue) putEntry(e *callrecord.Entry) {
	q.mu.Lock()
	r := q.placeLocked(q.limit)
	if r == nil {
		q.mu.Unlock()
		return
	}
	r.entry = *e
	first := q.n == 1
	q.mu.Unlock()
	if first {
		q.signal()
	}
}

func (q *queue) put(from record) {
	q.mu.Lock()
	r := q.placeLocked(q.limit + queueReserve)
	if r != nil {
		*r = from
	}
	q.mu.Unlock()
	q.signal()
}

func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default: // one is waiting already
	}
}

// placeLocked returns the place of the next record, whose pointers are nil; nil if there are so many.
func (q *queue) placeLocked(limit int) *record {
	if q.n >= limit {
		q.dropped++
		return nil
	}
	var c *chunk
	if len(q.chunks) > 0 {
		c = q.chunks[len(q.chunks)-1]
	}
	if c == nil || c.n == chunkSize {
		if n := len(q.spare); n > 0 {
			c, q.spare = q.spare[n-1], q.spare[:n-1]
		} else {
			c = new(chunk)
		}
		q.chunks = append(q.chunks, c)
	}
	c.n++
	q.n++
	return &c.records[c.n-1]
}

// take empties the queue into to, and returns it and how many were dropped since the start.
func (q *queue) take(to []*chunk) ([]*chunk, uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	to = append(to[:0], q.chunks...)
	clear(q.chunks)
	q.chunks = q.chunks[:0]
	q.taken += q.n
	q.n = 0
	return to, q.dropped
}

// settled tells that what was taken is counted elsewhere.
func (q *queue) settled() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.taken = 0
}

// giveBack takes chunks that were read for reuse.
func (q *queue) giveBack(chunks []*chunk) {
	for _, c := range chunks {
		for i := range c.records[:c.n] {
			r := &c.records[i]
			r.callInfo, r.trial, r.line = nil, nil, nil
		}
		c.n = 0
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, c := range chunks {
		if len(q.spare) < spares {
			q.spare = append(q.spare, c)
		}
	}
}

func (q *queue) state() (queued int, dropped uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.n + q.taken, q.dropped
}
