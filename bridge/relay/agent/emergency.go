package agent

import (
	"time"
)

const (
	// An emergency has to end before whoever waits for the process loses patience; our own figures.
	emergencySetWait = 100 * time.Millisecond // for a Set under way to come back
	emergencyTotal   = 500 * time.Millisecond // for all outputs together
)

// Guard runs f. If f panics, every contact is closed before the panic goes on and ends the process. Whoever starts a
// goroutine in the agent's process wraps it.
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

// Emergency closes every contact at once, from the calling goroutine's side, whatever the contacts' threads are doing,
// and lets none open again: for a process that is going down. It returns when all outputs have confirmed, or after half
// a second.
func (a *Agent) Emergency() {
	a.inEmergency.Store(true)
	done := make(chan struct{}, len(a.contacts)) // one each: none waits for us
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

// force closes the output from outside of its thread.
func (c *Contact) force() {
	for until := time.Now().Add(emergencySetWait); !c.setMutex.TryLock(); <-time.After(time.Millisecond) {
		if time.Now().After(until) {
			c.forceSet() // a Set hangs: beside it
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
		_ = out.Set(false) // nobody is left to tell
	}
}
