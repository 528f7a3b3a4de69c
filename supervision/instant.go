package supervision

import "time"

// An Instant is a point on a monotonic time line. It is the time since a start that the caller chooses (package bridge
// uses the start of the process). It is never negative. Zero means "none" where a field says so.
type Instant time.Duration

// Never is the deadline of a machine that waits for nothing.
const Never Instant = 1<<63 - 1

// Add returns the instant d after i. It returns Never if i is Never or if the sum would overflow.
func (i Instant) Add(d time.Duration) Instant {
	if i == Never || (d > 0 && i > Never-Instant(d)) {
		return Never
	}
	return i + Instant(d)
}

// Sub returns the time from o to i.
func (i Instant) Sub(o Instant) time.Duration { return time.Duration(i - o) }
