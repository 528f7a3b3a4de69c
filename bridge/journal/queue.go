package journal

import (
	"slices"
	"sync"

	"clearback/supervision"
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

// record is one thing to record: a trial or the state of a line if that pointer is not nil, else an entry with the
// accounts and incidents that it changed. If the entry has no Line, only the accounts and incidents are recorded.
type record struct {
	entry     callrecord.Entry
	accounts  []callrecord.Account
	incidents []callrecord.Incident
	trial     *Trial
	line      *SavedLine
}

type chunk struct {
	records [chunkSize]record
	n       int
}

// queue passes records to the writer. It is bounded, never waits for the writer, and allocates only when the writer
// lags. Records beyond the limit are dropped and counted. The accounts and incidents that a dropped entry changed are
// kept, so that the file gets their latest states. See also queueReserve.
type queue struct {
	limit int
	// wake holds one signal that the queue is no longer empty. One is enough, since the writer takes all records.
	wake chan struct{}

	mu      sync.Mutex
	chunks  []*chunk
	spare   []*chunk
	n       int
	rest    changes // of dropped entries; taken after the records in chunks
	taken   int     // taken from the queue, but not yet counted by the writer
	dropped uint64
}

func (q *queue) init(limit int) {
	q.limit = limit
	q.wake = make(chan struct{}, 1) // see wake
	q.spare = append(make([]*chunk, 0, spares), new(chunk), new(chunk))
	q.chunks = make([]*chunk, 0, (limit+queueReserve)/chunkSize+1)
}

// putEntry queues an entry and copies of the accounts and incidents that it changed. An entry without a line only
// brings its changes.
func (q *queue) putEntry(e *callrecord.Entry, accounts []callrecord.Account, incidents []callrecord.Incident) {
	q.mu.Lock()
	if q.n >= q.limit {
		if e.Line != "" {
			q.dropped++
		}
		q.dropped += q.rest.add(accounts, incidents)
		q.mu.Unlock()
		return
	}
	r := q.placeLocked()
	r.entry = *e
	r.accounts = append(r.accounts[:0], accounts...)
	r.incidents = append(r.incidents[:0], incidents...)
	first := q.n == 1
	q.mu.Unlock()
	if first {
		q.signal()
	}
}

func (q *queue) put(from record) {
	q.mu.Lock()
	if q.n >= q.limit+queueReserve {
		q.dropped++
	} else {
		*q.placeLocked() = from
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

// placeLocked returns the place for the next record. Its pointers are nil; its slices may have room for reuse.
func (q *queue) placeLocked() *record {
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

// take moves all chunks into to. It returns to, and what dropped entries changed, which follows the records.
func (q *queue) take(to []*chunk) ([]*chunk, changes) {
	q.mu.Lock()
	defer q.mu.Unlock()
	to = append(to[:0], q.chunks...)
	clear(q.chunks)
	q.chunks = q.chunks[:0]
	rest := q.rest
	q.taken += q.n + rest.size()
	q.n, q.rest = 0, changes{}
	return to, rest
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
			if r := &c.records[i]; r.entry.Line == "" {
				*r = record{} // the record of an entry keeps its slices for reuse
			}
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
	return q.n + q.rest.size() + q.taken, q.dropped
}

// changes are the latest states of accounts and incidents. The zero value has none.
type changes struct {
	accounts  map[callrecord.ID]callrecord.Account
	incidents map[incidentID]callrecord.Incident
}

// incidentID identifies an incident in a file.
type incidentID struct {
	line   string
	reason supervision.Incident
	began  int64 // nanoseconds of Unix time
}

func idOf(i *callrecord.Incident) incidentID { return incidentID{i.Line, i.Reason, i.Began.UnixNano()} }

// add adds copies, at most accountLimit of each kind. It returns how many did not fit.
func (c *changes) add(accounts []callrecord.Account, incidents []callrecord.Incident) (lost uint64) {
	if c.accounts == nil {
		c.accounts, c.incidents = map[callrecord.ID]callrecord.Account{}, map[incidentID]callrecord.Incident{}
	}
	for i := range accounts {
		id := accounts[i].ID()
		if _, known := c.accounts[id]; known || len(c.accounts) < accountLimit {
			c.accounts[id] = accounts[i]
		} else {
			lost++
		}
	}
	for i := range incidents {
		id := idOf(&incidents[i])
		if _, known := c.incidents[id]; known || len(c.incidents) < accountLimit {
			c.incidents[id] = incidents[i]
		} else {
			lost++
		}
	}
	return lost
}

func (c *changes) size() int { return len(c.accounts) + len(c.incidents) }

// record returns a record of the changes. The accounts are in the order in which they began.
func (c *changes) record() (r record) {
	for _, a := range c.accounts {
		r.accounts = append(r.accounts, a)
	}
	slices.SortFunc(r.accounts, func(a, b callrecord.Account) int { return a.Began.Compare(b.Began) })
	for _, i := range c.incidents {
		r.incidents = append(r.incidents, i)
	}
	return r
}
