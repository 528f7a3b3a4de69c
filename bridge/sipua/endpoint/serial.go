package endpoint

import (
	"runtime"
	"slices"
	"sync"
)

// Serial runs functions one after the other, in the order in which they were posted. It has a goroutine only while
// there is something to run. It serves as the mailbox of a call, and as the queue of a Call-ID that belongs to no call.
// Safe for concurrent use.
type Serial struct {
	// set once
	start  func(func()) // runs a function in a goroutine of its own
	failed func(v any)  // handles a panic of a posted function
	after  func()       // see After; nil: nothing

	mu      sync.Mutex
	waiting []func()
	begun   bool // Begin was called; until then posted functions wait
	running bool
}

// NewSerial returns a serial executor that runs nothing before Begin. start must run its argument in a new goroutine,
// or do nothing once everything is closed. If a posted function panics, failed is called with the value of the panic,
// and the functions after it still run.
func NewSerial(start func(func()), failed func(v any)) *Serial {
	return &Serial{start: start, failed: failed}
}

// After sets a function that runs whenever the functions that waited have run, in order with the others. Call After
// before Begin.
func (s *Serial) After(f func()) { s.after = f }

// Begin puts first ahead of everything that has been posted, and starts to run functions.
func (s *Serial) Begin(first ...func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting, s.begun = slices.Insert(s.waiting, 0, first...), true
	s.wakeLocked()
}

// Post appends f. It never blocks. It is for work whose amount is bounded elsewhere.
func (s *Serial) Post(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.postLocked(f)
}

// offer is like Post, for work that the network causes. It returns false if the number of waiting functions has reached
// limit.
func (s *Serial) offer(f func(), limit int) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.waiting) >= limit {
		return false
	}
	s.postLocked(f)
	return true
}

func (s *Serial) postLocked(f func()) {
	s.waiting = append(s.waiting, f)
	s.wakeLocked()
}

func (s *Serial) wakeLocked() {
	if s.begun && !s.running && len(s.waiting) > 0 {
		s.running = true
		s.start(s.drain)
	}
}

func (s *Serial) drain() {
	growStack()
	for {
		s.mu.Lock()
		batch := s.waiting
		s.waiting = nil
		s.running = len(batch) > 0
		s.mu.Unlock()
		if len(batch) == 0 {
			return
		}
		for _, f := range batch {
			s.run(f)
		}
		if s.after != nil {
			s.run(s.after)
		}
	}
}

func (s *Serial) run(f func()) {
	defer func() {
		if v := recover(); v != nil {
			s.failed(v)
		}
	}()
	f()
}

// idle reports whether nothing runs and nothing waits.
func (s *Serial) idle() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.running && len(s.waiting) == 0
}

// growStack makes room on a new goroutine's stack for the handling of a message. A stack begins with 2 KB and doubles
// when it is full, each time with more frames to copy. For a BYE that takes some 20 us more than to grow it at once
// (measured with 100 lines relaying).
//
//go:noinline
func growStack() {
	var room [12 << 10]byte
	runtime.KeepAlive(&room)
}
