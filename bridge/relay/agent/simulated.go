package agent

import (
	"fmt"
	"os"
	"sync"
	"time"

	"clearback/config/file"
)

// simulated is an output without a real contact.
type simulated struct {
	mu   sync.Mutex
	open bool
	file *os.File // nil: no file is written
}

// NewSimulated returns an output without a real contact, for trying things out. If path is not empty, it appends a line
// to that file for each movement: "open" or "closed", and the nanoseconds since 1970. Its input shows loop current
// while it is closed.
func NewSimulated(path string) (Output, error) {
	s := &simulated{}
	if path != "" {
		if err := file.Check(path); err != nil { // a pipe would wait for a reader
			return nil, fmt.Errorf("agent: simulated contact: %w", err)
		}
		f, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
		if err != nil {
			return nil, fmt.Errorf("agent: simulated contact: %w", err)
		}
		s.file = f
	}
	return s, nil
}

var _ Input = (*simulated)(nil)

// Set records the movement.
func (s *simulated) Set(open bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.open = open
	if s.file == nil {
		return nil
	}
	word := "closed"
	if open {
		word = "open"
	}
	_, err := fmt.Fprintf(s.file, "%s %d\n", word, time.Now().UnixNano())
	return err
}

// Get returns what was set.
func (s *simulated) Get() (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.open, nil
}

// Current reports loop current while the contact is closed.
func (s *simulated) Current() (bool, error) {
	open, err := s.Get()
	return !open, err
}

// Close closes the file.
func (s *simulated) Close() error {
	if s.file == nil {
		return nil
	}
	return s.file.Close()
}
