package journal

import (
	"sync"

	"clearback/supervision/callrecord"
)

const (
	// queueLimit is the number of records that can wait for the writer. At 2,000 events/s this covers 16 s in which the
	// disk does not respond.
	queueLimit = 32768
	// queueReserve is additional room for records other than events and effects. A line's state must survive a restart,
	// and such records are rare.
	queueReserve = 1024
	// chunkSize is small enough that a new chunk costs only some microseconds, and large enough that 100 ms of 2,000
	// events/s fit into one chunk.
	chunkSize = 256
	spares    = 8 // chunks kept for reuse; 8 hold one second of 2,000 events/s
)

// record is one thing to record: whatever its non-nil pointer refers to, or entry if all pointers are nil.
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

// queue passes records to the writer. It is bounded, never waits for the writer, and allocates only when the writer
// lags. Records beyond the limit are dropped and counted. See also queueReserve.
type queue struct {
	limit int
	// wake holds one signal that the queue is no longer empty. One is enough, since the writer takes all records.
	wake chan struct{}

	mu      sync.Mutex
	chunks  []*chunk
	spare   []*chunk
	n       int
	taken   int // taken from the queue, but not yet counted by the writer
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
	default: // a signal is pending
	}
}

// placeLocked returns the place of the next record, whose pointers are nil. At the limit it counts the record as
// dropped and returns nil.
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

// take moves all chunks into to. It returns to and the number of records dropped since the start.
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

// settled is called when the writer has counted the records that it took.
func (q *queue) settled() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.taken = 0
}

// giveBack returns chunks for reuse.
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
