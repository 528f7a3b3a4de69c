package journal

import (
	"sync"
	"time"
)

// shared is what the writer and its callers both see.
type shared struct {
	mu      sync.Mutex
	states  map[string]LineState
	first   uint64
	problem string
	since   time.Time
	lost    uint64
	pending int
}

func (s *shared) firstCall() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return max(1, s.first)
}

func (s *shared) line(name string) LineState {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := s.states[name]
	k.Line = name
	return k
}

// keep takes a line's state: all of it but older trust.
func (s *shared) keep(k LineState) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if was := s.states[k.Line]; !k.Trust.At.After(was.Trust.At) {
		k.Trust = was.Trust
	}
	s.states[k.Line] = k
}

// loaded takes what the file says. What was kept since the start counts for more, but for older trust.
func (s *shared) loaded(all []LineState, first uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.first = max(s.first, first)
	for _, k := range all {
		was, ok := s.states[k.Line]
		switch {
		case !ok:
			s.states[k.Line] = k
		case k.Trust.At.After(was.Trust.At):
			was.Trust = k.Trust
			s.states[k.Line] = was
		}
	}
}

// all returns every line's state.
func (s *shared) all() []LineState {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make([]LineState, 0, len(s.states))
	for _, k := range s.states {
		all = append(all, k)
	}
	return all
}

func (s *shared) health() Health {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Health{Problem: s.problem, Since: s.since, Dropped: s.lost, Queued: s.pending}
}

func (s *shared) count(pending int, lost uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.pending, s.lost = pending, lost
}

func (s *shared) setProblem(problem string, since time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.problem, s.since = problem, since
}
