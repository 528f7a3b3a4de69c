package relay

import "time"

// SleepMargin is the last part of a wait, which [SleepUntil] sleeps through. A runtime timer fires up to 1.1 ms late on
// an idle machine and up to 3 ms late if one processor is busy (measured, 99th percentiles). SleepMargin is 4 ms to
// allow for that.
const SleepMargin = 4 * time.Millisecond

// TimerWait returns how long a timer should run before [SleepUntil] does the rest. If it is 0 or less, no timer is
// needed.
func TimerWait(until time.Time) time.Duration { return time.Until(until) - SleepMargin }

// SleepUntil returns at t or as little after t as the system allows, never before. It cannot be interrupted, so use it
// only for the last [SleepMargin] of a wait. If the kernel's sleep does not move the clock (testing/synctest),
// SleepUntil uses time.Sleep.
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
