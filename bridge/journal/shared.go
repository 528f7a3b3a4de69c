package journal

import (
	"sync"
	"time"
)

// writerState is the state that the writer shares with its callers.
type writerState struct {
	mu      sync.Mutex
	states  map[string]SavedLine
	first   uint64
	problem string
	since   time.Time
	lost    uint64
	written uint64
	pending int
}

func (s *writerState) firstCall() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return max(1, s.first)
}

func (s *writerState) line(name string) SavedLine {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := s.states[name]
	k.Line = name
	return k
}

// save stores a line's state, but keeps what the new state does not replace.
func (s *writerState) save(k SavedLine) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.states[k.Line] = k.after(s.states[k.Line])
}

// after returns the state with what it does not replace in an earlier one: a Trust that is not older, and the tests of
// the second server if it has none.
func (k SavedLine) after(was SavedLine) SavedLine {
	if !k.Trust.At.After(was.Trust.At) {
		k.Trust = was.Trust
	}
	if k.Second == (SecondServer{}) {
		k.Second = was.Second
	}
	return k
}

// loaded takes over the states in the file. A state saved since the start takes precedence, except that the later Trust
// is kept.
func (s *writerState) loaded(all []SavedLine, first uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.first = max(s.first, first)
	for _, k := range all {
		was, ok := s.states[k.Line]
		if !ok {
			was = k
		}
		s.states[k.Line] = was.after(k)
	}
}

// all returns the states of all lines.
func (s *writerState) all() []SavedLine {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make([]SavedLine, 0, len(s.states))
	for _, k := range s.states {
		all = append(all, k)
	}
	return all
}

func (s *writerState) health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Health{Problem: s.problem, Since: s.since, Dropped: s.lost, Written: s.written, Queued: s.pending}
}

func (s *writerState) count(pending int, lost uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending, s.lost = pending, lost
}

func (s *writerState) wrote(records int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.written += uint64(records)
}

func (s *writerState) setProblem(problem string, since time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.problem, s.since = problem, since
}
