package sipua

import "sync"

// admission is where calls come in, until it is shut. Nobody who comes in waits for another, nor for who shuts it: a
// call for help may come while an answer to somebody else cannot be written. Safe for concurrent use; see [newGate].
type admission struct {
	mu     sync.Mutex
	idle   *sync.Cond // nobody is coming in
	inside int        // calls that come in just now
	closed bool
}

func newGate() *admission {
	g := &admission{}
	g.idle = sync.NewCond(&g.mu)
	return g
}

// enter reports whether the gate is open. While it is, leave must be called when the call is in the tables, and nothing
// shuts it before.
func (g *admission) enter() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if !g.closed {
		g.inside++
	}
	return !g.closed
}

func (g *admission) leave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.inside--; g.inside == 0 {
		g.idle.Broadcast()
	}
}

// isShut reports whether nothing comes in any more.
func (g *admission) isShut() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.closed
}

// shut waits until nobody is coming in, and shuts the gate unless kept says that it is to stay open; it reports whether
// it is shut.
func (g *admission) shut(kept func() bool) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	for g.inside > 0 {
		g.idle.Wait()
	}
	if !kept() {
		g.closed = true
	}
	return g.closed
}
