package agent

import "time"

// Health is the health word; 0 means that all is well.
type Health uint16

// The bits of the health word.
const (
	HealthOutput    Health = 1 << iota // a contact is not known to be closed, or its output failed
	HealthThread                       // a contact's thread does not answer
	HealthClass                        // the process is not in the real-time class
	HealthWatchdog                     // no hardware watchdog is fed
	HealthSimulated                    // a contact is simulated: nothing real moves
)

// SetHealth sets or clears the bits that the agent cannot determine itself: HealthClass and HealthWatchdog.
func (a *Agent) SetHealth(bits Health, on bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if on {
		a.flags |= bits
	} else {
		a.flags &^= bits
	}
}

// Health returns the health word.
func (a *Agent) Health() Health {
	a.mu.Lock()
	h := a.flags
	a.mu.Unlock()
	for _, c := range a.contacts {
		if c.fault() != nil {
			h |= HealthOutput
		}
		if c.hung.Load() {
			h |= HealthThread
		}
		if c.opt.Simulated {
			h |= HealthSimulated
		}
	}
	return h
}

// Alive reports whether every contact's thread has run since the given instant. It also wakes all threads, so that the
// next call has a new result. Call it before feeding a watchdog. It does not wait.
func (a *Agent) Alive(since time.Time) bool {
	all := true
	for _, c := range a.contacts {
		if a.began.Add(time.Duration(c.aliveAt.Load())).Before(since) {
			all = false
		}
		c.wait.wake()
	}
	return all
}
