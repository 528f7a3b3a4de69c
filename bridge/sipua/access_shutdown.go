package sipua

import (
	"context"
	"sync"
)

// admission is the gate for new calls, open until it is shut. No caller waits for another, nor for shut: an emergency
// call may come while an answer to another caller cannot be written. Safe for concurrent use; see [newAdmission].
type admission struct {
	mu     sync.Mutex
	idle   *sync.Cond // signalled when inside becomes 0
	inside int        // calls that are being admitted
	closed bool
}

func newAdmission() *admission {
	g := &admission{}
	g.idle = sync.NewCond(&g.mu)
	return g
}

// enter reports whether the gate is open. If it is, the caller must call leave when the call is in the tables. The gate
// is not shut before that.
func (a *admission) enter() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.closed {
		a.inside++
	}
	return !a.closed
}

func (a *admission) leave() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.inside--; a.inside == 0 {
		a.idle.Broadcast()
	}
}

// exclusive waits until no call is being admitted, and then runs f. Calls that come meanwhile wait for f, so f must be
// short. It reports false, without running f, if ctx ends first.
func (a *admission) exclusive(ctx context.Context, f func()) bool {
	defer context.AfterFunc(ctx, func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.idle.Broadcast()
	})()
	a.mu.Lock()
	defer a.mu.Unlock()
	for a.inside > 0 && ctx.Err() == nil {
		a.idle.Wait()
	}
	if ctx.Err() != nil {
		return false
	}
	f()
	return true
}

// isShut reports whether the gate is shut.
func (a *admission) isShut() bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.closed
}

// shut waits until no call is being admitted. Then it shuts the gate unless kept reports that it must stay open. It
// reports whether the gate is shut.
func (a *admission) shut(kept func() bool) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	for a.inside > 0 {
		a.idle.Wait()
	}
	if !kept() {
		a.closed = true
	}
	return a.closed
}
