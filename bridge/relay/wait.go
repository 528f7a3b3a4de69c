package relay

import "time"

// Fine is the last part of a wait, which [SleepUntil] sleeps through. A runtime timer fires up to 1.1 ms late on an
// idle machine and 3 ms late beside one busy processor (measured, 99th percentiles); 4 ms leave room for that.
const Fine = 4 * time.Millisecond

// Coarse returns how long a timer should run before the rest is left to [SleepUntil]; 0 or less: no timer is needed.
func Coarse(until time.Time) time.Duration { return time.Until(until) - Fine }

// SleepUntil returns at t, never before, and as little after it as the system allows. It cannot be interrupted: give it
// only the last [Fine] of a wait. A clock that the kernel's sleep does not move is a test's (testing/synctest): that
// one goes on in time.Sleep.
func SleepUntil(t time.Time) {
	now := time.Now()
	for now.Before(t) {
		before := now
		fineSleep(t.Sub(now))
		if now = time.Now(); !now.After(before) {
			time.Sleep(t.Sub(now))
			now = time.Now()
		}
	}
}
