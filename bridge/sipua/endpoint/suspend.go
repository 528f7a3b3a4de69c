package endpoint

import "time"

// leastGain is the least gain of the clocks that counts as a suspend. It is far above the error of a reading and the
// steps of a disciplined clock, and far below the shortest registration. Our own number.
const leastGain = 10 * time.Second

// gainLocked notes by how much the wall clock or the boot clock, whichever gained more, has gained on the clock of this
// process's timers since the last reading. On Linux the timers do not count the time that the machine sleeps
// (CLOCK_MONOTONIC). The boot clock does, and after a virtual machine was paused only the wall clock is set forward.
func (a *arrivals) gainLocked(wall, boot time.Duration) {
	now := time.Now()
	if !a.lookedAt.IsZero() {
		gain := max(boot-time.Duration(a.look), wall-(time.Duration(a.look)+a.ahead)) - now.Sub(a.lookedAt)
		if gain >= leastGain {
			a.gained += gain
		}
	}
	a.lookedAt = now
}

// takeGain returns what the clocks have gained since the last call, or 0.
func (a *arrivals) takeGain() time.Duration {
	a.mu.Lock()
	defer a.mu.Unlock()
	gained := a.gained
	a.gained = 0
	return gained
}
