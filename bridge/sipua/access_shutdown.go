package sipua

import "sync"

// admission is the gate for new calls, open until it is shut. No caller waits for another, nor for shut: an emergency
// call may come while an answer to another caller cannot be written. Safe for concurrent use; see [newGate].
type admission struct {
	mu     sync.Mutex
	idle   *sync.Cond // signalled when inside becomes 0
	inside int        // calls that are being admitted
	closed bool
}

func newGate() *admission {
	g := &admission{}
	g.idle = sync.NewCond(&g.mu)
	return g
}

// enter reports whether the gate is open. If it is, the caller must call leave when the call is in the tables. The gate
// is not shut before that.
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

// isShut reports whether the gate is shut.
func (g *admission) isShut() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.closed
}

// shut waits until no call is being admitted. Then it shuts the gate unless kept reports that it must stay open. It
// reports whether the gate is shut.
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
