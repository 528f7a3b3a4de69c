package bridge

import (
	"slices"
	"sync"
	"sync/atomic"

	"clearback/supervision/callrecord"
)

// followers are who wants to hear what happens on a line. No lock is held while they are told, so that they may come
// and go meanwhile.
type followers struct {
	list atomic.Pointer[[]*follower] // replaced whole, never changed; nil: none

	mu sync.Mutex // serialises the replacing
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

func (s *followers) publish(e callrecord.Entry) {
	list := s.list.Load()
	if list == nil {
		return
	}
	for _, one := range *list {
		if !one.gone.Load() {
			one.f(e)
		}
	}
}
