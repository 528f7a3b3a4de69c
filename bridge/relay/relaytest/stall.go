package relaytest

import "sync"

// Stall implements the fault StallRequest for a controller in memory. Calls wait in it until Release. Its zero value is
// ready to use. It is safe for concurrent use.
type Stall struct {
	mu      sync.Mutex
	waiting int
	goOn    chan struct{}  // closed to release the waiting calls
	inside  sync.WaitGroup // the waiting calls, until they have been carried out
}

// Wait returns at Release. The caller then carries out its call, and calls done after that.
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

// Stalled returns the number of waiting calls.
func (s *Stall) Stalled() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.waiting
}

// Release releases all waiting calls, and returns when they have been carried out.
func (s *Stall) Release() {
	s.mu.Lock()
	if s.goOn != nil {
		close(s.goOn)
	}
	s.goOn, s.waiting = nil, 0
	s.mu.Unlock()
	s.inside.Wait()
}
