package sipua

import (
	"sync"
	"sync/atomic"
)

// gate is where calls come in, until it is shut. The zero value is open. Safe for concurrent use.
type gate struct {
	mu     sync.RWMutex // held for reading by each call that comes in
	closed atomic.Bool  // set under mu
}

// enter reports whether the gate is open. While it is, leave must be called when the call is in the tables, and nothing shuts it before.
func (g *gate) enter() bool {
	g.mu.RLock()
	if g.closed.Load() {
		g.mu.RUnlock()
		return false
	}
	return true
}

func (g *gate) leave() { g.mu.RUnlock() }

// isShut reports whether nothing comes in any more.
func (g *gate) isShut() bool { return g.closed.Load() }

// shut shuts the gate unless kept says that it is to stay open; it reports whether it is shut.
func (g *gate) shut(kept func() bool) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !kept() {
		g.closed.Store(true)
	}
	return g.isShut()
}
