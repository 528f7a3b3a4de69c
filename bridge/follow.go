package bridge

import (
	"slices"
	"sync"
	"sync/atomic"

	"clearback/supervision/callrecord"
)

// followers are the functions that receive the events and effects of a line. No lock is held while they are called, so
// that followers can be added and removed meanwhile. Each step notes the list of its time: a follower does not get what
// happened before it was added.
type followers struct {
	list atomic.Pointer[[]*follower] // replaced as a whole, never modified; nil: none

	mu sync.Mutex // held while the list is replaced
}

type follower struct {
	f    func(callrecord.Entry)
	gone atomic.Bool
}

func (s *followers) add(f func(callrecord.Entry)) (stop func()) {
	one := &follower{f: f}
	s.replace(func(l []*follower) []*follower { return append(l, one) })
	return func() {
		one.gone.Store(true)
		s.replace(func(l []*follower) []*follower {
			return slices.DeleteFunc(l, func(x *follower) bool { return x == one })
		})
	}
}

// replace changes a copy of the list.
func (s *followers) replace(change func([]*follower) []*follower) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var list []*follower
	if old := s.list.Load(); old != nil {
		list = slices.Clone(*old)
	}
	list = change(list)
	s.list.Store(&list)
}
