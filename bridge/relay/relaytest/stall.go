package relaytest

import "sync"

// A Stall is the fault StallRequest of a controller in memory: calls wait in it until they are let go. Its zero value
// is ready; it is safe for concurrent use.
type Stall struct {
	mu      sync.Mutex
	waiting int
	goOn    chan struct{}  // closed to let those go that wait
	inside  sync.WaitGroup // the calls that wait, until they have been carried out
}

// Wait returns at Release. The caller carries out its call then, and says so by done.
func (s *Stall) Wait() (done func()) {
	s.mu.Lock()
	if s.goOn == nil {
		s.goOn = make(chan struct{})
	}
	goOn := s.goOn
	s.waiting++
	s.inside.Add(1)
	s.mu.Unlock()
	<-goOn
	return s.inside.Done
}

// Stalled is how many calls wait.
func (s *Stall) Stalled() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.waiting
}

// Release lets all go that wait, and returns when they have been carried out.
func (s *Stall) Release() {
	s.mu.Lock()
	if s.goOn != nil {
		close(s.goOn)
	}
	s.goOn, s.waiting = nil, 0
	s.mu.Unlock()
	s.inside.Wait()
}
