package agent

import (
	"time"
)

const (
	// Our own figures. An emergency must be over before the service manager kills the process.
	emergencySetWait = 100 * time.Millisecond // longest wait for a Set under way
	emergencyTotal   = 500 * time.Millisecond // for all outputs together
)

// Guard runs f. If f panics, it closes every contact before the panic continues and ends the process. Every goroutine
// in the agent's process must run under Guard.
func (a *Agent) Guard(f func()) {
	fine := false
	defer func() {
		if !fine {
			a.Emergency()
		}
	}()
	f()
	fine = true
}

// Emergency is for a process that is about to end. It closes every contact at once, outside the contacts' threads and
// whatever these are doing, and refuses all later openings. It returns when all outputs have confirmed, or after 500
// ms.
func (a *Agent) Emergency() {
	a.inEmergency.Store(true)
	done := make(chan struct{}, len(a.contacts)) // one place each: no sender waits
	for _, c := range a.contacts {
		go func() {
			c.force()
			done <- struct{}{}
		}()
	}
	t := time.NewTimer(emergencyTotal)
	defer t.Stop()
	for range a.contacts {
		select {
		case <-done:
		case <-t.C:
			return
		}
	}
}

// force closes the output from outside its thread.
func (c *Contact) force() {
	for until := time.Now().Add(emergencySetWait); !c.setMutex.TryLock(); <-time.After(time.Millisecond) {
		if time.Now().After(until) {
			c.forceSet() // a Set hangs, so call Set at the same time
			return
		}
	}
	defer c.setMutex.Unlock()
	c.forceSet()
}

func (c *Contact) forceSet() {
	c.mu.Lock()
	out := c.out
	c.mu.Unlock()
	if out != nil {
		_ = out.Set(false) // the process is ending, so an error has no remedy
	}
}
